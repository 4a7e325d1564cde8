// How a frame carries a view on. Pure: state in, state out.
/** @import {TrialResult, Lap, PassageVerdict, PassagesOf} from '../../types/wire.js' */

/** @template T @param {T[] | null | undefined} x @returns {T[]} */
export function list(x) {
  return x ?? [];
}

/**
 * A changed result holds its changed laps only: the summary is replaced, the
 * laps are merged by number, and those beyond its lap count are gone.
 * @param {TrialResult | null | undefined} old @param {TrialResult} changed
 * @returns {TrialResult}
 */
export function mergeResult(old, changed) {
  /** @type {Map<number, Lap>} */
  const laps = new Map();
  for (const lap of list(old?.laps)) laps.set(lap.lap, lap);
  for (const lap of list(changed.laps)) laps.set(lap.lap, lap);
  const kept = [...laps.values()].filter((l) => l.lap <= changed.lap_count);
  return { ...changed, laps: kept.sort((a, b) => a.lap - b.lap) };
}

/**
 * Passages at or after from_us are replaced; those from before keepUs are let go.
 * @param {PassageVerdict[]} old @param {PassagesOf} of @param {number} keepUs
 */
export function mergePassages(old, of, keepUs) {
  const before = old.filter((p) => p.at_us < of.from_us);
  return sortPassages([...before, ...list(of.passages)], keepUs);
}

/** @param {PassageVerdict[]} passages @param {number} keepUs */
export function sortPassages(passages, keepUs) {
  return passages.filter((p) => p.at_us >= keepUs).sort((a, b) => a.at_us - b.at_us);
}
