// The gates of a circuit by millimetre; the plan beside shows and moves them too.
/** @import {Gate} from '../../types/wire.js' */
/** @import {Drawing} from './drawing.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { fixedMm } from './drawing.js';

/** @param {Drawing} d */
export function gatesPart(d) {
  return html`<fieldset class="ledger"><legend>Gates: tap the plan to set one, or write its place</legend>
    <div class="gate-row gate-head" aria-hidden="true"><span>gate</span><span>at mm</span><span>two beams, mm</span><span>timing</span><span></span></div>
    ${repeat(d.gates.rows, (r) => r.key, (r) => gateRow(d, r))}
    ${d.gates.rows.length ? nothing : html`<p class="empty">No gate yet: nothing can be timed without one.</p>`}
    <p class="acts"><button type="button" @click=${() => d.place(d.roomiest)}>Add a gate</button></p></fieldset>`;
}

/** @param {Drawing} d @param {{key: number, row: Gate}} r */
function gateRow(d, { key, row: g }) {
  return html`<div class="gate-row" data-key=${key}><input name="gate.id" aria-label="Gate" value=${g.id} maxlength="32" autocomplete="off" required>
    <input type="number" inputmode="decimal" step="any" min="0" name="gate.at" aria-label=${`Gate ${g.id}, place in mm`} value=${fixedMm(g.position_mm)} required>
    <input type="number" inputmode="decimal" step="any" min="0" name="gate.pair" aria-label=${`Gate ${g.id}, mm between its two beams`} value=${g.pair_mm ?? ''} placeholder="one beam">
    <label class="check"><input type="radio" name="timing" value=${key} ?checked=${g.timing} aria-label=${`Gate ${g.id} is the timing gate`}></label>
    <input type="hidden" name="gate.key" value=${key}><button type="button" class="drop" aria-label=${`Remove gate ${g.id}`} @click=${() => d.dropGate(key)}>Remove</button></div>`;
}

/**
 * Writes places that were moved on the plan into their fields; the one that is
 * typed into is left alone.
 * @param {Drawing} d
 */
export function writePlaces(d) {
  for (const { key, row } of d.gates.rows) {
    const at = /** @type {HTMLInputElement | null} */ (document.querySelector(`.gate-row[data-key="${key}"] [name="gate.at"]`));
    if (at && at !== document.activeElement && at.valueAsNumber !== row.position_mm) at.value = fixedMm(row.position_mm);
  }
}
