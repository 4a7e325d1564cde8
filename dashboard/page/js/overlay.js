// Motors' curves laid over each other at one voltage.
/** @import {NamedMotor, MotorCurve} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { again } from './again.js';
import { chart } from './chart.js';
import { constants, noLoad, perVolt, rpm, told } from './curve.js';
import { atVolts, torqueLayers, torqueReach } from './motorcurve.js';
import { known } from './format.js';

/** What is laid over each other, and the voltage; null is what suits them. @type {{ids: string[] | null, volts: number | null}} */
export const overlay = { ids: null, volts: null };

/** @typedef {NamedMotor & {curve: MotorCurve}} Curved */

/** @param {Curved[]} motors those with a curve @param {(id: string) => string} nameOf */
export function overlaid(motors, nameOf) {
  const ids = overlay.ids ?? motors.slice(0, 2).map((m) => m.id);
  const chosen = motors.filter((m) => ids.includes(m.id));
  const at = overlay.volts ?? (Math.max(0, ...motors.map((m) => (m.nominal_mv ?? 0) / 1000)) || 6);
  return html`<form class="over-choice" aria-label="Which motors, and at which voltage" @submit=${(/** @type {Event} */ e) => e.preventDefault()}>
      <fieldset class="picks"><legend>Motors</legend>${motors.map((m) => html`<label class="check"><input type="checkbox" name="over" value=${m.id} .checked=${ids.includes(m.id)} @change=${(/** @type {Event} */ e) => pick(ids, m.id, /** @type {HTMLInputElement} */ (e.target).checked)}><span>${nameOf(m.id)}</span></label>`)}</fieldset>
      <label><span>At <small>V at the winding</small></span><input type="number" name="over-volts" inputmode="decimal" min="0.1" max="60" step="any" .value=${String(at)} @change=${setVolts}></label></form>
    ${chosen.length ? html`<div class="plots">${chart({ id: 'over-torque', title: 'Torque against speed', x: 'speed, rpm', y: 'torque, mN m', zero: true, over: [0, torqueReach(chosen.map((m) => m.curve), at)], layers: chosen.flatMap((m, i) => torqueLayers(m.curve, at, i + 1, i, nameOf(m.id))) })}
      ${chart({ id: 'over-free', title: 'Speed without load against voltage', x: 'at the winding, V', y: 'speed, rpm', zero: true, over: [0, at], layers: chosen.flatMap((m, i) => freeLayers(m.curve, at, i + 1, i, nameOf(m.id))) })}</div>
      ${table(chosen, at, nameOf)}` : html`<p class="empty">Choose two motors or more.</p>`}`;
}

/** @param {string[]} ids @param {string} id @param {boolean} on */
function pick(ids, id, on) {
  overlay.ids = on ? [...ids, id] : ids.filter((x) => x !== id);
  again();
}

/** @param {Event} e */
function setVolts(e) {
  const v = Number(/** @type {HTMLInputElement} */ (e.target).value);
  overlay.volts = v > 0 ? v : null;
  again();
}

/** @param {MotorCurve} c @param {number} volts @param {number} ink @param {number} dash @param {string} name @returns {import('./chart.js').Layer[]} */
function freeLayers(c, volts, ink, dash, name) {
  const m = constants(c);
  if (!m) return [];
  const points = Array.from({ length: 25 }, (_, i) => {
    const u = (volts * i) / 24;
    const w = noLoad(m, u);
    const of = (/** @type {number | null} */ v) => (known(v) ? Math.max(0, rpm(v)) : null);
    return { x: u, y: of(w.value), lo: of(w.lo), hi: of(w.hi) };
  });
  return [{ kind: 'band', points: m.c ? points : [], ink }, { kind: 'line', points, ink, dash, name }];
}

/** @param {Curved[]} chosen @param {number} volts @param {(id: string) => string} nameOf */
function table(chosen, volts, nameOf) {
  const cell = (/** @type {string} */ label, /** @type {import('../../types/wire.js').Estimate | undefined} */ e, /** @type {number} */ scale, /** @type {number} */ alone = 0) => {
    const t = told(e, scale, alone);
    return html`<td data-label=${label} class="num">${t.value}${t.interval ? html`<small>${t.interval}</small>` : nothing}</td>`;
  };
  return html`<table class="ruled over"><caption>The same in figures, at ${volts} V, with 95 % intervals</caption><thead><tr><th scope="col">motor</th><th scope="col">R, <span class="unit">Ω</span></th><th scope="col">rpm per V</th><th scope="col">I₀, <span class="unit">mA</span></th><th scope="col">free, <span class="unit">rpm</span></th><th scope="col">held, <span class="unit">A</span></th><th scope="col">held, <span class="unit">mN m</span></th></tr></thead>
    <tbody>${chosen.map((m) => {
      const a = atVolts(m.curve, volts);
      return html`<tr data-over=${m.id}><th scope="row">${nameOf(m.id)}</th>${cell('R, Ω', m.curve.resistance_ohm, 1, 2)}${cell('rpm per V', perVolt(m.curve.k_v_s), 1)}${cell('I₀, mA', m.curve.no_load_ma, 1, 1)}${cell('free, rpm', a?.free, 30 / Math.PI)}${cell('held, A', a?.held, 1, 2)}${cell('held, mN m', a?.pull, 1000, 2)}</tr>`;
    })}</tbody></table>`;
}
