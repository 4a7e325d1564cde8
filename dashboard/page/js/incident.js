// What happened to trains, in words, in a list and on the train graph: a bar as
// long as it lasted, and a ticket with its kind told by shape and word.
/** @import {Incident} from '../../types/wire.js' */
/** @import {Running} from './store.js' */
/** @import {Frame, TrainGraph} from './graph.js' */
import { html, svg, render, repeat, nothing } from '../lib/lit-3.3.3.js';
import { state, circuit, incidents, markOf, nameOf } from './store.js';
import { list } from './merge.js';
import { clock, fixed, known, span, time } from './format.js';
import { settings } from './settings.js';
import { inks } from './ink.js';
import { xOf, yOf } from './graph.js';
import { Tip } from './tip.js';
import { showLap } from './lap.js';

/** Shapes from -8 to 8; none is a locomotive's mark. @type {Record<string, string>} */
const SHAPES = {
  stall: 'M-6-7V7M6-7V7M-6 0H6',
  reversal: 'M-6 7V-1A5 5 0 0 1 5-1V6M1 2L5 6L9 2',
  derailment: 'M-7-7L7 7M-7 7L7-7',
  'lift-off': 'M-7 7H7M0 7V-7M-5-2L0-7L5-2',
};
const OTHER = 'M-1-7H1V2H-1ZM-1 6H1';

/** @param {string} kind */
function shape(kind) {
  return html`<svg class="shape" viewBox="-9 -9 18 18" aria-hidden="true">${svg`<path d=${SHAPES[kind] ?? OTHER}></path>`}</svg>`;
}

/** Where along the lap. @param {Incident} i */
function where(i) {
  const gates = i.from_gate && i.to_gate ? (i.from_gate === i.to_gate ? `at ${i.from_gate}` : `between ${i.from_gate} and ${i.to_gate}`) : i.from_gate ? `beyond ${i.from_gate}` : '';
  const u = settings.beside && known(i.position_u_mm) ? ` ± ${fixed((1.96 * i.position_u_mm) / 1000, 2)}` : '';
  const at = known(i.position_mm) ? `at ${fixed(i.position_mm / 1000, 2)}${u} m` : '';
  return [at, gates].filter(Boolean).join(', ') || 'place not known';
}

/** @param {Running} r @param {Incident} i */
function lasted(r, i) {
  return i.until_us ? span(i.until_us - i.at_us) : r.trial.to_us ? 'not over when the trial closed' : 'not over';
}

/** When it ended, or ends on a graph up to toUs. @param {Running} r @param {Incident} i @param {number} toUs */
function endOf(r, i, toUs) {
  return i.until_us || Math.max(i.at_us, r.trial.to_us || toUs);
}

/** Time since the session was opened. @param {number} us */
function sessionTime(us) {
  const opened = state.view?.session?.opened_us;
  const t = opened && us >= opened ? time((us - opened) / 1e6, 0) : '';
  return t && !t.includes(':') ? `${t} s` : t;
}

/** The incidents of a trial, newest first. @param {Running} r @param {number} most */
export function incidentList(r, most) {
  const all = incidents(r).toReversed();
  return html`<details class="incidents" open><summary>Incidents (${all.length})</summary><ul>${all.slice(0, most).map((i) => html`<li>${shape(i.kind)}
    <span><b>${i.kind}</b> <span class="num">${clock(i.at_us)}</span>${sessionTime(i.at_us) ? html`, <span class="num">${sessionTime(i.at_us)}</span> into the session` : nothing}; ${lasted(r, i)}; ${where(i)}${i.text ? html`<small>${i.text}</small>` : nothing}</span></li>`)}</ul>
    ${all.length > most ? html`<button @click=${() => showLap(r.trial.id, 0)}>All incidents of this trial</button>` : nothing}</details>`;
}

/** @typedef {{key: string, r: Running, i: Incident, mm: number}} Placed */

/** Where it is drawn: what lies nowhere known is drawn at the gate before it. @param {Incident} i */
function placeOf(i) {
  return i.position_mm ?? list(circuit()?.gates).find((g) => g.id === i.from_gate)?.position_mm ?? 0;
}

