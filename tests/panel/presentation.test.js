import assert from 'node:assert/strict';
import { test } from 'node:test';

import { readState } from '../../viewer_plugin/host/presentation.js';

const value = (...values) => ({ Value: values });
const image = uid => value({ '00081155': value(uid) });

function state(change = {}) {
  return {
    '00081115': value({ '00081140': image('1.2') }),
    '00283110': value({ '00281050': value(1000), '00281051': value(2000) }),
    '00700041': value('N'),
    '00700042': value(0),
    '0070005A': value({ '00700052': value(1, 1), '00700053': value(200, 300) }),
    '00700001': value({
      '00700008': value({ '00700004': value('PIXEL'), '00700006': value('22.5 mm'), '00700014': value(60, 90) }),
      '00700009': value({ '00700005': value('PIXEL'), '00700022': value(60, 60, 60, 90), '00700023': value('POLYLINE') }),
    }),
    ...change,
  };
}

test('lines, texts and window come with the image that they are of', () => {
  const { images, layer } = readState(state());
  assert.deepEqual(images, [{ uid: '1.2', window: { centre: 1000, width: 2000 }, rotation: 0, flip_horizontal: false }]);
  assert.deepEqual(layer.shapes, [{ uid: '1.2', name: '', tone: 'kept', kind: 'line', points: [[60, 60], [60, 90]] }]);
  assert.deepEqual(layer.labels, [{ uid: '1.2', point: [60, 90], text: '22.5 mm', tone: 'kept' }]);
});

for (const [rotation, flip, expected] of [[0, 'N', [20, 30]], [90, 'N', [20, 270]], [180, 'N', [180, 270]], [270, 'N', [180, 30]], [0, 'Y', [180, 30]]]) {
  test(`a text at a place of the display is found on an image turned by ${rotation} (flip ${flip})`, () => {
    const text = { '00700003': value('DISPLAY'), '00700006': value('variant'), '00700010': value(0.1, 0.1) };
    const { layer } = readState(state({
      '00700001': value({ '00700008': value(text) }), '00700041': value(flip), '00700042': value(rotation),
    }));
    assert.deepEqual(layer.labels[0].point.map(Math.round), expected);
  });
}

test('what names another image is drawn on that one only', () => {
  const { layer } = readState(state({
    '00081115': value({ '00081140': value({ '00081155': value('1.2') }, { '00081155': value('1.3') }) }),
    '00700001': value({ '00081140': image('1.3'), '00700009': value({ '00700005': value('PIXEL'), '00700022': value(5, 5, 5, 8), '00700023': value('CIRCLE') }) }),
  }));
  assert.deepEqual(layer.shapes, [{ uid: '1.3', name: '', tone: 'kept', kind: 'circle', points: [[5, 5]], radius: 3 }]);
});

test('a state that says nothing draws nothing', () => {
  assert.deepEqual(readState({}), { images: [], layer: { shapes: [], handles: [], labels: [] } });
});
