// What is being written in the book just now: one entry at a time is open.
import { state } from './store.js';
import { again } from './again.js';
import { say } from './decide.js';

/** @typedef {'' | 'circuit' | 'locomotive' | 'consist' | 'motor' | 'battery' | 'session' | 'trial' | 'sensor'} What */

/** from is what a new one is copied from; rev the place in the journal that the form was opened at. */
export const entry = { what: /** @type {What} */ (''), id: '', from: '', rev: 0, key: 0 };

/**
 * Opens the form of an entry; without an id it is a new one.
 * @param {What} what @param {string} [id] @param {string} [from]
 */
export function openEntry(what, id = '', from = '') {
  Object.assign(entry, { what, id, from, rev: state.view?.rev ?? 0, key: entry.key + 1 });
  say('');
  again();
  requestAnimationFrame(() => begin(60)); // a frame later, when another form has gone
}

/** Puts the hand into the form when it is drawn, which may have to be fetched. @param {number} frames to wait for it at most */
function begin(frames) {
  requestAnimationFrame(() => {
    const form = /** @type {HTMLElement | null} */ (document.querySelector('form.entry'));
    if (!form && frames > 0) return begin(frames - 1);
    form?.scrollIntoView({ block: form.offsetHeight > innerHeight ? 'start' : 'nearest' });
    /** @type {HTMLElement | null | undefined} */ (form?.querySelector('input, select'))?.focus({ preventScroll: true });
  });
}

export function closeEntry() {
  Object.assign(entry, { what: '', id: '', from: '' });
  again();
}
