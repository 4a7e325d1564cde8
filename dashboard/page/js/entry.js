// What is being written in the book just now: one entry at a time is open. What
// the official saw when it was opened is kept, so that a change in between is told.
/** @import {Reply} from '../../types/wire.js' */
import { again } from './again.js';
import { desk } from './api.js';
import { state } from './store.js';
import { attempt, say } from './decide.js';
import { shown } from './shown.js';

/** @typedef {'' | 'circuit' | 'locomotive' | 'consist' | 'motor' | 'battery' | 'session' | 'trial' | 'sensor' | 'ending' | 'voiding' | 'noting'} What */

/** from is what a new one is copied from; session the closed one that it is about; rev the place in the journal that the form was opened at. */
export const entry = { what: /** @type {What} */ (''), id: '', from: '', session: '', rev: 0, key: 0 };

/** A form that has to be fetched first has come by then. */
const FETCHED_MS = 30_000;

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
  const { key } = entry;
  const endMs = performance.now() + FETCHED_MS;
  requestAnimationFrame(() => begin(key, endMs)); // a frame later, when another form has gone
}

/** Puts the hand into the form when it is drawn, which may have to be fetched. @param {number} key of the entry that it is for @param {number} endMs */
function begin(key, endMs) {
  requestAnimationFrame(() => {
    const form = /** @type {HTMLElement | null} */ (document.querySelector('form.entry'));
    if (!form && entry.what && entry.key === key && performance.now() < endMs) return begin(key, endMs);
    form?.scrollIntoView({ block: form.offsetHeight > innerHeight ? 'start' : 'nearest' });
    /** @type {HTMLElement | null | undefined} */ (form?.querySelector('input, select'))?.focus({ preventScroll: true });
  });
}

/** Does what the open entry asks for, and closes it when the page shows what was written: what is opened next stands on that. @param {() => Promise<Reply>} act */
export async function finish(act) {
  const { key } = entry;
  let seq = 0;
  if (!(await attempt(async () => (seq = (await act()).seq ?? 0)))) return;
  await shown(seq);
  if (entry.key === key) closeEntry();
}

export function closeEntry() {
  Object.assign(entry, { what: '', id: '', from: '', session: '' });
  again();
}