/** @param {Placed} p */
function words({ r, i }) {
  return `${nameOf(r.trial.id)}: ${i.kind}, ${clock(i.at_us)}, ${lasted(r, i)}, ${where(i)}${i.text ? `; ${i.text}` : ''}`;
}

/** Lays the incidents over the graph as it has just been drawn. @param {TrainGraph} graph @param {Frame} f */
export function lay(graph, f) {
  const all = graph.shown.flatMap((r) => incidents(r).map((i) => ({ key: `${r.trial.id} ${i.kind} ${i.at_us}`, r, i, mm: placeOf(i) })));
  const seen = all.filter(({ r, i }) => endOf(r, i, f.toUs) >= f.fromUs && i.at_us <= f.toUs).sort((a, b) => a.i.at_us - b.i.at_us);
  for (const p of seen) bar(f, p);
  if (!graph.layer) return;
  render(repeat(seen, (p) => p.key, (p) => ticket(graph, p)), graph.layer);
  put(f, graph.layer, seen);
}

/** @param {TrainGraph} graph @param {Placed} p */
function ticket(graph, p) {
  const show = (/** @type {Event} */ e) => {
    const b = /** @type {HTMLElement} */ (e.currentTarget);
    (graph.tip ??= new Tip(graph)).say(words(p), () => (b.isConnected ? [Number(b.dataset.x), Number(b.dataset.y)] : null), e.type === 'click');
  };
  const leave = () => graph.tip?.leave();
  return html`<button class="ticket" aria-label=${words(p)} @pointerenter=${show} @focus=${show} @click=${show} @pointerleave=${leave} @blur=${leave}><span>${shape(p.i.kind)}${p.i.kind}</span></button>`;
}

/** The tickets above their bars; where two would lie on each other, the later goes higher. @param {Frame} f @param {HTMLElement} layer @param {Placed[]} seen */
function put(f, layer, seen) {
  /** @type {{x: number, y: number, w: number}[]} */ const lying = [];
  const buttons = [...layer.querySelectorAll('button')];
  const widths = buttons.map((b) => b.offsetWidth);
  buttons.forEach((b, n) => {
    const { i, mm } = seen[n];
    const w = widths[n];
    const x = Math.min(f.x1 - w, Math.max(f.x0, xOf(f, i.at_us) - 14));
    let y = yOf(f, mm) - 40;
    while (lying.some((o) => Math.abs(o.y - y) < 26 && x < o.x + o.w && o.x < x + w)) y -= 26;
    if (y < -18) y = yOf(f, mm) - 4;
    lying.push({ x, y, w });
    b.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
    b.dataset.x = String(x + w / 2);
    b.dataset.y = String(y + 22);
  });
}

/** As long as it lasted, and as high as its place is doubtful. @param {Frame} f @param {Placed} p */
function bar(f, { r, i, mm }) {
  const { c } = f;
  const [xa, xb, y] = [Math.max(f.x0, xOf(f, i.at_us)), Math.min(f.x1, xOf(f, endOf(r, i, f.toUs))), yOf(f, mm)];
  const up = ((1.96 * (i.position_u_mm ?? 0)) / f.length) * (f.y0 - f.y1);
  c.save();
  c.strokeStyle = c.fillStyle = inks().pens[markOf(r.trial.locomotive).ink - 1];
  c.globalAlpha = 0.16;
  c.fillRect(xa, Math.max(f.y1, y - up), xb - xa, Math.min(f.y0, y + up) - Math.max(f.y1, y - up));
  c.globalAlpha = 1;
  c.lineWidth = 1.4;
  c.setLineDash([]);
  c.beginPath();
  for (const dy of [-2.5, 2.5]) {
    c.moveTo(xa, y + dy);
    c.lineTo(xb, y + dy);
  }
  for (const x of i.until_us ? [xa, xb] : [xa]) {
    c.moveTo(x, y - 7);
    c.lineTo(x, y + 7);
  }
  c.stroke();
  c.restore();
}
