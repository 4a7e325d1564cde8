// What follows from a motor's curve: U = R I + k w and torque = k (I - I0), with k in
// volts per radian a second. Pure. Units stand in the names; ma and mv as on the wire.
/** @import {MotorCurve, Estimate} from '../../types/wire.js' */
import { fixed, known, DASH } from './format.js';

/** Half of a 95 % interval over its standard uncertainty (GUM, JCGM 100:2008, G.1.3). */
const K95 = 1.96;
const RPM = 60 / (2 * Math.PI);

/** Turns a minute of radians a second. @param {number} radS */
export const rpm = (radS) => radS * RPM;

/** Standard uncertainty as an estimate has it, or as its interval tells; null without either. @param {Estimate} e */
export function uncertainty(e) {
  if (known(e.lo) && known(e.hi)) return (e.hi - e.lo) / (2 * K95);
  return known(e.u) ? e.u : null;
}

/** An estimate with both ends, where it tells them. @param {Estimate} e @returns {Estimate} */
export function whole(e) {
  if (!known(e.value) || (known(e.lo) && known(e.hi)) || !known(e.u)) return e;
  return { ...e, lo: e.value - K95 * e.u, hi: e.value + K95 * e.u };
}

/** The same in turns a minute per volt: the reciprocal, so its ends change places. @param {Estimate} k @returns {Estimate} */
export function perVolt(k) {
  const of = (/** @type {number | null | undefined} */ v) => (known(v) && v > 0 ? RPM / v : null);
  const e = whole(k);
  return { value: of(e.value), lo: of(e.hi), hi: of(e.lo) };
}

/**
 * An estimate in words: its value with the decimals that its interval is worth, and
 * the interval.
 * @param {Estimate | null | undefined} e @param {number} [scale] @param {number} [alone] decimals without an interval
 */
export function told(e, scale = 1, alone = 2) {
  const w = e ? whole(e) : { value: null, lo: null, hi: null };
  if (!known(w.value)) return { value: DASH, interval: '' };
  if (!known(w.lo) || !known(w.hi)) return { value: fixed(w.value * scale, alone), interval: '' };
  const half = (Math.abs(w.hi - w.lo) * scale) / 2;
  const d = half > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(half)))) : alone;
  return { value: fixed(w.value * scale, d), interval: `${fixed(w.lo * scale, d)} to ${fixed(w.hi * scale, d)}` };
}

/** @typedef {{r: number, k: number, i0: number | null, c: number[][] | null}} Constants ohm, V s, A; covariance in those */

/** The constants of a curve in SI units; the covariance is null where nothing is known of it. @param {MotorCurve} m @returns {Constants | null} */
export function constants(m) {
  const [r, k, i0] = [m.resistance_ohm.value, m.k_v_s.value, m.no_load_ma.value];
  if (!known(r) || !known(k) || r <= 0 || k <= 0) return null;
  const us = [uncertainty(m.resistance_ohm), uncertainty(m.k_v_s), known(i0) ? uncertainty(m.no_load_ma) : 0];
  if (us.some((u) => u === null)) return { r, k, i0: known(i0) ? i0 / 1000 : null, c: null };
  const u = us.map((v, i) => (v ?? 0) * (i === 2 ? 1e-3 : 1));
  const given = m.covariance?.length === 3 ? m.covariance : null;
  const c = u.map((a, i) => u.map((b, j) => {
    if (i === j) return a * a;
    const of = given && given[i][i] > 0 && given[j][j] > 0 ? given[i][j] / Math.sqrt(given[i][i] * given[j][j]) : 0;
    return Math.min(1, Math.max(-1, of)) * a * b; // correlation as stated, uncertainty as the interval tells
  }));
  return { r, k, i0: known(i0) ? i0 / 1000 : null, c };
}

/** What a gradient makes of a covariance: a standard uncertainty (GUM 5.2.2). @param {number[]} g @param {number[][] | null} c */
function spread(g, c) {
  if (!c) return null;
  let v = 0;
  for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) v += g[i] * c[i][j] * g[j];
  return Math.sqrt(Math.max(0, v));
}

/** @param {number} value @param {number | null} u @returns {Estimate} */
function estimate(value, u) {
  return u === null ? { value, lo: null, hi: null } : { value, lo: value - K95 * u, hi: value + K95 * u, u };
}

/** Torque in N m at a speed in rad/s with volts at the winding; without a no-load current that of the air gap, friction not taken off. @param {Constants} m @param {number} volts @param {number} w */
export function torque(m, volts, w) {
  const amps = (volts - m.k * w) / m.r;
  const i0 = m.i0 ?? 0;
  return estimate(m.k * (amps - i0), spread([(-m.k * amps) / m.r, (volts - 2 * m.k * w) / m.r - i0, m.i0 === null ? 0 : -m.k], m.c));
}

/** Speed without load in rad/s. @param {Constants} m @param {number} volts */
export function noLoad(m, volts) {
  const i0 = m.i0 ?? 0;
  const w = (volts - m.r * i0) / m.k;
  return estimate(Math.max(0, w), spread([-i0 / m.k, -w / m.k, m.i0 === null ? 0 : -m.r / m.k], m.c));
}

/** Current in A when it is held. @param {Constants} m @param {number} volts */
export function stall(m, volts) {
  return estimate(volts / m.r, spread([-volts / m.r ** 2, 0, 0], m.c));
}
