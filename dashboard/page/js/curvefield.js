// A motor's curve typed in from a data sheet, folded away in the motor's form.
/** @import {Estimate, MotorCurve} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { field, choice } from './forms.js';
import { list } from './merge.js';
import { perVolt, whole } from './curve.js';
import { known } from './format.js';

const RPM = 60 / (2 * Math.PI);

/** Six digits: a data sheet has fewer. @param {number} v */
const round = (v) => Number(v.toPrecision(6));

/** A figure, and what it may be out by. @param {Estimate | undefined} e @param {number} scale @returns {{value: number | string, off: number | string}} */
function shown(e, scale) {
  const w = e && whole(e);
  if (!w || !known(w.value)) return { value: '', off: '' };
  return { value: round(w.value * scale), off: known(w.lo) && known(w.hi) ? round((Math.abs(w.hi - w.lo) / 2) * scale) : '' };
}

/** @param {MotorCurve | undefined} c what the motor has */
export function curveFields(c) {
  const measured = list(c?.steps).length > 0;
  const typed = c && !measured ? c : undefined;
  const [r, k, i0] = [shown(typed?.resistance_ohm, 1), shown(typed && perVolt(typed.k_v_s), 1), shown(typed?.no_load_ma, 1)];
  return html`<details class="data-sheet" ?open=${Boolean(typed)}><summary>Curve from a data sheet</summary>
    ${measured ? html`<p class="note">It has a curve that a sweep measured, which stays unless one is typed in here: then this one takes its place.</p>` : nothing}
    <div class="fields">${field('Winding resistance R', 'curve.r', { unit: 'Ω, with the brushes', number: true, value: r.value })}${field('give or take', 'curve.r.off', { unit: 'Ω, 95 %', number: true, value: r.off })}
      ${field('Speed or torque constant', 'curve.k', { number: true, value: k.value })}${choice('in', 'curve.k.unit', [['rpm', 'rpm per V'], ['mv', 'mV s, or mN m per A']], 'rpm')}${field('give or take', 'curve.k.off', { unit: 'in the same, 95 %', number: true, value: k.off })}
      ${field('No-load current I₀', 'curve.i0', { unit: 'mA', number: true, value: i0.value })}${field('give or take', 'curve.i0.off', { unit: 'mA, 95 %', number: true, value: i0.off })}
      ${field('Source', 'curve.source', { value: typed?.source, max: 200, hint: 'data sheet, its date' })}</div></details>`;
}

/** @param {number} value @param {number} off @returns {Estimate} */
function estimate(value, off) {
  return off > 0 ? { value, lo: Math.max(0, value - off), hi: value + off, u: off / 1.96 } : { value, lo: null, hi: null };
}

/**
 * What the form says of the curve: the one the motor has where nothing was typed over
 * a measured one; none where the typed one was emptied; an Error where half is said.
 * @param {Filled} f @param {MotorCurve | undefined} had @returns {MotorCurve | undefined | Error}
 */
export function readCurve(f, had) {
  const [r, k, i0] = [f.number('curve.r'), f.number('curve.k'), f.text('curve.i0')];
  if (!r && !k && !i0) return list(had?.steps).length ? had : undefined;
  if (!r || !k) return new Error('A curve needs the winding’s resistance and its speed or torque constant, both above 0.');
  const off = f.number('curve.k.off');
  const ends = f.text('curve.k.unit') === 'rpm' ? { value: RPM / k, lo: RPM / (k + off), hi: off < k ? RPM / (k - off) : null } : { value: k / 1000, lo: Math.max(0, k - off) / 1000, hi: (k + off) / 1000 };
  const constant = off > 0 && known(ends.hi) ? { ...ends, u: (ends.hi - ends.lo) / 3.92 } : { value: ends.value, lo: null, hi: null };
  return {
    resistance_ohm: estimate(r, f.number('curve.r.off')), k_v_s: constant, no_load_ma: i0 === '' ? { value: null, lo: null, hi: null } : estimate(Number(i0), f.number('curve.i0.off')),
    source: f.text('curve.source') || 'data sheet',
  };
}
