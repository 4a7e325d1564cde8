// The fields of what is in the book, in words: for a conflict, the audit, and what
// a correction changes. Pure but for the names of things, which are handed in.
import { fixed, day, clock, known } from './format.js';

/** @typedef {(kind: string, id: string) => string} Names what a thing is called */
/** @typedef {{path: string, a: unknown, b: unknown}} Row a field in two values */

/** Words that the name of a field does not hold itself. @type {Record<string, string>} */
const WORDS = {
  from_us: 'began', to_us: 'ended', opened_us: 'opened', closed_us: 'closed', warmup_laps: 'warm-up laps', start_mm: 'front stood at', ends_after_laps: 'ends after laps',
  ends_after_s: 'ends after', load_g: 'extra load', battery_v: 'voltage at start', throttle_permille: 'throttle', temperature_c: 'temperature', counts_per_motor_rev: 'counts a motor turn',
  lap_length_u_mm: 'lap length, its uncertainty', scale_ratio: 'scale 1 to', variant_of: 'variant of', pair_mm: 'second beam at', nominal_mv: 'nominal voltage', capacity_mah: 'capacity', void: 'void',
  wheel_diameter_u_mm: 'wheel diameter, its uncertainty', gear_efficiency_u: 'gear efficiency, its uncertainty', adhesion_u: 'adhesion, its uncertainty', u_mm: 'uncertainty there', own_u_mm: 'uncertainty of its own',
  a_m_s2: 'a in m/s²', b_per_s: 'b in 1/s', c_per_m: 'c in 1/m', curve_m_s2: 'on curves in m/s²', a_u_m_s2: 'a, its uncertainty', b_u_per_s: 'b, its uncertainty', c_u_per_m: 'c, its uncertainty', curve_u_m_s2: 'on curves, its uncertainty',
  resistance_ohm: 'R in Ω', k_v_s: 'k in V s', no_load_ma: 'no-load current in mA', lap_time_s: 'least difference of lap times that matters', speed_mm_s: 'speed', load_is: 'the load is', before_g: 'the scale before', at_pull_g: 'the scale at the pull',
  lo: 'from', hi: 'to', u: 'uncertainty', speed_rad_s: 'speed in rad/s', u_speed_rad_s: 'speed, its uncertainty',
};
/** @type {Record<string, string>} */
const UNITS = { g: 'g', mm: 'mm', v: 'V', mv: 'mV', c: '°C', s: 's', deg: '°', mah: 'mAh' };
/** Parts of a value that are lists: what one of them is called. @type {Record<string, string>} */
const LISTS = { driver_sets: 'driver set', cars: 'car', pieces: 'piece', gates: 'gate', trials: 'train', classes: 'class', runs: 'run', steps: 'step', doubts: 'doubt' };
/** Fields that hold the id of something with a name. */
const THINGS = ['locomotive', 'consist', 'battery', 'circuit', 'trial', 'variant_of'];
/** Fields that say yes or no: nothing said is no. */
const YES_OR_NO = ['void', 'withdrawn', 'timing'];
/** Nothing said and nought are not the same in these. */
const NOUGHT = /(^|\.)(start_mm|position_mm)$|^conditions\./;

/**
 * Every field that holds no other, by its path: conditions.tyres, cars.0.mass_g.
 * @param {unknown} value @param {string} [path] @param {Map<string, unknown>} [into]
 */
export function flat(value, path = '', into = new Map()) {
  if (value === null || typeof value !== 'object') {
    if (path) into.set(path, value);
    return into;
  }
  for (const [k, v] of Object.entries(value)) flat(v, path ? `${path}.${k}` : k, into);
  return into;
}

/** Is nothing said? The book leaves out what is empty, and most noughts. @param {string} path @param {unknown} v */
function unsaid(path, v) {
  return v === undefined || v === null || v === '' || v === false || (v === 0 && !NOUGHT.test(path));
}

/** @param {string} path @param {unknown} a @param {unknown} b */
function alike(path, a, b) {
  return a === b || (unsaid(path, a) && unsaid(path, b));
}

