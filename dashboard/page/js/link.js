// The websocket to the gateway: it comes back by itself, and it says when what
// is on the page may be old. It knows nothing of what the messages mean.

/** @typedef {'calling' | 'live' | 'stale' | 'down'} Phase */

// The gateway speaks at least every 250 ms; nothing for this long is stale.
export const STALE_MS = 450;
// A line silent this long is given up and called again.
const SILENT_MS = 2500;
// A call that is not answered this long is given up.
const CALL_MS = 2500;
const LONGEST_WAIT_MS = 2000;

/**
 * @typedef {object} Handlers
 * @property {(message: any, atMs: number) => void} onMessage
 * @property {(phase: Phase, sinceMs: number) => void} onPhase sinceMs: when the last message came
 */

export class Link {
  /** @param {string} url @param {Handlers} handlers */
  constructor(url, handlers) {
    this.url = url;
    this.handlers = handlers;
    /** @type {WebSocket | null} */ this.socket = null;
    /** @type {Phase} */ this.phase = 'calling';
    this.heardMs = performance.now();
    this.tries = 0;
    this.timer = 0;
    addEventListener('online', () => this.callNow());
    document.addEventListener('visibilitychange', () => {
      if (!document.hidden && this.phase !== 'live') this.callNow();
    });
  }

  call() {
    this.hangUp();
    const socket = new WebSocket(this.url);
    this.socket = socket;
    socket.onmessage = (e) => socket === this.socket && this.heard(e);
    socket.onclose = () => socket === this.socket && this.lost();
    this.wait(CALL_MS, () => this.lost());
  }

  /** @param {MessageEvent} e */
  heard(e) {
    const atMs = performance.now();
    const message = JSON.parse(e.data);
    if (message.type !== 'told') this.fresh(atMs); // an answer about clocks says nothing of the trains
    this.handlers.onMessage(message, atMs);
  }

  /** @param {number} atMs */
  fresh(atMs) {
    this.heardMs = atMs;
    this.tries = 0;
    this.wait(STALE_MS, () => this.silent());
    this.turn('live');
  }

  silent() {
    this.turn('stale');
    this.wait(SILENT_MS - STALE_MS, () => this.lost());
  }

  lost() {
    this.hangUp();
    this.turn(this.phase === 'calling' ? 'calling' : 'down');
    const wait = Math.min(LONGEST_WAIT_MS, 250 * 2 ** this.tries++);
    this.wait(wait, () => this.call());
  }

  callNow() {
    if (this.socket?.readyState === WebSocket.CONNECTING) return;
    this.tries = 0;
    if (this.phase !== 'live') this.call();
  }

  hangUp() {
    clearTimeout(this.timer);
    const socket = this.socket;
    this.socket = null;
    socket?.close();
  }

  /** @param {number} ms @param {() => void} then */
  wait(ms, then) {
    clearTimeout(this.timer);
    this.timer = setTimeout(then, ms);
  }

  /** @param {Phase} phase */
  turn(phase) {
    if (phase === this.phase) return;
    this.phase = phase;
    this.handlers.onPhase(phase, this.heardMs);
  }

  /** Says whether it could be sent. @param {unknown} message */
  send(message) {
    if (this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }
}
