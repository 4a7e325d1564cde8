// The three sheets of driver sets, and the way from one to the other.
import { html, nothing } from '../lib/lit-3.3.3.js';

const SHEETS = [['sets', 'Slip and desync'], ['motors', 'Motor curves'], ['predict', 'Prediction']];

/** @param {'sets' | 'motors' | 'predict'} current the sheet that is shown */
export function setsNav(current) {
  return html`<nav class="sets-nav" aria-label="Sheets of driver sets">${SHEETS.map(([id, name]) => html`<a href="#${id}" aria-current=${id === current ? 'page' : nothing}>${name}</a>`)}</nav>`;
}
