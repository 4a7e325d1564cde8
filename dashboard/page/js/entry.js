// What is being written in the book just now: one entry at a time is open. What
// the official saw when it was opened is kept, so that a change in between is told.
import { again } from './again.js';
import { desk } from './api.js';
import { state } from './store.js';
import { say } from './decide.js';

/** @typedef {'' | 'circuit' | 'locomotive' | 'consist' | 'motor' | 'battery' | 'session' | 'trial' | 'sensor' | 'ending' | 'voiding' | 'noting'} What */

/** from is what a new one is copied from; session the closed one that it is about; rev the place in the journal that the form was opened at. */
export const entry = { what: /** @type {What} */ (''), id: '', from: '', session: '', rev: 0, key: 0 };

/** What an entry that is not named after it decides on. @type {Record<string, string>} */
const DECIDES = { ending: 'trial', voiding: 'trial', noting: 'note' };

const before = desk.seen;
desk.seen = (what, value) => (about(what, value) ? entry.rev : before(what, value));

/** Is a decision that of the open entry, and not a tap beside it? @param {string} what @param {any} value */
function about(what, value) {
  const same = (DECIDES[entry.what] ?? entry.what) === what;
  return same && (entry.id ? entry.id === (value.id ?? value.circuit?.id) : !state.trials.has(value.id));
}

/**
 * Opens the form of an entry; without an id it is a new one.
 * @param {What} what @param {string} [id] @param {string} [from]
 * @param {{session?: string, seen?: number}} [about] a closed session, and the place in the journal that what is shown of it is true at
 */
export function openEntry(what, id = '', from = '', { session = '', seen = state.view?.rev ?? 0 } = {}) {
  Object.assign(entry, { what, id, from, session, rev: seen, key: entry.key + 1 });
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
  Object.assign(entry, { what: '', id: '', from: '', session: '' });
  again();
}
