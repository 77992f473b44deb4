import assert from 'node:assert/strict';
import { test } from 'node:test';

import { Drawing } from '../../viewer_plugin/host/drawing.js';

/** An image seen at twice its size. */
const look = uid => ({ uid, place: ([x, y]) => [2 * x, 2 * y], point: ([x, y]) => [x / 2, y / 2] });
const A = look('a');

function begun(kind) {
  const drawn = [];
  return { drawn, drawing: new Drawing(kind, one => drawn.push(one)) };
}

function click(drawing, point, on = A) {
  drawing.press(on, point);
  drawing.release(on, point);
}

function dragged(drawing, from, to) {
  drawing.press(A, from);
  drawing.move(A, to);
  drawing.release(A, to);
}

test('two clicks, or one drag, are a length', () => {
  for (const hand of [d => [[10, 10], [40, 50]].forEach(point => click(d, point)), d => dragged(d, [10, 10], [40, 50])]) {
    const { drawn, drawing } = begun('length');
    hand(drawing);
    assert.deepEqual(drawn, [{ kind: 'length', uid: 'a', points: [[10, 10], [40, 50]] }]);
  }
});

test('an angle is three clicks, a drag and a click, or a click and a drag', () => {
  const points = [[10, 10], [40, 50], [90, 50]];
  for (const hand of [
    d => points.forEach(point => click(d, point)),
    d => (dragged(d, points[0], points[1]), click(d, points[2])),
    d => (dragged(d, points[0], points[1]), dragged(d, [60, 60], points[2])),
  ]) {
    const { drawn, drawing } = begun('angle');
    hand(drawing);
    assert.deepEqual(drawn, [{ kind: 'angle', uid: 'a', points }]);
  }
});

test('a second press on the same place is one too many, not a line without length', () => {
  const { drawn, drawing } = begun('length');
  click(drawing, [10, 10]);
  click(drawing, [11, 10]);
  assert.deepEqual([drawn, drawing.points], [[], [[10, 10]]]);
});

test('another image begins anew', () => {
  const { drawn, drawing } = begun('length');
  click(drawing, [10, 10]);
  click(drawing, [20, 20], look('b'));
  click(drawing, [30, 30], look('b'));
  assert.deepEqual(drawn, [{ kind: 'length', uid: 'b', points: [[20, 20], [30, 30]] }]);
});

test('keys move a cross from the middle and set it; the last point can be taken back', () => {
  const { drawn, drawing } = begun('angle');
  const middle = [100, 100];
  drawing.set(A, middle);
  drawing.step(A, middle, 40, 0);
  assert.deepEqual(drawing.shapes().find(shape => shape.name === 'drawing').points, [[100, 100], [120, 100]], 'the line is seen while it grows');
  drawing.set(A, middle);
  drawing.step(A, middle, 0, 40);
  drawing.back();
  drawing.set(A, middle);
  assert.deepEqual(drawing.points, [[100, 100], [120, 120]]);
  drawing.step(A, middle, -40, 0);
  drawing.set(A, middle);
  assert.deepEqual(drawn, [{ kind: 'angle', uid: 'a', points: [[100, 100], [120, 120], [100, 120]] }]);
});

test('taking back more than there is does nothing, and a point is followed only on its own image', () => {
  const { drawing } = begun('length');
  drawing.back();
  click(drawing, [10, 10]);
  drawing.move(look('b'), [50, 50]);
  assert.equal(drawing.next, null);
  drawing.back();
  drawing.back();
  drawing.release(A, [3, 3]);
  assert.deepEqual(drawing.points, []);
});
