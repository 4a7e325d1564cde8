// What became of trials when they were scored again. Pure.
/** @import {Results, TrialResult, Lap} from '../../types/wire.js' */
import { list } from './merge.js';

/** @typedef {{kind: 'came' | 'went' | 'changed', was: Lap | null, now: Lap | null}} Change */
/**
 * @typedef {{trial: string, was: TrialResult | null, now: TrialResult | null, laps: Change[], figures: boolean, sectors: boolean}} Difference
 *   figures: some figure of the trial is another; sectors: their times, lengths or speeds are */

/** Two laps are the same one when they share more than half of the longer's time. */
const SHARED = 0.5;

/** @param {Results} was @param {Results} now @returns {Difference[]} */
export function differences(was, now) {
  const ids = new Set([...list(was.trials), ...list(now.trials)].map((t) => t.trial));
  return [...ids].map((trial) => {
    const a = list(was.trials).find((t) => t.trial === trial) ?? null;
    const b = list(now.trials).find((t) => t.trial === trial) ?? null;
    return { trial, was: a, now: b, laps: changes(list(a?.laps), list(b?.laps)), figures: figures(a) !== figures(b), sectors: sectors(a) !== sectors(b) };
  });
}

/** @param {TrialResult | null} t */
function figures(t) {
  return t && JSON.stringify([t.lap_count, t.consistency, t.speed_mm_s]);
}

/** @param {TrialResult | null} t */
function sectors(t) {
  return t && JSON.stringify(list(t.laps).map((l) => l.sectors));
}

/** @param {Lap[]} was @param {Lap[]} now @returns {Change[]} in the order of time */
export function changes(was, now) {
  /** @type {Change[]} */ const all = [];
  const left = [...now];
  for (const a of was) {
    const i = left.findIndex((l) => shared(a, l) > SHARED);
    const b = i < 0 ? null : left.splice(i, 1)[0];
    if (!b) all.push({ kind: 'went', was: a, now: null });
    else if (other(a, b)) all.push({ kind: 'changed', was: a, now: b });
  }
  for (const b of left) all.push({ kind: 'came', was: null, now: b });
  return all.sort((x, y) => start(x) - start(y));
}

/** @param {Change} c */
const start = (c) => (c.was ?? c.now)?.start_us ?? 0;

/** @param {Lap} a @param {Lap} b */
function shared(a, b) {
  const endA = a.start_us + a.lap_time_s * 1e6;
  const endB = b.start_us + b.lap_time_s * 1e6;
  const both = Math.min(endA, endB) - Math.max(a.start_us, b.start_us);
  return both / (1e6 * Math.max(a.lap_time_s, b.lap_time_s));
}

/** Whether the lap itself is another: its time, or what it counts as. A speed follows from the length. @param {Lap} a @param {Lap} b */
function other(a, b) {
  return Math.abs(a.lap_time_s - b.lap_time_s) > 5e-7 || Math.abs(a.start_us - b.start_us) > 0.5 || a.counts !== b.counts || a.source !== b.source;
}
