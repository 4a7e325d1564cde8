// One motor's curve as it stands in the notebook: its constants, the plots of the fit
// and of what it left over, the torque that follows, and every step in figures.
/** @import {MotorCurve, CurveStep, Estimate} from '../../types/wire.js' */
/** @import {Layer, Plot} from './chart.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { state } from './store.js';
import { chart } from './chart.js';
import { constants, noLoad, perVolt, rpm, stall, told, torque } from './curve.js';
import { fixed, known, DASH } from './format.js';

/** @typedef {{name: string, e: Estimate, scale: number, unit: string, alone?: number}} Row */

/** The constants as rows of a table. @param {MotorCurve} c @returns {Row[]} */
export function rowsOf(c) {
  return [
    { name: 'winding resistance R', e: c.resistance_ohm, scale: 1, unit: 'Ω' },
    { name: 'constant k', e: c.k_v_s, scale: 1000, unit: 'mV s, or mN m per A', alone: 3 },
    { name: 'the same as speed', e: perVolt(c.k_v_s), scale: 1, unit: 'rpm per V', alone: 0 },
    { name: 'no-load current I₀', e: c.no_load_ma, scale: 1, unit: 'mA', alone: 1 },
  ];
}

/** Where a curve is from, in words. @param {MotorCurve} c */
export function origin(c) {
  const n = list(c.steps).filter((s) => !s.left).length;
  const loads = new Set(list(c.steps).filter((s) => !s.left).map((s) => s.load_g)).size;
  const session = list(state.view?.sessions).find((s) => s.id === c.session)?.name || c.session;
  return [c.source || (n ? 'throttle sweep' : 'source not stated'), n ? `${n} steady steps at ${loads} ${loads === 1 ? 'load' : 'loads'}` : 'typed in, nothing measured here', session ? `session ${session}` : ''].filter(Boolean).join(' · ');
}

/** @param {MotorCurve} c */
export function constantsTable(c) {
  return html`<table class="constants"><caption>U = R I + k ω, torque = k (I − I₀)</caption><thead><tr><th scope="col">constant</th><th scope="col">value</th><th scope="col">95 % interval</th></tr></thead>
    <tbody>${rowsOf(c).map((r) => {
      const t = told(r.e, r.scale, r.alone);
      return html`<tr><th scope="row">${r.name}</th><td class="num">${t.value}${t.value === DASH ? nothing : html` <small>${r.unit}</small>`}</td><td class="num">${t.interval || (t.value === DASH ? 'cannot tell yet: one load does not tell it' : 'not stated')}</td></tr>`;
    })}</tbody></table>`;
}

/** What to draw torque at: the voltage the motor is for, or the most that was measured. @param {MotorCurve} c @param {number | undefined} nominalMv */
export function voltsFor(c, nominalMv) {
  if (nominalMv) return nominalMv / 1000;
  const most = Math.max(0, ...list(c.steps).map((s) => s.voltage_mv / 1000));
  return most ? Math.ceil(most) : 6;
}

/** The whole of it. @param {string} id @param {MotorCurve} c @param {number | undefined} nominalMv */
export function curveSheet(id, c, nominalMv) {
  const steps = list(c.steps);
  return html`<div class="curve" data-curve=${id}>
    <div class="beside-plots"><div>${constantsTable(c)}<p class="part">${origin(c)}.${steps.length ? ` Voltages lie about the fit with a standard deviation of ${fixed(c.residual_mv, 0)} mV.` : ''}</p>
      ${list(c.doubts).length ? html`<ul class="doubts">${list(c.doubts).map((d) => html`<li>${d}</li>`)}</ul>` : nothing}</div>
      ${chart(torquePlot(c, voltsFor(c, nominalMv)))}</div>
    ${steps.length ? html`<div class="plots">${fitPlots(c).map(chart)}</div>${stepTable(c)}` : nothing}</div>`;
}

/** @param {MotorCurve} c @param {number} volts @returns {Plot} */
function torquePlot(c, volts) {
  return { id: 'torque', title: `Torque at ${fixed(volts, 1)} V at the winding, from the constants`, x: 'speed, rpm', y: 'torque, mN m', zero: true, over: [0, torqueReach([c], volts)], layers: torqueLayers(c, volts, 1, 0, '', 'between its 95 % limits') };
}

/** How far the axis of speeds goes, rpm. @param {MotorCurve[]} all @param {number} volts */
export function torqueReach(all, volts) {
  return 1.05 * Math.max(1, ...all.map((c) => rpm(atVolts(c, volts)?.free.value ?? 0)));
}

/** @param {MotorCurve} c @param {number} volts @param {number} ink @param {number} dash @param {string} name @param {string} [band] @returns {Layer[]} */
export function torqueLayers(c, volts, ink, dash, name, band = '') {
  const m = constants(c);
  if (!m) return [];
  const top = noLoad(m, volts).value ?? 0;
  const points = Array.from({ length: 25 }, (_, i) => {
    const w = (top * i) / 24;
    const t = torque(m, volts, w);
    const of = (/** @type {number | null} */ v) => (known(v) ? v * 1000 : null);
    return { x: rpm(w), y: of(t.value), lo: of(t.lo), hi: of(t.hi) };
  });
  return [{ kind: 'band', points: m.c ? points : [], ink, name: m.c ? band : '' }, { kind: 'line', points, ink, dash, name }];
}

