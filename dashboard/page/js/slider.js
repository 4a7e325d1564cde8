// A slider with a number field beside it, for one figure.
import { html, nothing, live } from '../lib/lit-3.3.3.js';

/**
 * @typedef {object} Slide
 * @property {string} label @property {string} unit @property {string} name
 * @property {number | undefined} value @property {number} [was] what stands in the roster, 0 when it is not stated
 * @property {boolean} [taken] nobody stated it
 * @property {number} min @property {number} max @property {number} step
 * @property {(v: number) => void} onPut
 */

/** The slider reaches as far as it says; the field takes any number above nought. @param {Slide} s */
export function slider({ label, unit, name, value, was, taken, min, max, step, onPut }) {
  const put = (/** @type {Event} */ e) => {
    const text = /** @type {HTMLInputElement} */ (e.target).value;
    const v = Number(text);
    if (text !== '' && Number.isFinite(v) && (v > 0 || min === 0) && v !== value) onPut(v);
  };
  const shown = value ? String(Number(value.toPrecision(6))) : value === 0 && min === 0 ? '0' : '';
  const changed = was !== undefined && !taken && value !== undefined && value !== was;
  return html`<div class="slide ${changed ? 'changed' : ''}" role="group" aria-label=${label}><span><span>${label} <small class="faint">${unit}</small></span>
      ${taken ? html`<span class="was">not stated: taken</span>` : changed ? html`<span class="was">in the roster ${was ? Number(was.toPrecision(6)) : 'not stated'}</span>` : nothing}</span>
    <input type="range" name=${`${name}-slide`} aria-label=${`${label}, slider`} min=${min} max=${Math.max(max, value ?? 0)} step="any" .value=${live(shown)} @input=${(/** @type {Event} */ e) => snap(e, step, put)}>
    <input type="number" name=${name} aria-label=${`${label}, ${unit}`} inputmode="decimal" step="any" min=${min === 0 ? 0 : nothing} .value=${shown} @input=${put} @change=${put}></div>`;
}

/** A slider moves in steps, from the figure it began at too. @param {Event} e @param {number} step @param {(e: Event) => void} put */
function snap(e, step, put) {
  const at = /** @type {HTMLInputElement} */ (e.target);
  const to = Number((Math.round(Number(at.value) / step) * step).toPrecision(8));
  at.value = String(to);
  put(e);
}
