// The readings of one driver set, kept in bins of a tenth of a second for as
// long as the roll can show. Bounded: old bins are written over.

export const BIN_US = 100_000;
export const KEEP_US = 16 * 60 * 1e6;

const SHARES = 4;

export class Pen {
  constructor(binUs = BIN_US, keepUs = KEEP_US) {
    this.binUs = binUs;
    this.size = Math.ceil(keepUs / binUs);
    this.bins = new Float64Array(this.size); // bin number
    this.speeds = new Float32Array(this.size); // mm/s, NaN when not had
    this.duties = new Float32Array(this.size); // permille, NaN when not told
    this.shares = new Float32Array(SHARES * this.size); // slip, its u, desync, its u; NaN when not told
    this.end = 0; // bins ever begun
    this.inBin = 0; // speeds averaged in the newest
  }

  /** @param {number} i 0 is the newest bin */
  slot(i) {
    return (this.end - 1 - i) % this.size;
  }

  get length() {
    return Math.min(this.end, this.size);
  }

  /**
   * A reading that is older than the newest bin is left out.
   * @param {number} atUs @param {number | null | undefined} speed @param {number | null | undefined} duty
   * @param {(number | null | undefined)[]} [shares] slip, its u, desync, its u
   */
  add(atUs, speed, duty, shares = []) {
    const bin = Math.floor(atUs / this.binUs);
    const newest = this.end ? this.bins[this.slot(0)] : -Infinity;
    if (bin < newest) return;
    if (bin > newest) {
      this.end++;
      this.inBin = 0;
      this.bins[this.slot(0)] = bin;
      this.speeds[this.slot(0)] = NaN;
      this.duties[this.slot(0)] = NaN;
      this.shares.fill(NaN, SHARES * this.slot(0), SHARES * this.slot(0) + SHARES);
    }
    const at = this.slot(0);
    if (speed !== null && speed !== undefined) {
      this.inBin++;
      const mean = this.inBin === 1 ? 0 : this.speeds[at];
      this.speeds[at] = mean + (speed - mean) / this.inBin;
    }
    if (duty !== null && duty !== undefined) this.duties[at] = duty;
    shares.forEach((v, k) => { this.shares[SHARES * at + k] = v ?? NaN; });
  }

  /** The newest reading. */
  latest() {
    if (!this.end) return null;
    const at = this.slot(0);
    return { atUs: this.bins[at] * this.binUs, speed: orNull(this.speeds[at]), duty: orNull(this.duties[at]), shares: this.sharesAt(0) };
  }

  /** Slip, its u, desync, its u; null when not told. @param {number} i */
  sharesAt(i) {
    return Array.from(this.shares.subarray(SHARES * this.slot(i), SHARES * this.slot(i) + SHARES), orNull);
  }

  /**
   * Speeds and duties at n instants from t0Us, dtUs apart. Between readings no
   * more than gapUs apart a speed is carried straight across and a duty is
   * held, and slip and desync with their u; over a wider gap there is none.
   * @param {number} t0Us @param {number} dtUs @param {number} n @param {number} gapUs
   */
  series(t0Us, dtUs, n, gapUs) {
    /** @type {(number | null)[]} */ const speed = new Array(n).fill(null);
    /** @type {(number | null)[]} */ const duty = new Array(n).fill(null);
    /** @type {(number | null)[][]} */ const shares = Array.from({ length: SHARES }, () => new Array(n).fill(null));
    let i = 0;
    for (let k = n - 1; k >= 0; k--) {
      const t = t0Us + k * dtUs;
      while (i < this.length && this.mid(i) > t) i++;
      if (i >= this.length) break;
      const gap = i > 0 ? this.mid(i - 1) - this.mid(i) : t - this.mid(i);
      if (gap > gapUs && t > this.mid(i)) continue;
      const [a, b] = [this.slot(i), i > 0 ? this.slot(i - 1) : this.slot(i)];
      const f = i > 0 ? (t - this.mid(i)) / gap : 0;
      speed[k] = orNull(this.speeds[a] + f * (this.speeds[b] - this.speeds[a]));
      duty[k] = orNull(this.duties[a]);
      shares.forEach((of, m) => { of[k] = orNull(this.shares[SHARES * a + m]); });
    }
    return { speed, duty, shares };
  }

  /** @param {number} i */
  mid(i) {
    return (this.bins[this.slot(i)] + 0.5) * this.binUs;
  }
}

/** @param {number} x */
function orNull(x) {
  return Number.isNaN(x) ? null : x;
}
