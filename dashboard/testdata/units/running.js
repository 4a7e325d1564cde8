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

/** @param {string} gate @param {number} at seconds @returns {any} */
const back = (gate, at) => ({ ...pass(gate, at), reverse: true });

export function testATrainThatRunsBackGoesDownAgain() {
  const turned = { kind: 'reversal', at_us: 6e6, position_mm: 600 };
  const seen = [pass('g1', 0), pass('g2', 4), back('g2', 8), back('g1', 12)];
  const got = strokes(seen, 1000, 1, [/** @type {any} */ (turned)]);
  same(got.map((s) => [s.s0, s.s1, s.t1 / 1e6, s.inferred]), [[0, 400, 4, false], [400, 600, 6, true], [600, 400, 8, true], [400, 0, 12, false]], 'up, to where it turned, and down');
  const untold = strokes(seen, 1000, 1);
  same(untold.map((s) => [s.s0, s.s1]), [[0, 400], [400, 400], [400, 400], [400, 0]], 'nothing says where it turned');
  same(strokes([pass('g1', 0), back('g3', 5)], 1000, -1).map((s) => [s.s0, s.s1]), [[1000, 700], [700, 700]], 'a trial in reverse that turns, by the shorter way');
  const now = place(seen, gates, 1000, 1, 13e6);
  same([now?.mm, now?.dir, now?.speed, now?.next], [900, -1, 100, 'g3'], 'reckoned on backwards');
}

export function testAnIncidentHoldsTheTrain() {
  const seen = [pass('g1', 0), pass('g2', 4)];
  const stood = /** @type {any} */ ({ kind: 'stall', at_us: 5e6, position_mm: 480 });
  same([place(seen, gates, 1000, 1, 6e6, [stood])].map((p) => [p?.mm, p?.held]), [[480, true]], 'stands where it stalled');
  same(place(seen, gates, 1000, 1, 6e6, [{ ...stood, until_us: 5.5e6 }])?.mm, 600, 'went on');
  same(place(seen, gates, 1000, 1, 6e6, [{ ...stood, position_mm: null }])?.mm, 400, 'nobody knows where');
}

export function testATrainThatIsLiftedOffRunsNoLine() {
  const seen = [pass('g1', 0), pass('g2', 4), pass('g1', 9), pass('g2', 13)];
  const lifted = /** @type {any} */ ({ kind: 'lift-off', at_us: 5e6, until_us: 9e6, position_mm: 500 });
  same(strokes(seen, 1000, 1, [lifted]).map((s) => [s.s0, s.s1, s.t0 / 1e6, s.t1 / 1e6, s.inferred]), [[0, 400, 0, 4, false], [400, 500, 4, 5, true], [0, 400, 9, 13, false]], 'to where it was lifted off, and on from where it was seen');
  same(place(seen.slice(0, 3), gates, 1000, 1, 10e6, [lifted])?.speed, null, 'the way by hand is no speed');
  same(strokes(seen, 1000, 1, [{ ...lifted, kind: 'stall' }]).map((s) => s.s1), [400, 1000, 400], 'a stall is run through');
}

export function testProvisionalStretches() {
  const final = (/** @type {any} */ p) => ({ ...p, final: true });
  same(strokes([final(pass('g1', 0)), final(pass('g2', 4)), pass('g3', 7)], 1000, 1).map((s) => s.final), [true, false], 'what touches a provisional passage');
}

export function testPlanPoints() {
  const plan = [{ s: 0, x: 0, y: 0 }, { s: 100, x: 100, y: 0 }, { s: 200, x: 100, y: 100 }];
  same([50, 150, 999, -5].map((s) => { const p = pointAt(plan, s); return [p.x, p.y]; }), [[50, 0], [100, 50], [100, 100], [0, 0]], 'along the plan');
  const c = circle(1000);
  near(Math.hypot(c[30].x, c[30].y), 1000 / (2 * Math.PI), 1e-9, 'radius');
  near(c[120].s, 1000, 1e-9, 'all the way round');
}
