import assert from 'node:assert/strict';
import { test } from 'node:test';

import { Camera } from '../../viewer_plugin/host/plain_camera.js';
import { Window, statedWindow } from '../../viewer_plugin/host/plain_window.js';

const near = (a, b, by = 1e-9) => a.forEach((x, i) => assert.ok(Math.abs(x - b[i]) < by, `${a} is not ${b}`));

function camera(more = {}) {
  const made = new Camera({ columns: 2000, rows: 3000, ...more });
  made.resize(640, 900);
  return made;
}

test('a place goes to the screen and comes back the same, however the image hangs', () => {
  for (const rotation of [0, 90, 180, 270]) {
    for (const flip of [false, true]) {
      const view = camera({ rotation, flip, stretch: 1.25 });
      view.zoom(3.7, [100, 200]);
      view.pan(-31, 12);
      near(view.toImage(view.toScreen([812.5, 1444.25])), [812.5, 1444.25], 1e-6);
    }
  }
});

test('the flip is in the axes of the image, the rotation clockwise after it', () => {
  const view = camera({ rotation: 90, flip: true });
  const [cx, cy] = view.toScreen([1000, 1500]);
  const [right] = [view.toScreen([1100, 1500])];
  assert.ok(right[1] < cy, 'columns run upwards once flipped and turned by 90 degrees');
  near([right[0]], [cx]);
  assert.ok(view.toScreen([1000, 1600])[0] < cx, 'rows run to the left');
});

test('whole means that all four corners are in view and two edges touch it', () => {
  for (const rotation of [0, 90]) {
    const view = camera({ rotation });
    const corners = [[0, 0], [2000, 0], [0, 3000], [2000, 3000]].map(p => view.toScreen(p));
    const xs = corners.map(p => p[0]);
    const ys = corners.map(p => p[1]);
    assert.ok(Math.min(...xs) >= -1e-6 && Math.max(...xs) <= 640 + 1e-6 && Math.min(...ys) >= -1e-6 && Math.max(...ys) <= 900 + 1e-6);
    assert.ok(Math.abs(Math.max(...xs) - Math.min(...xs) - 640) < 1e-6 || Math.abs(Math.max(...ys) - Math.min(...ys) - 900) < 1e-6);
  }
});

test('zooming holds the place under the pointer', () => {
  const view = camera();
  const before = view.toImage([200, 300]);
  view.zoom(2.5, [200, 300]);
  near(view.toImage([200, 300]), before, 1e-6);
});

test('the smaller side of the view shows the wanted field', () => {
  const view = camera();
  view.lookAt(400, 700, 500);
  near(view.toScreen([400, 700]), [320, 450]);
  near([view.toScreen([650, 700])[0]], [640]);
});

test('another size of the view keeps whole images whole', () => {
  const view = camera();
  view.resize(200, 200);
  near([view.scale], [200 / 3000]);
});

test('a partner of another size looks at the same part', () => {
  const one = camera();
  const other = new Camera({ columns: 1000, rows: 1500 });
  other.resize(640, 900);
  one.lookAt(500, 600, 400);
  other.follow(one);
  near(other.centre, [250, 300]);
  near([other.scale], [one.scale * 2]);
});

test('the preview of a window has the grey that the node will draw', () => {
  const window = new Window({ centre: 2000, width: 1000 });
  window.change(0.5, 0.1);
  const { slope, intercept } = window.tone;
  for (const value of [1800, 2000, 2300]) {
    const grey = (value - 1500) / 1000;
    const { centre, width } = window.wanted;
    near([slope * grey + intercept], [(value - (centre - width / 2)) / width]);
  }
  assert.equal(window.stale, true);
  assert.match(window.query, /^window=2100\.00,1500\.00,linear$/);
});

test('the preview of an image stored inverted follows the same way', () => {
  const window = new Window({ centre: 2000, width: 1000 }, true);
  window.change(1, 0);
  const { slope, intercept } = window.tone;
  const stored = value => 1 - (value - 1500) / 1000;
  near([slope * stored(1900) + intercept], [1 - (1900 - 1000) / 2000]);
});

test('an image without a window, or with a look-up table, is never asked of the node again', () => {
  const header = { '00281050': { Value: [100] }, '00281051': { Value: [50] }, '00280004': { Value: ['MONOCHROME2'] } };
  assert.deepEqual(statedWindow(header), { centre: 100, width: 50 });
  assert.equal(statedWindow({ ...header, '00283010': { Value: [{}] } }), null);
  assert.equal(statedWindow({ '00280004': { Value: ['MONOCHROME2'] } }), null);
  const window = new Window(null);
  window.change(-0.5, 0);
  assert.equal(window.stale, false);
  assert.ok(window.tone.slope > 1);
});
