// What the panel proposes on images whose truth is known: cases on stdin, one answer each on stdout.
import { readFileSync } from 'node:fs';

import { LimbOutline } from '../../viewer_plugin/panel/limb_outline.js';
import { proposed } from '../../viewer_plugin/panel/proposing.js';
import { proposedAcross } from '../../viewer_plugin/panel/proposing_across.js';
import { courseOn, downOn, levelsOf, rightOn } from '../../viewer_plugin/panel/tour.js';

const file = name => JSON.parse(readFileSync(new URL(`../../viewer_plugin/maps/${name}.json`, import.meta.url), 'utf8'));
const maps = ['dog_fore', 'cat_fore', 'horse_fore'].map(file);

function answer(one) {
  const { template, image, side, truth, clicks, found } = one;
  const view = template.views.find(one => one.uid === image.uid);
  const levels = levelsOf(maps, template, view, side);
  const limb = found.refusal ? null : LimbOutline.of(found);
  const seen = levels.filter(({ ids }) => ids.every(id => truth[id]));
  const ends = seen.length > 1 ? [seen[0], seen[seen.length - 1]] : [];
  const set = Object.fromEntries(ends.flatMap(({ ids }) => ids).map(id => [id, clicks[id]]));
  const depth = id => (limb && truth[id] ? limb.depth(truth[id]) : null);
  return {
    all: levels.flatMap(({ ids }) => ids), set: Object.keys(set), proposed: proposed(levels, set, limb, rightOn(view, side, image)),
    across: across(one, levels, limb), without: proposed(levels, {}, limb, rightOn(view, side, image)),
    off: seen.flatMap(({ ids }) => ids).filter(id => depth(id) !== null && limb.off(truth[id])),
  };
}

/** After one click on this image, by each other image of the same study whose landmarks are all set. */
function across({ template, image, side, truth, clicks, study }, levels, limb) {
  const mm = image.spacing.column_mm;
  const view = template.views.find(one => one.uid === image.uid);
  const seen = levels.filter(({ ids }) => ids.every(id => truth[id]));
  return cases.filter(other => other.study === study && other.image.uid !== image.uid).flatMap(other => {
    const course = courseOn(maps, template, { [other.image.uid]: other.clicks }, template.views.find(one => one.uid === other.image.uid), side, other.image.spacing.column_mm);
    return seen.map(level => {
      const set = Object.fromEntries(level.ids.map(id => [id, clicks[id]]));
      return proposedAcross(levels, set, limb, { course, mm, right: rightOn(view, side, image), down: downOn(side, image) });
    });
  });
}

const cases = JSON.parse(readFileSync(0, 'utf8'));
process.stdout.write(JSON.stringify(cases.map(answer)));
