import { same, near } from './check.js';
import { bounds, dragged, ends, fit, nearest, pose, ratioFor, roundDown, rule, spaced, stretch } from '../../page/js/planfit.js';
import { Drawing, changed, differenceWords, lengthOf, nextPiece, ovalOf, pieceWords } from '../../page/js/drawing.js';
import { Refused } from '../../page/js/api.js';
import { stepOf } from '../../page/js/drawnplan.js';

/** An oval of 600 mm straights and 400 mm curves, its curves as points 10 mm apart. */
function oval() {
  const points = [{ s: 0, x: 0, y: 0 }];
  const half = Math.PI * 400;
  for (const [s0, x0, y0, sign] of [[600, 600, 0, 1], [1200 + half, 0, 800, -1]]) {
    for (let i = 0; i <= 126; i++) {
      const a = (Math.PI * i) / 126;
      points.push({ s: s0 + (half * i) / 126, x: x0 + sign * 400 * Math.sin(a), y: y0 + sign * (400 - 400 * Math.cos(a)) });
    }
  }
  return points;
}

export function testNearestPlaceOfTheLine() {
  const p = oval();
  near(nearest(p, 300, -50).s, 300, 1e-9, 'below the first straight');
  near(nearest(p, 300, -50).far, 50, 1e-9, 'and how far');
  near(nearest(p, 1100, 400).s, 600 + Math.PI * 200, 6, 'beside the top of the bend');
  near(nearest(p, 300, 790).s, 900 + Math.PI * 400, 1e-9, 'inside the far straight');
  near(nearest(rule(5000), 9000, 3).s, 5000, 1e-9, 'beyond the end of a rule');
}

// Where the track comes near itself a gate keeps to its own line.
export function testDragKeepsToTheLine() {
  const narrow = [{ s: 0, x: 0, y: 0 }, { s: 1000, x: 1000, y: 0 }, { s: 1020, x: 1000, y: 20 }, { s: 2020, x: 0, y: 20 }, { s: 2040, x: 0, y: 0 }];
  near(nearest(narrow, 510, 15).s, 1510, 1e-9, 'a tap goes to the nearer');
  near(dragged(narrow, 500, 510, 15, 40), 510, 1e-9, 'a drag along the near one does not leap');
  near(dragged(narrow, 500, 100, 19, 40), 1920, 1e-9, 'a finger far ahead on the other is gone after');
  near(dragged(narrow, 10, 0, 15, 40), 2025, 1e-9, 'back over the beginning');
}

export function testFitted() {
  const on = fit(oval(), 500, 400, { x: 50, y: 40, foot: 20 });
  near(on.scale, 400 / 1400, 1e-9, 'as large as it goes: 1400 mm wide in 400 px');
  near(on.groundX(on.atX(123)), 123, 1e-9, 'there and back across');
  near(on.groundY(on.atY(-45)), -45, 1e-9, 'there and back down');
  const p = pose(on, 300);
  same([Math.round(p.tx), Math.round(p.ny)], [1, 1], 'a track that turns left has its outside on the right, below');
  same(bounds(rule(700)), { x0: 0, x1: 700, y0: 0, y1: 0 }, 'bounds');
  same(stretch(rule(700), 100, 300).map((q) => q.x), [100, 300], 'a stretch between two points');
}

export function testScales() {
  same([1, 1.9, 2, 4.99, 5, 37, 1000].map(roundDown), [1, 1, 2, 2, 5, 20, 1000], 'round lengths');
  same([0.9, 170, 3000, 3401, 7000, 90000].map((mm) => ratioFor(rule(mm), 170, 90)), [1, 1, 20, 25, 50, 1000], 'scales that paper has room for');
  same(spaced([0, 3, 9, 12, 30], 8), [0, 2, 4], 'those with room');
  same(ends([{ straight_mm: 10 }, { radius_mm: 180 / Math.PI, angle_deg: 30, hand: 'left' }]).map(Math.round), [10, 40], 'ends');
}

const pieces = [{ straight_mm: 560 }, { radius_mm: 400, angle_deg: 180, hand: 'left' }, { straight_mm: 600 }];

export function testChangesCountInTheOldPieces() {
  same(changed(pieces, [{ do: 'change', at: 0, piece: { straight_mm: 600 } }, { do: 'remove', at: 1, piece: {} }, { do: 'add', at: 3, piece: { straight_mm: 7 } }, { do: 'add', at: 0, piece: { straight_mm: 1 } }]),
    [{ straight_mm: 1 }, { straight_mm: 600 }, { straight_mm: 600 }, { straight_mm: 7 }], 'all kinds at once');
}

export function testOneTapAddsWhatWasLaidLast() {
  same(nextPiece(pieces, 'straight'), { straight_mm: 600 }, 'the last straight');
  same(nextPiece(pieces, 'right'), { radius_mm: 400, angle_deg: 180, hand: 'right' }, 'the last curve, to the other hand');
  same(nextPiece([], 'left'), { radius_mm: 400, angle_deg: 45, hand: 'left' }, 'the first curve');
  same(pieceWords(pieces[1]), 'curve left, R 400 mm, 180°', 'in words');
}

