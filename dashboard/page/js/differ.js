// What differs between two things of the roster, in words. Pure.
/** @import {Locomotive, DriverSet, Consist, Car, NamedMotor, Battery, MotorCurve} from '../../types/wire.js' */
import { list } from './merge.js';

/** @typedef {'locomotive' | 'consist' | 'motor' | 'battery'} Kind */
/** @typedef {Locomotive | Consist | NamedMotor | Battery} Item */
/** @typedef {[key: string, label: string, unit: string]} Fact a unit, or how else it is written */

/** @type {Fact} */ const NAME = ['name', 'name', 'text'];
/** @type {Fact} */ const NOTE = ['note', 'note', 'text'];
/** @type {Fact} */ const ORIGIN = ['variant_of', 'variant of', 'text'];
/** @type {Fact} */ const VOLTAGE = ['nominal_mv', 'nominal voltage', 'volt'];
/** @type {Record<Kind, Fact[]>} */
const FACTS = {
  locomotive: [['owner', 'owner', 'text'], ['mass_g', 'mass', 'g'], ['length_mm', 'length', 'mm'], ['resistance', 'resistance', 'resistance'], NOTE],
  consist: [['resistance', 'resistance', 'resistance']],
  motor: [VOLTAGE, ['curve', 'curve', 'curve'], NOTE],
  battery: [['chemistry', 'chemistry', 'text'], ['cells', 'cells', ''], ['capacity_mah', 'capacity', 'mAh'], VOLTAGE, NOTE],
};
/** @type {Fact[]} */
const SET = [['motor', 'motor', 'motor'], ['wheel_diameter_mm', 'wheel diameter', 'mm'], ['gear_ratio', 'gear ratio', ''], ['counts_per_motor_rev', 'counts a motor turn', ''],
  ['weight_g', 'weight on these wheels', 'g'], ['tyres', 'tyres', 'fitted'], ['wheel_diameter_u_mm', 'wheel diameter’s uncertainty', 'mm'], ['calibration', 'wheel calibration', 'calibration'],
  ['gear_efficiency', 'gear efficiency', ''], ['gear_efficiency_u', 'gear efficiency’s uncertainty', ''], ['adhesion', 'adhesion', ''], ['adhesion_u', 'adhesion’s uncertainty', '']];
/** @type {Fact[]} */
const CAR = [NAME, ['mass_g', 'mass', 'g'], ['length_mm', 'length', 'mm'], ['axles', 'axles', ''], ['bearings', 'bearings', 'plain']];
const MOST = 40;

/** @param {string} s */
function clip(s) {
  return [...s].length > MOST ? [...s].slice(0, MOST).join('') + '…' : s;
}

/** Volts of millivolts, without what doubles add. @param {number} mv */
export function volts(mv) {
  return Number((mv / 1000).toPrecision(12));
}

/** A figure as it was written, to a thousandth. @param {number} v */
export function plain(v) {
  return String(Number(v.toFixed(3)) || v);
}

/** @param {unknown} v @param {string} unit @param {(id: string) => string} motorName */
function written(v, unit, motorName) {
  if (unit === 'fitted') return v ? 'fitted' : 'none';
  if (!v) return unit === 'calibration' || unit === 'curve' ? 'none' : 'not stated';
  if (unit === 'curve') return curveWords(/** @type {MotorCurve} */ (v));
  if (unit === 'calibration' || unit === 'resistance') return inWords(/** @type {Record<string, unknown>} */ (v));
  if (unit === 'volt') return `${volts(Number(v))} V`;
  if (unit === 'motor') return clip(motorName(String(v)));
  if (unit === 'text') return `“${clip(String(v))}”`;
  return unit && unit !== 'plain' ? `${v} ${unit}` : String(v);
}

/** What is a record of its own, in a few words. @param {Record<string, unknown>} v */
function inWords(v) {
  if ('laps' in v) return `by ${v.laps} laps on ${v.circuit}${v.session ? `, ${v.session}` : ''}`;
  return Object.entries(v).filter(([key, x]) => x && key !== 'source').map(([key, x]) => `${key.split('_')[0]}${key.includes('_u_') ? ' u' : ''} ${x}`).join(', ') || 'a source alone';
}

