// A choice of what to look at.
import { html, live as now } from '../lib/lit-3.3.3.js';

/**
 * A choice that shows what is asked for, also after going back.
 * @param {string} label @param {string} name @param {[string, string][]} choices @param {string} value @param {(v: string) => void} onPick
 */
export function pick(label, name, choices, value, onPick) {
  return html`<label><span>${label}</span><select name=${name} @change=${(/** @type {Event} */ e) => onPick(/** @type {HTMLSelectElement} */ (e.target).value)}>${choices.map(([v, words]) => html`<option value=${v} .selected=${now(v === value)}>${words}</option>`)}</select></label>`;
}
