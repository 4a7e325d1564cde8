import { same, near } from './check.js';
import { mergeResult, mergePassages } from '../../page/js/merge.js';
import { Pen } from '../../page/js/pen.js';
import { BusClock, offsetOf } from '../../page/js/clock.js';
import { Tapper } from '../../page/js/tap.js';
import { Refused } from '../../page/js/api.js';
import { readConditions } from '../../page/js/trialform.js';
import { ovalOf, lengthOf, faultOf } from '../../page/js/drawing.js';
import { idsOf, commands } from '../../page/js/sensorform.js';

/** @param {number} n @param {number} s @returns {any} */
const lap = (n, s) => ({ lap: n, lap_time_s: s });
/** @param {number} at @returns {any} */
const pass = (at) => ({ at_us: at, gate: 'g' + at });

export function testResultsMergeByLapNumber() {
  const old = mergeResult(null, /** @type {any} */ ({ trial: 't', state: 'open', lap_count: 3, laps: [lap(1, 10), lap(2, 11), lap(3, 12)] }));
  const got = mergeResult(old, /** @type {any} */ ({ trial: 't', state: 'settling', lap_count: 4, laps: [lap(4, 13), lap(3, 12.5)] }));
  same([got.state, got.laps?.map((l) => l.lap_time_s)], ['settling', [10, 11, 12.5, 13]], 'merged');
  same(mergeResult(got, /** @type {any} */ ({ trial: 't', lap_count: 2, laps: null })).laps?.length, 2, 'laps that are no more');
}

export function testPassagesAreReplacedFromAnInstant() {
  const got = mergePassages([1, 2, 3, 4].map(pass), { trial: 't', from_us: 3, passages: [pass(5), pass(3)] }, 2);
  same(got.map((p) => p.at_us), [2, 3, 5], 'replaced, in order, old ones gone');
}

export function testPenIsBounded() {
  const pen = new Pen(100, 1000);
  for (let t = 0; t < 100_000; t += 20) pen.add(t, t, null);
  same([pen.length, pen.bins.length], [10, 10], 'bins kept');
  near(pen.latest()?.speed, 99_940, 0.01, 'mean of the newest bin: 99900 to 99980');
  same(pen.latest()?.duty, null, 'a duty never told');
  pen.add(5, 1, 1);
  same(pen.length, 10, 'what is older than the newest is left out');
}

export function testPenSeries() {
  const pen = new Pen(100, 100_000);
  for (const t of [0, 100, 200, 1000, 1100]) pen.add(t, t, 500);
  const { speed, duty } = pen.series(50, 50, 23, 300);
  same(speed.slice(0, 6), [0, 50, 100, 150, 200, null], 'straight across, then a gap');
  same([duty[4], duty[5], duty[20]], [500, null, 500], 'held, then a gap');
  same(speed.slice(19, 21), [null, 1000], 'on again');
  same(pen.series(5000, 50, 3, 300).speed, [null, null, null], 'long after the last');
}

// Offset and delay as in RFC 5905, section 8: theta = ((t2-t1)+(t3-t4))/2,
// delta = (t4-t1)-(t3-t2).
export function testClockTakesTheQuickest() {
  same(offsetOf({ t1_us: 100, t2_us: 1150, t3_us: 1160, t4_us: 220 }), { offsetUs: 995, delayUs: 110 }, 'one exchange');
  const clock = new BusClock(3);
  clock.hint(5000, 1000);
  same(clock.offsetUs(), 4000, 'a hint until there is more');
  clock.put({ t1_us: 0, t2_us: 1010, t3_us: 1010, t4_us: 20 });
  clock.put({ t1_us: 0, t2_us: 1400, t3_us: 1400, t4_us: 500 });
  same(clock.busUs(50), 1050, 'the quicker of two');
}

class Shelf {
  /** @type {Map<string, string>} */ kept = new Map();
  get length() { return this.kept.size; }
  /** @param {number} i */ key(i) { return [...this.kept.keys()][i] ?? null; }
  /** @param {string} k */ getItem(k) { return this.kept.get(k) ?? null; }
  /** @param {string} k @param {string} v */ setItem(k, v) { this.kept.set(k, v); }
  /** @param {string} k */ removeItem(k) { this.kept.delete(k); }
  clear() { this.kept.clear(); }
}

