// What findings have in common: the sheets they stand on, a drawing that Go made, and
// figures with their intervals.
/** @import {Estimate} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { at } from './api.js';
import { fixed, known, DASH } from './format.js';

const SHEETS = [['compare', 'Compare'], ['pull', 'Pull tests'], ['coast', 'Coasting']];

/** @param {string} current the sheet that is shown */
export function findingsNav(current) {
  return html`<nav class="sets-nav" aria-label="Sheets of findings">${SHEETS.map(([id, name]) => html`<a href="#${id}" aria-current=${id === current ? 'page' : nothing}>${name}</a>`)}</nav>`;
}

/** A drawing for day, night and print. @param {string} path with its question @param {string} says what it shows @param {unknown} caption */
export function drawing(path, says, caption) {
  const on = (/** @type {string} */ paper) => at(`${path}${path.includes('?') ? '&' : '?'}${paper}`);
  return html`<figure class="drawn"><picture><source srcset=${on('paper=dark&narrow')} media="screen and (prefers-color-scheme: dark) and (max-width: 600px)"><source srcset=${on('paper=dark')} media="screen and (prefers-color-scheme: dark)"><source srcset=${on('narrow')} media="screen and (max-width: 600px)"><img src=${at(path)} alt=${says} width="640" height="400"></picture><figcaption>${caption}</figcaption></figure>`;
}

/** A figure with its interval; an end that cannot be had is open. @param {Estimate | undefined} e @param {number} decimals */
export function between(e, decimals) {
  if (!e || !known(e.value)) return DASH;
  if (!known(e.lo) && !known(e.hi)) return fixed(e.value, decimals);
  return `${fixed(e.value, decimals)} (${known(e.lo) ? fixed(e.lo, decimals) : 'no lower end'} to ${known(e.hi) ? fixed(e.hi, decimals) : 'no upper end'})`;
}
