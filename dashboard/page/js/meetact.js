// Deciding on a meet: what is refused is said beside the act, and an act is over
// when the page shows what it did.
/** @import {Plan, Reply, Trial} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { post, at, Refused } from './api.js';
import { state } from './store.js';
import { again } from './again.js';
import { shown } from './shown.js';

/** @typedef {'meet' | 'entry' | 'paste' | 'order' | 'run' | 'seal'} Where on the page an act is done */

/** @type {Map<Where, string>} */
const told = new Map();
/** How often something was said: what stands in a guard is drawn again for it. */
let said = 0;
export const heard = () => said;

/**
 * Does it, and says whether it was done; a refusal stands where it was done.
 * @param {Where} where @param {() => Promise<unknown>} f
 */
export async function act(where, f) {
  let text = '';
  try {
    await f();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    text = e.signIn ? `Not written: ${e.message}. Sign out and in again.` : e.status === 409 ? `Not written: ${plain(e.message)}` : plain(e.message);
  }
  tell(where, text);
  return !text;
}

/** A reason in words for a person: without the marks of a program. @param {string} reason */
export const plain = (reason) => reason.replace(/^((malformed|conflict|refused): )+/, '');

/** Says why something was not done there; '' takes back what was said. @param {Where} where @param {string} text */
export function tell(where, text) {
  if (text) told.set(where, text);
  else told.delete(where);
  said++;
  again();
}

/** What was refused there last. @param {Where} where */
export function refusal(where) {
  const text = told.get(where);
  return text ? html`<p class="refusal" role="alert"><span>${text.charAt(0).toUpperCase() + text.slice(1)}</span> <button type="button" @click=${() => tell(where, '')}>Dismiss</button></p>` : nothing;
}

/** @typedef {{why?: string, session?: string, base?: number}} Options base: the view's rev when its form was opened */

/**
 * Writes a decision and waits until the page shows it.
 * @param {string} what @param {unknown} value @param {Options} [o] @returns {Promise<Reply>}
 */
export async function write(what, value, o = {}) {
  const reply = await send(what, value, o);
  await shown(reply.seq ?? 0);
  return reply;
}

/** Writes a decision. @param {string} what @param {unknown} value @param {Options} [o] @returns {Promise<Reply>} */
export function send(what, value, o = {}) {
  return post('/api/decision', { what, value, why: o.why ?? '', session: o.session, base_seq: o.base });
}

/** The session to name when it is closed; an open one needs no name. */
export function closedSession() {
  const s = state.view?.session;
  return s?.closed_us ? s.id : undefined;
}

/** Proposes a running order. @param {number | undefined} seed @returns {Promise<Plan>} */
export const propose = (seed) => post('/api/running-order', { seed });

/** What would be signed. @param {string} session @returns {Promise<{digest: string}>} */
export const digest = (session) => get(`/api/digest?session=${session}`);

/** What a locomotive did over the sessions. @param {string} locomotive @returns {Promise<{trials: {about: Trial}[]}>} */
export const historyOf = (locomotive) => get(`/api/history?locomotive=${locomotive}`);

/** @param {string} path @returns {Promise<any>} */
async function get(path) {
  let response;
  try {
    response = await fetch(at(path), { signal: AbortSignal.timeout(8000), cache: 'no-store' });
  } catch {
    throw new Refused(0, 'The service did not answer. Is it running, and is this machine on its network?');
  }
  const body = await response.json().catch(() => null);
  if (!response.ok || body?.ok === false) throw new Refused(response.status, body?.reason || `The service answered ${response.status} to ${path}.`);
  return body;
}
