import { same } from './check.js';
import { changes, differences } from '../../page/js/lapdiff.js';
import { placed } from '../../page/js/crossings.js';

/** @param {number} lap @param {number} from seconds @param {number} seconds @param {object} [more] @returns {any} */
const lap = (lap, from, seconds, more) => ({ lap, start_us: from * 1e6, lap_time_s: seconds, counts: 'yes', source: 'measured', sectors: [], ...more });
/** @param {any[]} all */
const told = (all) => all.map((c) => `${c.kind} ${c.was?.lap ?? '-'} ${c.now?.lap ?? '-'}`).join(', ');

export function testUnchangedLapsAreNotTold() {
  same(changes([lap(1, 0, 10), lap(2, 10, 10)], [lap(1, 0, 10), lap(2, 10, 10)]), [], 'the same laps');
  same(changes([lap(1, 0, 10, { speed_mm_s: 800 })], [lap(1, 0, 10, { speed_mm_s: 810 })]), [], 'a speed follows from the length');
}

export function testLapsThatCameWentAndChanged() {
  same(told(changes([lap(1, 0, 5), lap(2, 5, 5), lap(3, 10, 10)], [lap(1, 0, 10), lap(2, 10, 10)])), 'went 1 -, came - 1, went 2 -', 'two halves became one lap, which shares only half of its time');
  same(told(changes([lap(1, 0, 10), lap(2, 10, 20), lap(3, 30, 10)], [lap(1, 0, 10), lap(2, 10, 11), lap(3, 21, 9), lap(4, 30, 10)])), 'changed 2 2, came - 3', 'a lap was split; the one after only has another number');
  same(told(changes([lap(1, 0, 10)], [lap(1, 0, 10, { counts: 'incident' })])), 'changed 1 1', 'it does not count any more');
  same(told(changes([lap(1, 0, 10)], [])), 'went 1 -', 'nothing is left');
}

export function testTrialsAreHeldAgainstEachOther() {
  /** @param {string} trial @param {any[]} laps @param {number} mean @returns {any} */
  const t = (trial, laps, mean) => ({ trial, lap_count: laps.length, laps, consistency: { mean_s: mean }, speed_mm_s: { value: 8000 / mean } });
  /** @param {any[]} trials @returns {any} */
  const r = (...trials) => ({ trials });
  const got = differences(r(t('a', [lap(1, 0, 10)], 10), t('b', [lap(1, 0, 10)], 10)), r(t('a', [lap(1, 0, 10)], 10), t('b', [lap(1, 0, 10, { sectors: [{ length_mm: 1 }] })], 10), t('c', [lap(1, 0, 9)], 9)));
  same(got.map((d) => [d.trial, d.laps.length, d.figures, d.sectors]), [['a', 0, false, false], ['b', 0, false, true], ['c', 1, true, true]], 'unchanged, other sectors, new');
}

export function testCrossingsArePlaced() {
  /** @param {string} gate @param {number} s @returns {any} */
  const x = (gate, s) => ({ gate, about_us: s * 1e6 });
  const got = placed([x('g2', -1.5), x('g1', -0.02), x('g2', 5), x('g1', 9.97), x('g1', 10.2), x('g2', 11)], 0, 10e6, 'g1');
  same(got.map((p) => p.where), ['before', 'nearest its beginning', 'within', 'nearest its end', 'after', 'after'], 'arrivals tell the ends to some 20 ms');
  same(got.map((p) => p.within), [false, true, true, true, false, false], 'the ends are of the lap');
  const missed = placed([x('g2', -0.5), x('g2', 5), x('g1', 10)], 0, 10e6, 'g1');
  same(missed.map((p) => p.where), ['before', 'within', 'nearest its end'], 'the first crossing of an inferred lap was missed');
}
