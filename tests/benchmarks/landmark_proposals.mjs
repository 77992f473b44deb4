// What the panel proposes on images whose truth is known: cases on stdin, one answer each on stdout.
import { readFileSync } from 'node:fs';

import { LimbOutline } from '../../viewer_plugin/panel/limb_outline.js';
import { proposed } from '../../viewer_plugin/panel/proposing.js';
import { levelsOf, rightOn } from '../../viewer_plugin/panel/tour.js';

const file = name => JSON.parse(readFileSync(new URL(`../../viewer_plugin/maps/${name}.json`, import.meta.url), 'utf8'));
const maps = ['dog_fore', 'cat_fore', 'horse_fore'].map(file);

function answer({ template, image, side, truth, clicks, found }) {
  const view = template.views.find(one => one.uid === image.uid);
  const levels = levelsOf(maps, template, view, side);
  const limb = found.refusal ? null : LimbOutline.of(found);
  const seen = levels.filter(({ ids }) => ids.every(id => truth[id]));
  const ends = seen.length > 1 ? [seen[0], seen[seen.length - 1]] : [];
  const set = Object.fromEntries(ends.flatMap(({ ids }) => ids).map(id => [id, clicks[id]]));
  const depth = id => (limb && truth[id] ? limb.depth(truth[id]) : null);
  return {
    all: levels.flatMap(({ ids }) => ids), set: Object.keys(set), proposed: proposed(levels, set, limb, rightOn(view, side, image)),
    without: proposed(levels, {}, limb, rightOn(view, side, image)),
    off: seen.flatMap(({ ids }) => ids).filter(id => depth(id) !== null && limb.off(truth[id])),
  };
}

const cases = JSON.parse(readFileSync(0, 'utf8'));
process.stdout.write(JSON.stringify(cases.map(answer)));
