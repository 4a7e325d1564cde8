// What is being written in the book just now: one entry at a time is open.
import { again } from './again.js';
import { say } from './decide.js';

/** @typedef {'' | 'circuit' | 'locomotive' | 'consist' | 'session' | 'trial' | 'sensor'} What */

export const entry = { what: /** @type {What} */ (''), id: '', key: 0 };

/** Opens the form of an entry; without an id it is a new one. @param {What} what @param {string} [id] */
export function openEntry(what, id = '') {
  Object.assign(entry, { what, id, key: entry.key + 1 });
  say('');
  again();
  requestAnimationFrame(() => requestAnimationFrame(() => {
    const form = document.querySelector('form.entry');
    form?.scrollIntoView({ block: 'nearest' });
    /** @type {HTMLElement | null | undefined} */ (form?.querySelector('input, select'))?.focus({ preventScroll: true });
  }));
}

export function closeEntry() {
  Object.assign(entry, { what: '', id: '' });
  again();
}
