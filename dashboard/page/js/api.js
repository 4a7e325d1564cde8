// Asking the gateway: one function a question. A refusal is an error with the
// gateway's own reason; status 0 means that it could not be reached.
/** @import {Health, Reply, Credential, Results} from '../../types/wire.js' */

export class Refused extends Error {
  /** @param {number} status @param {string} reason @param {string} [conflict] what was asked, as JSON, when somebody else decided on it meanwhile */
  constructor(status, reason, conflict = '') {
    super(reason);
    this.status = status;
    this.conflict = conflict;
  }

  /** Worth asking again: not reached, or the gateway is not well. */
  get passing() {
    return this.status === 0 || this.status >= 500 || this.status === 408 || this.status === 429;
  }

  get signIn() {
    return this.status === 401 || this.status === 403;
  }
}

/** The site that the page's own address names, passed on. */
const site = new URLSearchParams(location.search).get('site');

/** An address of the gateway for this page's site. @param {string} path */
export function at(path) {
  return site ? `${path}${path.includes('?') ? '&' : '?'}site=${encodeURIComponent(site)}` : path;
}

/** @param {string} path @param {RequestInit} [init] @returns {Promise<any>} */
export async function ask(path, init) {
  let response;
  try {
    response = await fetch(at(path), { ...init, signal: AbortSignal.timeout(8000), cache: 'no-store' });
  } catch {
    throw new Refused(0, 'The service did not answer. Is it running, and is this machine on its network?');
  }
  const body = await response.json().catch(() => null);
  if (!response.ok || body?.ok === false) {
    throw new Refused(response.status, body?.reason || `The service answered ${response.status} to ${path}.`, body?.conflict && init?.body);
  }
  return body;
}

/** @param {string} path @param {unknown} body */
export function post(path, body) {
  const headers = { 'Content-Type': 'application/json', 'X-Rainhill': '1' };
  return ask(path, { method: 'POST', headers, body: JSON.stringify(body) });
}

/** @typedef {{official: string | null, demo?: boolean, bus?: {nats_port: number, mqtt_port: number}}} Me */

/** @returns {Promise<Me>} */
export const me = () => ask('/api/me');
/** @returns {Promise<Health>} */
export const health = () => ask('/api/health');
/** The whole session with all laps. @returns {Promise<Results>} */
export const results = () => ask('/api/results');
/** @returns {Promise<{agents: Credential[]}>} */
export const agents = () => ask('/api/agents');
/** @param {{agent: string, gates: string[], motors: string[], cells: string[]}} a @returns {Promise<Credential>} */
export const addAgent = (a) => post('/api/agents', a);
/** @param {string} key @param {string} name */
export const signIn = (key, name) => post('/api/sign-in', { key, name });
export const signOut = () => post('/api/sign-out', {});

/** @typedef {{what: string, value: any, why: string, session?: string, base_seq?: number}} Asked a decision as it is sent */

/** What a decision is based on, and who hears of it: decide.js and entry.js say. */
export const desk = {
  /** @type {(what: string, value: any) => number | undefined} */ seen: () => undefined,
  /** @type {(reply: Reply, asked: Asked) => unknown} */ written: () => {},
};

/**
 * Writes a decision into the book.
 * @param {'circuit'|'locomotive'|'consist'|'motor'|'battery'|'margin'|'session'|'trial'|'lap'|'note'|'order'|'meet'|'entry'|'plan'|'scoring'|'seal'|'pull'|'undo'} what
 * @param {unknown} value @param {string} [why]
 * @param {{session?: string, baseSeq?: number}} [about] the closed session that it is about, and what the official had seen
 * @returns {Promise<Reply>}
 */
export async function decide(what, value, why = '', { session, baseSeq } = {}) {
  const asked = { what, value, why, session, base_seq: baseSeq ?? desk.seen(what, value) };
  const reply = await post('/api/decision', asked);
  desk.written(reply, asked);
  return reply;
}