export function testMeasuredAgainstPieces() {
  same(differenceWords(8020, 8000), '20.0 mm (0.25 %) longer than its pieces', 'longer');
  same(differenceWords(7999, 8000), '1.0 mm (125 ppm) shorter than its pieces', 'a little shorter');
  same(differenceWords(8000.01, 8000), 'as long as its pieces', 'the same');
}

/** @param {any} value @param {Partial<import('../../types/wire.js').CircuitView>} [more] @returns {import('../../types/wire.js').CircuitView} */
function answerTo(value, more) {
  return { circuit: value.circuit, gates: [], length_mm: 1, pieces_mm: 1, gap_mm: 0, heading_deg: 0, plan: [], ...more };
}

const pause = (/** @type {number} */ ms) => new Promise((done) => setTimeout(done, ms));

// Answers may overtake each other; only the last question's counts, and a hint
// is not there to be followed before it is about what stands there.
export async function testTheLatestAnswerWins() {
  /** @type {((v: import('../../types/wire.js').CircuitView) => void)[]} */ const waiting = [];
  /** @type {any[]} */ const asked = [];
  const d = new Drawing(answerTo({ circuit: { id: 'c', name: '', pieces } }), () => {}, (value) => new Promise((done) => { asked.push(value); waiting.push(done); }));
  await pause(180);
  d.insert([{ straight_mm: 1 }]);
  d.insert([{ straight_mm: 2 }]);
  await pause(180);
  same(asked.map((v) => v.circuit.pieces.length), [3, 5], 'asked once after two changes');
  waiting[1](answerTo(asked[1], { hint: 'new', changes: [{ do: 'remove', at: 4, piece: {} }] }));
  await pause(0);
  waiting[0](answerTo(asked[0], { hint: 'old', changes: [] }));
  await pause(0);
  same(d.hint, 'new', 'the older answer came later and is let go');
  d.insert([{ straight_mm: 3 }]);
  same([d.hint, d.close()], ['', -1], 'no hint about other pieces');
  d.dropPiece(d.pieces.rows[5].key);
  same(d.hint, '', 'nor before it was asked again');
}

export async function testClosingAndUndrawable() {
  let asked = 0;
  const hinted = { hint: 'do', changes: [{ do: 'change', at: 0, piece: { straight_mm: 600 } }] };
  const d = new Drawing(answerTo({ circuit: { id: 'c', name: '', pieces } }), () => {}, async (value) => { asked++; return answerTo(value, asked === 1 ? hinted : {}); });
  await pause(180);
  same([d.close() >= 0, d.laid[0].straight_mm], [true, 600], 'done as the hint says');
  await pause(180);
  same([d.hint, asked], ['', 2], 'and asked again');
  d.pieces.rows[0].row = { straight_mm: 0 };
  d.changed();
  await pause(180);
  same([d.unlaid, asked], ['Piece 1 has no length yet.', 2], 'nothing is asked about a piece without length');
  const refused = new Drawing(answerTo({ circuit: { id: 'c', name: '', pieces } }), () => {}, async () => { throw new Refused(400, 'no circuit'); });
  await pause(180);
  same([refused.refusal, refused.picture()], ['no circuit', null], 'a refusal is told');
}

export function testGatesOfADrawing() {
  const d = new Drawing(undefined, () => {}, async (v) => answerTo(v));
  same([d.way, d.gates.rows[0].row, d.picture()], ['measured', { id: 'g1', position_mm: 0, timing: true }, null], 'a new circuit');
  d.measured = 5000;
  d.place(1234);
  same(d.gates.rows[1].row, { id: 'g2', position_mm: 1234 }, 'set by a tap');
  d.move(d.gates.rows[1].key, 1300);
  same([d.gates.rows[1].row.position_mm, d.picture()?.points.length], [1300, 2], 'moved; the plan is a rule');
  same(d.roomiest, 3150, 'the middle of the longest stretch, from g2 on to g1');
  d.dropGate(d.gates.rows[0].key);
  d.place(1);
  same(d.gates.rows.map((r) => [r.row.id, Boolean(r.row.timing)]), [['g2', true], ['g3', false]], 'no name twice, and one is the timing gate');
}

export function testPiecesMove() {
  const d = new Drawing(answerTo({ circuit: { id: 'c', name: '', pieces: ovalOf(400, 600) } }), () => {}, async (v) => answerTo(v));
  const [a, b] = d.pieces.rows.map((r) => r.key);
  d.shift(a, 1);
  d.shift(b, -1);
  same(d.pieces.rows.slice(0, 2).map((r) => r.key), [b, a], 'down one, and no further up than the first');
  near(lengthOf(d.laid), 1200 + 800 * Math.PI, 1e-9, 'as long as before');
  same([d.dropPiece(b), d.pieces.rows.length], [a, 3], 'the hand goes to the next');
}

export function testKeysOfAGate() {
  const key = (/** @type {string} */ k, shiftKey = false) => stepOf(new KeyboardEvent('keydown', { key: k, shiftKey }));
  same([key('ArrowRight'), key('ArrowLeft', true), key('ArrowUp', true), key('PageDown'), key('a')], [1, -10, 10, -100, null], 'steps in mm');
}
