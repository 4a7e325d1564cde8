import { same, near } from './check.js';
import { between, mod, place, strokes, pointAt, circle } from '../../page/js/reckon.js';

const gates = [{ id: 'g1', position_mm: 0 }, { id: 'g2', position_mm: 400 }, { id: 'g3', position_mm: 700 }];
/** @param {string} gate @param {number} at seconds @param {string} [source] @returns {any} */
const pass = (gate, at, source = 'measured') => ({ gate, at_us: at * 1e6, position_mm: gates.find((g) => g.id === gate)?.position_mm, source });

export function testDistances() {
  same([mod(-1, 10), between(700, 0, 1000, 1), between(0, 700, 1000, -1), between(5, 5, 1000, 1)], [9, 300, 300, 1000], 'distances');
}

export function testPlaceIsReckonedAndHeld() {
  same(place([], gates, 1000, 1, 0), null, 'never seen');
  const first = place([pass('g1', 10)], gates, 1000, 1, 12e6);
  same([first?.mm, first?.speed, first?.held, first?.next], [0, null, false, 'g2'], 'one passage gives no speed');
  const seen = [pass('g1', 0), pass('g2', 4)];
  const on = place(seen, gates, 1000, 1, 6e6);
  same([on?.mm, on?.speed, on?.held, on?.next], [600, 100, false, 'g3'], 'on the way at 100 mm/s');
  const held = place(seen, gates, 1000, 1, 60e6);
  same([held?.mm, held?.held, held?.sinceUs], [700, true, 56e6], 'held at the next gate until it is seen');
}

export function testPlaceBackwardsAndAcrossTheEnd() {
  const back = place([pass('g2', 0), pass('g1', 4)], gates, 1000, -1, 5e6);
  same([back?.mm, back?.next], [900, 'g3'], 'reverse, past the beginning');
  const over = place([pass('g2', 0), pass('g3', 3)], gates, 1000, 1, 60e6);
  same([over?.mm, over?.next], [0, 'g1'], 'held at the end of the lap');
}

export function testStrokesWrapAtTheEndOfTheLap() {
  const got = strokes([pass('g3', 0), pass('g2', 7)], 1000, 1);
  same(got.map((s) => [s.s0, s.s1, s.t0, s.t1]), [[700, 1000, 0, 3e6], [0, 400, 3e6, 7e6]], 'up to the end, then from the beginning');
  const back = strokes([pass('g2', 0), pass('g3', 7)], 1000, -1);
  same(back.map((s) => [s.s0, s.s1]), [[400, 0], [1000, 700]], 'reverse runs down');
}

export function testOneGateMakesWholeLaps() {
  const got = strokes([pass('g1', 0), pass('g1', 10)], 1000, 1);
  same(got.map((s) => [s.s0, s.s1, s.t1]), [[0, 1000, 10e6]], 'one lap, one line');
}

export function testInferredStretches() {
  const got = strokes([pass('g1', 0), pass('g2', 4, 'inferred'), pass('g3', 7), pass('g1', 10)], 1000, 1);
  same(got.map((s) => s.inferred), [true, true, false], 'what touches an inferred passage');
}

export function testPlanPoints() {
  const plan = [{ s: 0, x: 0, y: 0 }, { s: 100, x: 100, y: 0 }, { s: 200, x: 100, y: 100 }];
  same([50, 150, 999, -5].map((s) => { const p = pointAt(plan, s); return [p.x, p.y]; }), [[50, 0], [100, 50], [100, 100], [0, 0]], 'along the plan');
  const c = circle(1000);
  near(Math.hypot(c[30].x, c[30].y), 1000 / (2 * Math.PI), 1e-9, 'radius');
  near(c[120].s, 1000, 1e-9, 'all the way round');
}