/** Loads in words: what was on the rails. @param {number} g */
const load = (g) => (g ? `${fixed(g, 0)} g on the rails` : 'wheels free');

/** @param {MotorCurve} c @returns {Plot[]} */
function fitPlots(c) {
  const used = list(c.steps).filter((s) => !s.left);
  const m = constants(c);
  const loads = [...new Set(used.map((s) => s.load_g))].toSorted((a, b) => a - b);
  /** @param {(s: CurveStep) => number} y @param {(s: CurveStep) => number} fit @returns {Layer[]} */
  const layers = (y, fit) => [
    ...loads.map((g, i) => /** @type {Layer} */ ({ kind: 'line', ink: 1, dash: i, name: `fit, ${load(g)}`, points: !m ? [] : used.filter((s) => s.load_g === g).toSorted((a, b) => a.speed_rad_s - b.speed_rad_s).map((s) => ({ x: rpm(s.speed_rad_s), y: fit(s) })) })),
    ...signs(c, y),
  ];
  return [
    { id: 'voltage', title: 'Voltage against speed', x: 'speed, rpm', y: 'at the winding, V', layers: layers((s) => s.voltage_mv / 1000, (s) => (m ? (m.r * s.current_ma) / 1000 + m.k * s.speed_rad_s : 0)) },
    { id: 'current', title: 'Current against speed', x: 'speed, rpm', y: 'mA', layers: [...(known(c.no_load_ma?.value) ? [/** @type {Layer} */ ({ kind: 'rule', dash: 2, name: 'no-load current', points: [{ x: 0, y: /** @type {number} */ (c.no_load_ma.value) }] })] : []), ...signs(c, (s) => s.current_ma)] },
    { id: 'residual', title: 'What the fit leaves over: measured voltage less the fit’s', x: 'speed, rpm', y: 'mV', flat: true, layers: [{ kind: 'rule', points: [{ x: 0, y: 0 }], ink: 1 }, ...(c.residual_mv ? [/** @type {Layer} */ ({ kind: 'rule', dash: 2, name: 'one standard deviation', points: [{ x: 0, y: c.residual_mv }, { x: 0, y: -c.residual_mv }] })] : []), ...signs(c, (s) => s.residual_mv, true)] },
  ];
}

/** Measured steps: rising, falling, and left out. @param {MotorCurve} c @param {(s: CurveStep) => number} y @param {boolean} [used] only those of the fit @returns {Layer[]} */
function signs(c, y, used = false) {
  const at = (/** @type {(s: CurveStep) => boolean} */ which) => list(c.steps).filter(which).map((s) => ({ x: rpm(s.speed_rad_s), y: y(s), title: stepWords(s) }));
  const out = /** @type {Layer[]} */ ([
    { kind: 'points', sign: 'up', ink: 2, name: 'throttle rising', points: at((s) => !s.left && Boolean(s.rising)) },
    { kind: 'points', sign: 'down', ink: 3, name: 'throttle falling', points: at((s) => !s.left && !s.rising) },
    { kind: 'points', sign: 'cross', ink: 1, name: 'left out of the fit', points: used ? [] : at((s) => Boolean(s.left)) },
  ]);
  return out.filter((l) => l.points.length);
}

/** @param {CurveStep} s */
const stepWords = (s) => `${fixed(s.duty_permille / 10, 0)} % ${s.rising ? 'rising' : 'falling'}, ${load(s.load_g)}${s.left ? `; left out: ${s.left}` : ''}`;

/** @param {MotorCurve} c */
function stepTable(c) {
  const steps = list(c.steps);
  return html`<details><summary>Every step in figures (${steps.length})</summary><table class="ruled steps"><thead><tr><th scope="col">load</th><th scope="col">throttle</th><th scope="col">voltage, <span class="unit">V</span></th><th scope="col">current, <span class="unit">mA</span></th><th scope="col">speed, <span class="unit">rpm</span></th><th scope="col">left over, <span class="unit">mV</span></th><th scope="col">readings</th><th scope="col">remarks</th></tr></thead>
    <tbody>${steps.map((s) => html`<tr class=${s.left ? 'other' : ''}><th scope="row">${load(s.load_g)}</th><td data-label="throttle" class="num">${fixed(s.duty_permille / 10, 1)} % ${s.rising ? 'rising' : 'falling'}</td><td data-label="voltage, V" class="num">${fixed(s.voltage_mv / 1000, 3)}</td><td data-label="current, mA" class="num">${fixed(s.current_ma, 0)}</td>
      <td data-label="speed, rpm" class="num">${fixed(rpm(s.speed_rad_s), 0)}</td><td data-label="left over, mV" class="num">${s.left ? DASH : fixed(s.residual_mv, 0)}</td><td data-label="readings" class="num">${s.readings}</td><td class="remarks">${s.left ?? ''}</td></tr>`)}</tbody></table></details>`;
}

/** What the curve says at a voltage, for the table of motors laid over each other. @param {MotorCurve} c @param {number} volts @returns {{free: Estimate, held: Estimate, pull: Estimate} | null} */
export function atVolts(c, volts) {
  const m = constants(c);
  return m && { free: noLoad(m, volts), held: stall(m, volts), pull: torque(m, volts, 0) };
}