/** All fields of two values, in the order of the first and then the second. @param {unknown} a @param {unknown} b @returns {Row[]} */
export function rows(a, b) {
  const [fa, fb] = [flat(a), flat(b)];
  return [...new Set([...fa.keys(), ...fb.keys()])].filter((path) => path !== 'id' && !(unsaid(path, fa.get(path)) && unsaid(path, fb.get(path)))).map((path) => ({ path, a: fa.get(path), b: fb.get(path) }));
}

/** The fields in which two values differ. @param {unknown} a @param {unknown} b */
export function differing(a, b) {
  return rows(a, b).filter((r) => !alike(r.path, r.a, r.b));
}

/**
 * Both changes of one thing, when no field was changed by both to something else.
 * Parts that are lists are taken whole.
 * @param {Record<string, any>} base @param {Record<string, any>} mine @param {Record<string, any>} theirs
 * @returns {Record<string, any> | null}
 */
export function both(base, mine, theirs) {
  /** @type {Record<string, any>} */
  const out = {};
  for (const k of new Set([...Object.keys(mine), ...Object.keys(theirs)])) {
    const [b, m, t] = [base[k], mine[k], theirs[k]];
    const kept = !differing({ [k]: b }, { [k]: m }).length ? t : !differing({ [k]: b }, { [k]: t }).length || !differing({ [k]: m }, { [k]: t }).length ? m : undefined;
    const within = kept === undefined && isPlain(b) && isPlain(m) && isPlain(t) ? both(b, m, t) : kept;
    if (within === null) return null;
    if (within === undefined && differing({ [k]: m }, { [k]: t }).length) return null;
    if (within !== undefined) out[k] = within;
  }
  return out;
}

/** @param {unknown} v */
function isPlain(v) {
  return typeof v === 'object' && v !== null && !Array.isArray(v);
}

/** A part of a value with many figures that nobody reads one by one, by the path of one of them; '' for others. @param {string} path */
export function longPart(path) {
  return /^(.*\.)?(steps|covariance)(?=\.\d)/.exec(path)?.[0] ?? '';
}

/** @param {string} path as flat gives it */
export function fieldWords(path) {
  if (path === 'load_g') return 'load'; // of a pull; a trial's is a condition
  const words = [];
  const parts = path.split('.').filter((p) => p !== 'conditions');
  for (let i = 0; i < parts.length; i++) {
    const one = parts[i] === 'trials' && i ? 'trial' : LISTS[parts[i]]; // an order names trains by their trials
    if (one && /^\d+$/.test(parts[i + 1] ?? '')) words.push(`${one} ${Number(parts[++i]) + 1}`);
    else if (parts[i] !== 'circuit' || parts.length === 1) words.push(WORDS[parts[i]] ?? parts[i].replace(/_(g|mm|v|mv|c|s|deg|mah|us)$/, '').replaceAll('_', ' '));
  }
  return words.join(', ');
}

/** @param {string} path @param {unknown} v @param {Names} names */
export function valueWords(path, v, names) {
  const field = path.split('.').pop() ?? '';
  if (unsaid(path, v)) return field === 'to_us' ? 'not yet' : v === false || YES_OR_NO.includes(field) ? 'no' : 'not stated';
  if (v === true) return 'yes';
  if (typeof v === 'number') return numberWords(field, v);
  return THINGS.includes(field) ? names(field === 'variant_of' ? 'locomotive' : field, String(v)) : String(v);
}

/** @param {string} field @param {number} v */
function numberWords(field, v) {
  const unit = field.endsWith('_mm_s') ? 'mm/s' : /_(per|rad|v)_s$/.test(field) ? '' : UNITS[/_([a-z]+)$/.exec(field)?.[1] ?? ''] ?? ''; // no seconds
  if (field.endsWith('_us')) return `${day(v).slice(0, 10)} ${clock(v)}`;
  if (field.endsWith('_permille')) return `${plain(v / 10)} %`;
  if (field === 'ends_after_s' && v >= 60) return `${plain(v / 60)} min`;
  return plain(v) + (unit ? ` ${unit}` : '');
}

/** A number with the decimals it has, three at most; of a small one three digits. @param {number} v */
export function plain(v) {
  if (v && Math.abs(v) < 0.1) return String(Number(v.toPrecision(3))).replace('-', '−');
  return known(v) ? fixed(v, 3).replace(/\.0+$|(\.\d*[1-9])0+$/, '$1') : String(v);
}