/** @param {() => boolean} done */
async function until(done) {
  for (let i = 0; i < 200 && !done(); i++) await new Promise((r) => setTimeout(r, 10));
  if (!done()) throw new Error('waited 2 s');
}

export async function testTapsAreKeptAndSentInOrder() {
  const shelf = new Shelf();
  /** @type {any[]} */ const got = [];
  let down = true;
  const send = async (/** @type {string} */ path, /** @type {any} */ body) => {
    if (down) throw new Refused(0, 'not reached');
    got.push([path, body.seq]);
  };
  let unsent = -1;
  const tapper = new Tapper('tap-a', shelf, (t) => (unsent = t.unsent), send);
  tapper.tap('g1', 1, '');
  tapper.sync({ t1_us: 1, t2_us: 2, t3_us: 3, t4_us: 4 });
  tapper.tap('g1', 2, '');
  same([unsent, shelf.length], [2, 3], 'kept while the service is away');
  down = false;
  await until(() => unsent === 0);
  same([got, shelf.length], [[['/api/tap', 1], ['/api/sync', 2], ['/api/tap', 3]], 0], 'each once, in order');
}

export async function testTapsOutliveTheirPage() {
  const shelf = new Shelf();
  const away = async () => { throw new Refused(401, 'not signed in'); };
  const first = new Tapper('tap-a', shelf, () => {}, away);
  first.tap('g1', 7, 'x');
  /** @type {any[]} */ const got = [];
  const second = new Tapper('tap-a', shelf, () => {}, async (_, body) => { got.push(body); });
  second.flush();
  await until(() => got.length === 1);
  same([got[0].boot === first.boot, got[0].at_us, got[0].seq, shelf.length], [true, 7, 1, 0], 'sent with its own boot');
}

export async function testARefusedTapIsToldAndLetGo() {
  let tally = { unsent: -1, refused: '' };
  const tapper = new Tapper('tap-a', new Shelf(), (t) => (tally = t), async () => { throw new Refused(400, 'no such gate'); });
  tapper.tap('g9', 1, '');
  await until(() => tally.unsent === 0);
  same(tally.refused.includes('no such gate'), true, 'the reason is told');
}

export function testForms() {
  same(readConditions(['battery', '', 'motors', 'tyres'], ['7.4', 'x', '', 'new']), { battery: 7.4, tyres: 'new' }, 'conditions');
  near(lengthOf(ovalOf(620, 1700)), 2 * 1700 + 2 * Math.PI * 620, 1e-9, 'length of an oval');
  same(ovalOf(400, 0).length, 2, 'a circle has no straights');
  same(faultOf({ id: 'c', name: '' }, []).includes('length'), true, 'no length');
  same(faultOf({ id: 'c', name: '', lap_length_mm: 1000 }, [{ id: 'g1', position_mm: 1000 }]).includes('beyond'), true, 'a gate off the lap');
  same(faultOf({ id: 'c', name: '', lap_length_mm: 1000 }, [{ id: 'g1', position_mm: 0 }]), '', 'nothing wrong');
  same(idsOf(' G1, g2;  Nord '), ['g1', 'g2', 'nord'], 'ids');
  same(commands({ agent: 'a', password: 'p', gates: ['g1'], motors: ['m1'], cells: null }, 'club', 'host').length, 2, 'a command for each');
}

export function testPenHoldsSlipAndDesync() {
  const pen = new Pen(100, 1000);
  pen.add(0, 500, 300, [0.01, 0.002, null, undefined]);
  pen.add(100, 500, 300, [null, undefined, -0.5, 0.1]);
  same(pen.latest()?.shares.map((v) => v && Number(v.toFixed(4))), [null, null, -0.5, 0.1], 'what is told last, and what is not told');
  const { shares } = pen.series(50, 50, 3, 300);
  same(shares[0].map((v) => v && Number(v.toFixed(4))), [0.01, 0.01, null], 'held, then not told');
  for (let t = 200; t < 3000; t += 100) pen.add(t, 1, 1);
  same(pen.latest()?.shares, [null, null, null, null], 'a bin that is written over forgets');
}
