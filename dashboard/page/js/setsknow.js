// What the sheet of slip and desync is about: its address, the trials on it, and
// the figures as rows, from the results as they came. Rows and words are pure.
/** @import {Results, TrialResult, Estimate, SetResult, Locomotive} from '../../types/wire.js' */
import { list } from './merge.js';
import { state } from './store.js';
import { DASH, decimals, fixed, known, signed } from './format.js';
import { address, asked, redraw, PLAIN } from './returns.js';

/**
 * @typedef {object} Row slip or desync under one set of circumstances
 * @property {number} trial which of the trials on the sheet
 * @property {string} of a set, or a pair of them
 * @property {number} speed mm/s @property {number | null} duty permille @property {number} load g
 * @property {string} place @property {number} n @property {Estimate} e
 */

/** An address of the sheet. @param {Partial<import('./returns.js').Asked>} change */
export function setsAddress(change) {
  return address({ ...PLAIN, trials: asked().trials, locomotive: asked().locomotive, ...change }).replace('/results', '/sets');
}

/** @param {Partial<import('./returns.js').Asked>} change */
export function goSets(change) {
  history.pushState(null, '', setsAddress(change));
  redraw();
}

/** The locomotive that another is a variant of, in the end. @param {string} id @param {Locomotive[]} all */
export function rootOf(id, all) {
  const seen = new Set();
  for (let at = id; ; ) {
    const from = all.find((l) => l.id === at)?.variant_of;
    if (!from || seen.has(at)) return at;
    seen.add(at);
    at = from;
  }
}

/** Locomotives as the session knew them, then those of the roster. @param {Results} r */
export function engines(r) {
  return [...list(r.locomotives), ...list(state.view?.locomotives)];
}

/** Trials whose locomotive has driver sets, by the locomotive that they all are variants of. @param {Results} r */
export function families(r) {
  /** @type {Map<string, TrialResult[]>} */ const by = new Map();
  for (const t of list(r.trials)) {
    if (!list(t.sets).length) continue;
    const root = rootOf(t.train, engines(r));
    by.set(root, [...(by.get(root) ?? []), t]);
  }
  return by;
}

/** @param {TrialResult[]} trials @returns {Row[]} */
export function slipRows(trials) {
  return trials.flatMap((t, trial) => list(t.sets).flatMap((s) => list(s.by).map((b) => ({
    trial, of: s.set, speed: b.speed_mm_s, duty: b.duty_permille, load: b.load_g, place: b.place, n: b.n, e: b.slip,
  }))));
}

/** @param {TrialResult[]} trials @returns {Row[]} */
export function desyncRows(trials) {
  return trials.flatMap((t, trial) => list(t.desync).flatMap((d) => list(d.by).map((b) => ({
    trial, of: pair(d), speed: b.speed_mm_s, duty: b.duty_permille, load: b.load_g, place: b.place, n: b.n, e: b.desync,
  }))));
}

/** @param {{a: string, b: string}} d */
export const pair = (d) => `${d.b} less ${d.a}`;

/** The mass on the rails as the figures were reckoned with it; null where nothing was. @param {TrialResult} t */
export function loadOf(t) {
  return list(t.sets).flatMap((s) => list(s.by))[0]?.load_g ?? null;
}

/** Does the interval leave zero out? Null: there is none. @param {{lo?: number | null, hi?: number | null}} e */
export function told(e) {
  return known(e.lo) && known(e.hi) ? e.lo > 0 || e.hi < 0 : null;
}

/** What may be said of a slip or a desync. @param {{value: number | null, lo?: number | null, hi?: number | null}} e */
export function toldWords(e) {
  if (!known(e.value)) return 'cannot be told';
  const is = told(e);
  return is === null ? 'its uncertainty is not known' : is ? 'told from zero' : 'not distinguishable from zero';
}

/** Half the 95 % interval of what may be skew. @param {{lo?: number | null, hi?: number | null}} e */
export function halfOf(e) {
  return known(e.lo) && known(e.hi) ? (e.hi - e.lo) / 2 : null;
}

/** A value with half its interval, to the digits that it is worth. @param {{value: number | null, lo?: number | null, hi?: number | null}} e @param {number} [k] by which it is written larger @param {boolean} [sign] */
export function figure(e, k = 1, sign = false) {
  if (!known(e.value)) return DASH;
  const half = halfOf(e);
  const d = known(half) && half > 0 ? decimals((half * k) / 1.96, true) : 3;
  const v = (sign ? signed : fixed)(e.value * k, d);
  return known(half) ? `${v} ± ${Number((half * k).toPrecision(2)).toFixed(d)}` : v;
}

/** A fraction in per cent with half its interval. @param {{value: number | null, lo?: number | null, hi?: number | null}} e */
export const perCent = (e) => figure(e, 100, true);

/** @type {Record<string, string>} */
export const VERDICTS = { regulated: 'regulated', unregulated: 'unregulated', unknown: 'cannot tell' };

/** @param {SetResult} s */
export function verdict(s) {
  return VERDICTS[s.regulated?.verdict] ?? 'cannot tell';
}
