// Taps of a hand as a real gate: each is kept until the gateway has answered
// it, resent in order, and carried over a reload of the page.
import { post, Refused } from './api.js';

/** Standard uncertainty of a human tap: common practice, no source. */
export const TAP_U_US = 70000;
const KEY = 'rainhill-unsent-';

/** @typedef {{path: string, body: Record<string, unknown>, key: string}} Item */
/** @typedef {{sent: number, unsent: number, why: string, refused: string}} Tally */

/** Letters and digits by chance; works without a secure context. @param {number} n */
export function randomId(n) {
  const bytes = crypto.getRandomValues(new Uint8Array(n));
  return Array.from(bytes, (b) => '0123456789abcdefghijklmnopqrstuv'[b & 31]).join('');
}

/** @param {Storage} storage */
export function agentName(storage) {
  let name = storage.getItem('rainhill-tap-agent');
  if (!name) storage.setItem('rainhill-tap-agent', (name = `tap-${randomId(6)}`));
  return name;
}

export class Tapper {
  /**
   * @param {string} agent @param {Storage} storage @param {(t: Tally) => void} onTally
   * @param {(path: string, body: unknown) => Promise<unknown>} [send]
   */
  constructor(agent, storage, onTally, send = post) {
    this.agent = agent;
    this.boot = randomId(10);
    this.storage = storage;
    this.onTally = onTally;
    this.send = send;
    this.seq = 0;
    /** @type {Item[]} */ this.queue = this.left();
    this.sending = false;
    this.waitMs = 0;
    this.tally = { sent: 0, unsent: 0, why: '', refused: '' };
  }

  /** What earlier loads of the page could not send. */
  left() {
    const keys = Array.from({ length: this.storage.length }, (_, i) => this.storage.key(i) ?? '');
    return keys.filter((k) => k.startsWith(KEY)).sort().map((key) => JSON.parse(this.storage.getItem(key) ?? '{}'));
  }

  /** @param {string} gate @param {number} atUs @param {string} tag */
  tap(gate, atUs, tag) {
    this.put('/api/tap', { gate, at_us: atUs, u_us: TAP_U_US, tag });
  }

  /** @param {import('./clock.js').Exchange} exchange */
  sync(exchange) {
    this.put('/api/sync', { ...exchange });
  }

  /** @param {string} path @param {Record<string, unknown>} what */
  put(path, what) {
    const seq = ++this.seq;
    const key = `${KEY}${this.boot}-${String(seq).padStart(8, '0')}`;
    const item = { path, body: { agent: this.agent, boot: this.boot, seq, ...what }, key };
    this.queue.push(item);
    try {
      this.storage.setItem(key, JSON.stringify(item));
    } catch { /* full: it is still kept in memory */ }
    this.tell();
    this.flush();
  }

  /** Sends what is left, in order, one at a time. */
  async flush() {
    if (this.sending) return;
    this.sending = true;
    try {
      while (this.queue.length && (await this.sendFirst()));
    } finally {
      this.sending = false;
    }
    this.tell();
  }

  async sendFirst() {
    const item = this.queue[0];
    try {
      await this.send(item.path, item.body);
      if (item.path === '/api/tap') this.tally.sent++;
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      if (e.passing || e.signIn) return this.later(e);
      if (item.path === '/api/tap') this.tally.refused = `A tap was refused: ${e.message}`;
    }
    this.waitMs = 0;
    this.tally.why = '';
    this.queue.shift();
    this.storage.removeItem(item.key);
    this.tell();
    return true;
  }

  /** @param {Refused} e */
  later(e) {
    this.tally.why = e.message;
    this.waitMs = Math.min(3000, this.waitMs ? 2 * this.waitMs : 300);
    if (e.passing) setTimeout(() => this.flush(), this.waitMs);
    return false;
  }

  tell() {
    this.tally.unsent = this.queue.filter((i) => i.path === '/api/tap').length;
    this.onTally({ ...this.tally });
  }
}
