// The question for a prediction: a train as it stands in the roster, and the same
// train changed. Pure.
/** @import {Consist, DriverSet, Locomotive, NamedMotor, PredictAsk} from '../../types/wire.js' */
import { list } from './merge.js';

/** @typedef {{motor?: string, gear_ratio?: number, wheel_diameter_mm?: number, tyres?: boolean, adhesion?: number}} SetChange */
/**
 * @typedef {object} Change what is otherwise than in the roster; absent is as there
 * @property {number} [mass_g]
 * @property {Record<string, SetChange>} sets by id
 * @property {string} [consist] id; '' is nothing behind
 * @property {number} [cars] of that consist, its last one repeated
 */

/** @returns {Change} */
export const unchanged = () => ({ sets: {} });

/** A set changed. Another wheel has not been measured, other tyres hold otherwise: what was known of the old goes. @param {DriverSet} d @param {SetChange} c @returns {DriverSet} */
export function changedSet(d, c) {
  const out = { ...d };
  if (c.wheel_diameter_mm !== undefined && c.wheel_diameter_mm !== d.wheel_diameter_mm) {
    delete out.wheel_diameter_u_mm;
    delete out.calibration;
  }
  if (c.tyres !== undefined && c.tyres !== Boolean(d.tyres)) {
    delete out.adhesion;
    delete out.adhesion_u;
  }
  if (c.adhesion !== undefined && c.adhesion !== d.adhesion) delete out.adhesion_u;
  return Object.assign(out, c);
}

/** A locomotive changed; the weights on its driven wheels go with its mass. @param {Locomotive} l @param {Change} c @returns {Locomotive} */
export function changedLocomotive(l, c) {
  const by = c.mass_g && l.mass_g ? c.mass_g / l.mass_g : 1;
  const sets = list(l.driver_sets).map((d) => changedSet({ ...d, ...(d.weight_g && by !== 1 && { weight_g: Number((d.weight_g * by).toPrecision(6)) }) }, c.sets[d.id] ?? {}));
  return { ...l, mass_g: c.mass_g ?? l.mass_g, driver_sets: sets };
}

/** A consist with another number of cars; null without any. @param {Consist | null} of @param {number | undefined} n @returns {Consist | null} */
export function withCars(of, n) {
  const cars = list(of?.cars);
  if (!of || n === undefined || !cars.length) return of;
  return n ? { ...of, cars: Array.from({ length: n }, (_, i) => cars[Math.min(i, cars.length - 1)]) } : null;
}

/** Does a change change anything of a train? @param {Locomotive} l @param {Consist | null} behind @param {Change} c */
export function differs(l, behind, c) {
  const otherCars = (c.consist !== undefined && c.consist !== (behind?.id ?? '')) || (c.cars !== undefined && c.cars !== list(behind?.cars).length);
  return otherCars || JSON.stringify(changedLocomotive(l, c)) !== JSON.stringify(changedLocomotive(l, unchanged()));
}

/** What the roster does not state of a train, without which nothing can be reckoned. @param {Locomotive} l @param {(id: string) => NamedMotor | undefined} motor @returns {string[]} */
export function lacking(l, motor) {
  const out = l.mass_g ? [] : ['its mass'];
  for (const d of list(l.driver_sets).filter((s) => s.id !== 'measuring-wheel' || s.weight_g)) { // which drives nothing
    if (!d.motor) out.push(`the motor of ${d.id}`);
    else if (!motor(d.motor)?.curve) out.push(`a curve of motor ${d.motor}`);
    if (!d.wheel_diameter_mm) out.push(`the wheel diameter of ${d.id}`);
    if (!d.gear_ratio) out.push(`the gear ratio of ${d.id}`);
  }
  return list(l.driver_sets).length ? out : [...out, 'its driver sets'];
}

/** @typedef {{circuit: string, permille: number, supplyMv: number, supplyOhm: number, trial: string}} Running how it is run */

/** @param {Running} r @param {Locomotive} l @param {Consist | null} behind @returns {PredictAsk} */
export function question(r, l, behind) {
  return { ...(r.circuit && { circuit: r.circuit }), locomotive: l, ...(behind && { consist: behind }), duty_permille: r.permille, supply_mv: r.supplyMv,
    ...(r.supplyOhm && { supply_ohm: r.supplyOhm }), ...(r.trial && { trial: r.trial }) };
}
