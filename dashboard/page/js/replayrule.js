// The rule under the scrub bar: the session's time, with a bar for each trial that
// begins with its locomotive's mark.
import { svg, html, render } from '../lib/lit-3.3.3.js';
import { markOf } from './store.js';
import { markShape } from './marks.js';
import { moving } from './motion.js';
import { replay } from './replaystate.js';

const LANE = 20;
const LANES = 4;
/** Half the width of the scrub bar's thumb: its middle stands at the instant. */
const THUMB = 8;

/** @typedef {{trial: string, loco: string, lane: number, x0: number, x1: number}} Bar */

class ReplayRule extends HTMLElement {
  key = '';

  connectedCallback() {
    this.key = '';
    this.stop = moving(this, () => this.draw());
  }

  disconnectedCallback() {
    this.stop?.();
  }

  draw() {
    const t = replay.told;
    const w = this.clientWidth;
    if (!t || !w) return;
    const key = JSON.stringify([w, t.from_us, t.to_us, t.trial, replay.trials.length]);
    if (key === this.key) return;
    this.key = key;
    const x = (/** @type {number} */ us) => THUMB + ((w - 2 * THUMB) * (Math.min(t.to_us, Math.max(t.from_us, us)) - t.from_us)) / Math.max(1, t.to_us - t.from_us);
    const bars = lanes(x, t.from_us, t.to_us);
    const h = LANE * Math.max(1, ...bars.map((b) => b.lane + 1));
    const words = `${bars.length} ${bars.length === 1 ? 'trial' : 'trials'} in this time`;
    render(html`<svg width=${w} height=${h} viewBox="0 0 ${w} ${h}" role="img" aria-label=${words}>${bars.map((b) => bar(b))}</svg>`, this);
  }
}

/** Trials side by side where they run at the same time. @param {(us: number) => number} x @param {number} fromUs @param {number} toUs */
function lanes(x, fromUs, toUs) {
  /** @type {number[]} */ const ends = [];
  /** @type {Bar[]} */ const out = [];
  for (const r of replay.trials.toSorted((a, b) => a.from_us - b.from_us)) {
    const until = r.to_us || toUs;
    if (until < fromUs || r.from_us > toUs) continue;
    const [x0, x1] = [x(r.from_us), Math.max(x(until), x(r.from_us) + 2)];
    const free = ends.findIndex((end) => end <= x0);
    const lane = free >= 0 ? free : ends.length < LANES ? ends.length : out.length % LANES;
    ends[lane] = Math.max(x1, x0 + 22);
    out.push({ trial: r.trial, loco: r.locomotive, lane, x0, x1 });
  }
  return out;
}

/** @param {Bar} b */
function bar(b) {
  const y = LANE * (b.lane + 0.5);
  const m = markOf(b.loco);
  return svg`<g class="ink${m.ink}"><path class="run-bar" d="M${b.x0} ${y}H${b.x1}M${b.x0} ${y - 6}V${y + 6}M${b.x1} ${y - 6}V${y + 6}"></path>
    <g transform="translate(${b.x0 + 9} ${y}) scale(0.75)">${markShape(m)}</g></g>`;
}

customElements.define('replay-rule', ReplayRule);