/** Its constants and where they are from. @param {MotorCurve} c */
function curveWords(c) {
  const i0 = c.no_load_ma.value ?? null;
  return `R ${Number(c.resistance_ohm.value?.toPrecision(4))} Ω, k ${Number(((c.k_v_s.value ?? 0) * 1000).toPrecision(4))} mV s${i0 === null ? '' : `, I₀ ${Number(i0.toPrecision(4))} mA`}${c.source ? ` (${clip(c.source)}${c.session ? `, ${c.session}` : ''})` : ''}`;
}

/** @param {unknown} v */
const flat = (v) => (v && typeof v === 'object' ? JSON.stringify(v, (_, x) => x || undefined) : v || '');

/**
 * @param {Fact[]} facts @param {object} a @param {object} b @param {(id: string) => string} motorName
 * @returns {string[]}
 */
function changed(facts, a, b, motorName) {
  const [x, y] = [/** @type {Record<string, unknown>} */ (a), /** @type {Record<string, unknown>} */ (b)];
  return facts.filter(([key]) => flat(x[key]) !== flat(y[key]))
    .map(([key, label, unit]) => `${label} ${written(x[key], unit, motorName)} → ${written(y[key], unit, motorName)}`);
}

/**
 * What b has otherwise than a. Names and origins are left out where a variant is
 * set beside what it was copied from.
 * @param {Kind} what @param {Item} a @param {Item} b
 * @param {{names?: boolean, motorName?: (id: string) => string}} [o]
 */
export function differences(what, a, b, o = {}) {
  const motorName = o.motorName ?? ((id) => id);
  const own = changed([...(o.names ? [NAME, ORIGIN] : []), ...FACTS[what]], a, b, motorName);
  if (what === 'locomotive') own.push(...sets(list(/** @type {Locomotive} */ (a).driver_sets), list(/** @type {Locomotive} */ (b).driver_sets), motorName));
  if (what === 'consist') own.push(...cars(list(/** @type {Consist} */ (a).cars), list(/** @type {Consist} */ (b).cars)));
  return own;
}

/** @param {DriverSet[]} a @param {DriverSet[]} b @param {(id: string) => string} motorName */
function sets(a, b, motorName) {
  if (a.length === 1 && b.length === 1) {
    const named = a[0].id === b[0].id ? [] : [`driver set ${a[0].id} → ${b[0].id}`];
    return [...named, ...changed(SET, a[0], b[0], motorName)];
  }
  /** @param {DriverSet[]} all */
  const keyed = (all) => new Map(all.map((s, i) => [`${s.id} ${all.slice(0, i).filter((o) => o.id === s.id).length}`, s]));
  const [from, to] = [keyed(a), keyed(b)];
  const words = [];
  for (const [key, s] of to) {
    const had = from.get(key);
    if (!had) words.push(`driver set ${s.id} added${s.gear_ratio ? `, gear ratio ${s.gear_ratio}` : ''}`);
    else words.push(...changed(SET, had, s, motorName).map((w) => `${s.id}: ${w}`));
  }
  for (const [key, s] of from) if (!to.has(key)) words.push(`driver set ${s.id} taken out`);
  if (!words.length && a.some((s, i) => s.id !== b[i]?.id)) words.push('driver sets in another order');
  return words;
}

/** @param {Car} car */
const same = (car) => JSON.stringify(CAR.map(([key]) => /** @type {Record<string, unknown>} */ (/** @type {unknown} */ (car))[key] || ''));

/** @param {Car[]} of */
function alike(of) {
  return of.length > 0 && of.every((c) => same(c) === same(of[0]));
}

/** @param {Car[]} a @param {Car[]} b */
function cars(a, b) {
  const words = a.length === b.length ? [] : [`cars ${a.length} → ${b.length}`];
  const name = (/** @type {string} */ id) => id;
  if (alike(a) && alike(b)) return [...words, ...changed(CAR, a[0], b[0], name).map((w) => `each car: ${w}`)];
  for (let i = 0; i < Math.min(a.length, b.length); i++) words.push(...changed(CAR, a[i], b[i], name).map((w) => `car ${i + 1}: ${w}`));
  return words;
}

/** At most so many of them, and how many more. @param {string[]} words @param {number} [most] */
export function few(words, most = 6) {
  return words.length > most ? [...words.slice(0, most - 1), `and ${words.length - most + 1} more`] : words;
}
