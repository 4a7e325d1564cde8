// How numbers are written. A number that cannot be had is a dash, never 0.

export const DASH = '–';
const MINUS = '−';

/** @typedef {number | null | undefined} Maybe */

/** @param {Maybe} v @returns {v is number} */
export function known(v) {
  return typeof v === 'number' && Number.isFinite(v);
}

/** @param {Maybe} v @param {number} decimals */
export function fixed(v, decimals) {
  if (!known(v)) return DASH;
  const s = Math.abs(v).toFixed(decimals);
  return v < 0 && Number(s) !== 0 ? MINUS + s : s;
}

/** @param {Maybe} v @param {number} decimals */
export function signed(v, decimals) {
  if (!known(v)) return DASH;
  const s = fixed(v, decimals);
  return v > 0 && Number(s) !== 0 ? '+' + s : s;
}

/** Half of the 95 % interval of a standard uncertainty (GUM, JCGM 100:2008, G.1.3). @param {number} u */
const half = (u) => 1.96 * u;

/**
 * Decimals worth writing for a number with standard uncertainty u: the first
 * digit of u, or two of the half width of its 95 % interval when that is
 * written beside the number. Thousandths at most alone, a clock's tick beside.
 * @param {Maybe} u @param {boolean} beside
 */
export function decimals(u, beside) {
  const most = beside ? 6 : 3;
  if (!known(u) || u <= 0) return 2;
  const shown = beside ? Number(half(u).toPrecision(2)) : u;
  const first = -Math.floor(Math.log10(shown) + 1e-9);
  return Math.min(most, Math.max(0, first + (beside ? 1 : 0)));
}

/** Seconds as 12.34 or 1:02.34. @param {Maybe} s @param {number} d */
export function time(s, d) {
  if (!known(s)) return DASH;
  const rounded = Number(s.toFixed(d));
  if (rounded < 60) return fixed(rounded, d);
  const m = Math.floor(rounded / 60);
  return m + ':' + (rounded - 60 * m).toFixed(d).padStart(d ? d + 3 : 2, '0');
}

/**
 * A time as it stands on the board: tenths at least when it stands alone.
 * @param {Maybe} s @param {Maybe} u standard uncertainty, s
 * @param {boolean} beside write its 95 % interval too
 */
export function lapTime(s, u, beside) {
  const d = Math.max(beside && known(u) ? 0 : 1, decimals(u, beside));
  if (!known(s)) return DASH;
  return time(s, d) + (beside && known(u) ? plusMinus(u, d) : '');
}

/** @param {number} u @param {number} d */
function plusMinus(u, d) {
  const w = half(u);
  return u > 0 && Number(w.toFixed(d)) === 0 ? ` ± <${(10 ** -d).toFixed(d)}` : ` ± ${Number(w.toPrecision(2)).toFixed(d)}`;
}

/** @param {Maybe} v @param {Maybe} u @param {boolean} beside */
export function speed(v, u, beside) {
  if (!known(v)) return DASH;
  const d = known(u) ? Math.min(decimals(u, beside), beside ? 3 : 1) : 0;
  return fixed(v, d) + (beside && known(u) ? plusMinus(u, d) : '');
}

/** A fraction as per cent. @param {Maybe} f */
export function percent(f) {
  return known(f) ? fixed(100 * f, Math.abs(f) < 0.1 ? 2 : 1) + ' %' : DASH;
}

/** Time of day of an instant, local. @param {Maybe} us @param {boolean} [seconds] */
export function clock(us, seconds = true) {
  if (!known(us) || us <= 0) return DASH;
  const t = new Date(us / 1000);
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  return `${two(t.getHours())}:${two(t.getMinutes())}` + (seconds ? `:${two(t.getSeconds())}` : '');
}

/** Day and time of day, for the book. @param {Maybe} us */
export function day(us) {
  if (!known(us) || us <= 0) return DASH;
  const t = new Date(us / 1000);
  return `${t.getFullYear()}-${String(t.getMonth() + 1).padStart(2, '0')}-${String(t.getDate()).padStart(2, '0')} ${clock(us, false)}`;
}

/** How long, in the coarsest words that still help. @param {Maybe} us */
export function span(us) {
  if (!known(us)) return DASH;
  const s = Math.max(0, us / 1e6);
  if (s < 1) return 'under 1 s';
  if (s < 120) return `${Math.floor(s)} s`;
  if (s < 7200) return `${Math.floor(s / 60)} min`;
  if (s < 172800) return `${Math.floor(s / 3600)} h`;
  return `${Math.floor(s / 86400)} days`;
}

/** Microseconds as ms with a sign. @param {Maybe} us */
export function millis(us) {
  return known(us) ? signed(us / 1000, Math.abs(us) < 100_000 ? 2 : 0) + ' ms' : DASH;
}

/** A count with thin spaces between thousands. @param {Maybe} n */
export function count(n) {
  return known(n) ? String(Math.round(n)).replace(/\B(?=(\d{3})+$)/g, '\u202f') : DASH;
}

/**
 * What a trend's interval allows one to say.
 * @param {{value: number|null, lo: number|null, hi: number|null} | null | undefined} e seconds a lap
 */
export function trendWord(e) {
  if (!e || !known(e.value) || !known(e.lo) || !known(e.hi)) return '';
  if (e.lo > 0) return 'slowing';
  if (e.hi < 0) return 'quickening';
  return 'none shown';
}
