// A throttle sweep as it is planned: which motors, which throttles, how long each.
// It is kept while the page is open, so that the sheet of curves and the driving page
// speak of the same one.

export const sweepPlan = {
  locomotive: '',
  /** @type {string[]} */ motors: [],
  from_permille: 200,
  to_permille: 900,
  steps: 8,
  hold_s: 4,
};

/** Throttles in their order, in permille: up and down again, the top once. @param {number} from @param {number} to @param {number} steps */
export function throttles(from, to, steps) {
  const up = Array.from({ length: steps }, (_, i) => Math.round(from + ((to - from) * i) / (steps - 1)));
  return [...up, ...up.slice(0, -1).reverse()];
}

/**
 * Which step a sweep is at, s seconds after its beginning; the last is followed by none.
 * @param {number[]} all throttles @param {number} holdS @param {number} s
 */
export function stepAt(all, holdS, s) {
  const i = Math.floor(s / holdS);
  if (s < 0) return { i: -1, now: null, next: all[0], leftS: -s };
  if (i >= all.length) return { i: all.length, now: null, next: null, leftS: 0 };
  return { i, now: all[i], next: all[i + 1] ?? 0, leftS: (i + 1) * holdS - s };
}
