// Modules that are fetched when they are first needed, and what stands where a sheet
// will be meanwhile.
import { html } from '../lib/lit-3.3.3.js';
import { again } from './again.js';

/** What was asked for last and is not there. */
let awaited = { failed: false, ask: () => {} };

/**
 * Gives the module once it is there and asks for it meanwhile; when the line
 * was down it is asked for again.
 * @template T @param {() => Promise<T>} fetchIt @returns {() => T | null}
 */
export function later(fetchIt) {
  /** @type {T | null} */ let have = null;
  let asked = false;
  const my = { failed: false, ask: () => { asked = false; again(); } };
  const came = (/** @type {T} */ module) => {
    have = module;
    again();
  };
  const failed = () => {
    my.failed = true;
    again();
    setTimeout(my.ask, 1000);
  };
  return () => {
    if (!asked) fetchIt().then(came, failed);
    asked = true;
    if (!have) awaited = my;
    return have;
  };
}

/** Stands where the sheet will be that was just asked for: words for those who wait. */
export function coming() {
  const { failed, ask } = awaited;
  return failed ? html`<div class="sheet welcome"><p role="alert">This sheet could not be fetched from the service. It is asked for again every second.</p><p><button class="primary" @click=${ask}>Try again</button></p></div>`
    : html`<div class="sheet welcome late"><p role="status">Fetching the sheet…</p></div>`;
}
