// This machine's clock, and what it says about bus time. Instants are integer
// microseconds. The page's clock is performance's: it never steps.

/** The instant of a DOM event or of performance.now(). @param {number} ms */
export function localUs(ms = performance.now()) {
  return Math.round((performance.timeOrigin + ms) * 1000);
}

/** @typedef {{t1_us: number, t2_us: number, t3_us: number, t4_us: number}} Exchange named as in RFC 5905 */

/** Bus time minus local time by one exchange, and its round trip. @param {Exchange} x */
export function offsetOf(x) {
  return {
    offsetUs: (x.t2_us - x.t1_us + (x.t3_us - x.t4_us)) / 2,
    delayUs: x.t4_us - x.t1_us - (x.t3_us - x.t2_us),
  };
}

/** Bus time as the page reckons it: the quickest of the last exchanges counts. */
export class BusClock {
  constructor(keep = 8) {
    this.keep = keep;
    /** @type {{offsetUs: number, delayUs: number}[]} */
    this.last = [];
    /** @type {number | null} */
    this.rough = null;
  }

  /** @param {Exchange} x */
  put(x) {
    this.last.push(offsetOf(x));
    if (this.last.length > this.keep) this.last.shift();
  }

  /** From a message's own instant, until there is an exchange. @param {number} nowUs @param {number} localUs */
  hint(nowUs, localUs) {
    const offset = nowUs - localUs;
    if (this.rough === null || offset > this.rough) this.rough = offset;
  }

  /** A restarted service may have another clock. */
  forget() {
    this.last = [];
    this.rough = null;
  }

  offsetUs() {
    if (!this.last.length) return this.rough ?? 0;
    return this.last.reduce((a, b) => (b.delayUs < a.delayUs ? b : a)).offsetUs;
  }

  /** @param {number} [local] */
  busUs(local = localUs()) {
    return Math.round(local + this.offsetUs());
  }
}
