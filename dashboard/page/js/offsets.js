// An agent's clock on the health page: its figures in words, and the offsets that
// its exchanges read against time, with the line fitted to them.
/** @import {AgentHealth, ClockPoint} from '../../types/wire.js' */
import { html, svg, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { clock, count, fixed, known, millis, signed, span, DASH } from './format.js';

/** Half the 95 % interval to two digits, and the number to the same place. @param {number} v @param {number} u @param {(v: number, d: number) => string} write @param {number} most */
function beside(v, u, write, most = 3) {
  const w = Number((1.96 * u).toPrecision(2));
  const d = w > 0 ? Math.min(most, Math.max(0, 1 - Math.floor(Math.log10(w) + 1e-9))) : most;
  return `${write(v, d)} ± ${w.toFixed(d)}`;
}

/** Bus time minus the agent's: in ms while that is readable, then in s; days only roughly. @param {AgentHealth} a */
export function offsetText(a) {
  if (!known(a.offset_us)) return DASH;
  const o = a.offset_us;
  if (!known(a.u_offset_us)) return millis(o);
  if (Math.abs(o) >= 864e8) return `${o < 0 ? 'ahead' : 'behind'} by ${span(Math.abs(o))}, ± ${Number((1.96 * a.u_offset_us / 1000).toPrecision(2))} ms`;
  return Math.abs(o) < 1e6 && a.u_offset_us < 1e5 ? `${beside(o / 1e3, a.u_offset_us / 1e3, signed)} ms` : `${beside(o / 1e6, a.u_offset_us / 1e6, signed, 6)} s`;
}

/** How fast or slow the agent's clock goes. @param {AgentHealth} a */
export function driftText(a) {
  if (!known(a.drift_ppm) || !known(a.u_drift_ppm)) return DASH;
  const shown = Math.abs(a.drift_ppm) > 1.96 * a.u_drift_ppm;
  return `${beside(shown ? Math.abs(a.drift_ppm) : a.drift_ppm, a.u_drift_ppm, shown ? fixed : signed)} ppm${shown ? (a.drift_ppm > 0 ? ' fast' : ' slow') : ''}`;
}

/** The rows about a clock. @param {AgentHealth} a @param {number} nowUs @returns {[string, string][]} */
export function clockRows(a, nowUs) {
  if (a.clock !== 'synced') return [['clock', a.clock === 'by arrival' ? `timed by arrival: no exchange yet${known(a.u_offset_us) ? `, ± ${Number((1.96 * a.u_offset_us / 1000).toPrecision(2))} ms` : ''}` : 'not heard yet']];
  return [
    ['clock offset', offsetText(a)],
    ['drift', driftText(a)],
    ['last exchange', `${known(a.last_sync_us) ? `${span(nowUs - a.last_sync_us)} ago` : DASH}${known(a.delay_us) ? `, round trip ${fixed(a.delay_us / 1000, 2)} ms` : ''}`],
    ['clock set', a.epochs ? `${count(a.epochs)} ${a.epochs > 1 ? 'times' : 'time'} since it started` : 'never since it started'],
  ];
}

const W = 330, H = 132, LEFT = 8, RIGHT = 8, TOP = 20, BOTTOM = 22;

/**
 * Where everything lies. Height is drawn over the exchanges that the line rests
 * on and the line itself; others may fall outside and are not drawn.
 * @param {AgentHealth} a @param {number} nowUs
 */
export function layout(a, nowUs) {
  const points = list(a.clock_points);
  const used = points.filter((p) => p.used);
  const offset = a.offset_us, drift = a.drift_ppm;
  if (!used.length || !known(offset) || !known(drift)) return null;
  const from = Math.min(nowUs - 6e7, ...used.map((p) => p.at_us));
  const on = (/** @type {number} */ t) => offset - (drift * (t - nowUs)) / 1e6;
  const all = [on(from), on(nowUs), ...used.map((p) => p.offset_us)];
  const room = Math.max(20, 0.08 * (Math.max(...all) - Math.min(...all)));
  const low = Math.min(...all) - room, high = Math.max(...all) + room;
  const x = (/** @type {number} */ t) => LEFT + ((W - LEFT - RIGHT) * (t - from)) / (nowUs - from);
  const y = (/** @type {number} */ o) => TOP + ((H - TOP - BOTTOM) * (high - o)) / (high - low);
  const least = Math.min(...used.map((p) => p.delay_us));
  const drawn = points.filter((p) => p.at_us >= from && p.at_us <= nowUs && p.offset_us >= low && p.offset_us <= high);
  return { from, low, high, used: used.length, left: points.length - drawn.length, drawn: drawn.map((p) => dot(p, x(p.at_us), y(p.offset_us), least)), line: [x(from), y(on(from)), x(nowUs), y(on(nowUs))] };
}

/** A quick exchange is large and dark; a slow one small and pale. @param {ClockPoint} p @param {number} x @param {number} y @param {number} least */
function dot(p, x, y, least) {
  const quick = 1 / (1 + (p.delay_us - least) / Math.max(200, least));
  return { x, y, r: 1.6 + 2.4 * quick, dark: 0.35 + 0.65 * quick, used: p.used };
}

/** @param {AgentHealth} a @param {number} nowUs */
export function offsetPlot(a, nowUs) {
  const l = layout(a, nowUs);
  if (!l) return nothing;
  const [x1, y1, x2, y2] = l.line;
  const many = `${l.used} exchange${l.used > 1 ? 's' : ''}`;
  const words = `${many} since ${clock(l.from)}; drawn from ${millis(l.low)} to ${millis(l.high)}.`;
  return html`<figure class="offsets"><svg viewBox="0 0 ${W} ${H}" role="img" aria-label="Clock offset of ${a.agent} against time: ${words}">
      <path class="frame" d="M${LEFT} ${TOP}H${W - RIGHT}V${H - BOTTOM}H${LEFT}Z"></path>
      ${l.drawn.map((p) => svg`<circle class=${p.used ? 'used' : 'spare'} cx=${p.x.toFixed(1)} cy=${p.y.toFixed(1)} r=${p.r.toFixed(1)} opacity=${p.dark.toFixed(2)}></circle>`)}
      <path class="fit" d="M${x1.toFixed(1)} ${y1.toFixed(1)}L${x2.toFixed(1)} ${y2.toFixed(1)}"></path>
      <text x=${LEFT} y=${TOP - 6}>${millis(l.high)}</text><text x=${LEFT} y=${H - 6}>${millis(l.low)}</text>
      <text class="end" x=${W - RIGHT} y=${H - 6}>${clock(l.from)} to ${clock(nowUs)}</text></svg>
    <figcaption>${many}${l.left ? `, ${l.left} more not drawn` : ''}; pale and small: long on its way</figcaption></figure>`;
}
