// The train graph: time across, distance along the lap up, gates as rules, a
// line for each train. Now is the right edge. Incidents and what is said of
// passages come in modules of their own, when they are first needed.
/** @import {Running} from './store.js' */
/** @import {CircuitView} from '../../types/wire.js' */
/** @import {Stroke} from './reckon.js' */
import { state, circuit, nowUs, markOf, direction, locomotive, incidents } from './store.js';
import { strokes, place, run } from './reckon.js';
import { drawMark } from './marks.js';
import { inks, fit } from './ink.js';
import { settings } from './settings.js';
import { list } from './merge.js';
import { clock, fixed } from './format.js';
import { moving } from './motion.js';
import { later } from './later.js';
import { needIncidents } from './board.js';

const needTip = later(() => import('./tip.js'));

/** @typedef {{c: CanvasRenderingContext2D, x0: number, x1: number, y0: number, y1: number, fromUs: number, toUs: number, length: number}} Frame */

const TOP = 16;
const BOTTOM = 26;
const NOW = 20;

/** Heavy and fine steps of the time rule, s, by window in minutes. */
const STEPS = new Map([[1, [10, 2]], [2, [20, 4]], [5, [60, 10]], [15, [120, 30]]]);

export class TrainGraph extends HTMLElement {
  words = '';
  /** @type {Frame | null} as last drawn */ frame = null;
  /** @type {Running[]} as last drawn */ shown = [];
  /** @type {import('./tip.js').Tip | null} */ tip = null;
  /** @type {import('./tip.js').Asked | null} what asked for a remark first */ asked = null;

  connectedCallback() {
    this.canvas = document.createElement('canvas');
    this.canvas.setAttribute('role', 'img');
    this.layer = document.createElement('div');
    this.replaceChildren(this.canvas, this.layer);
    this.tabIndex = 0;
    this.setAttribute('role', 'group');
    this.setAttribute('aria-label', 'Train graph: arrow keys go from passage to passage');
    for (const first of ['pointermove', 'pointerdown', 'focus']) this.addEventListener(first, (event) => { this.asked ??= { event, frame: this.frame, box: this.getBoundingClientRect() }; });
    this.stop = moving(this, () => this.draw());
  }

  disconnectedCallback() {
    this.stop?.();
    this.tip?.end.abort();
    this.tip = this.asked = null;
  }

  draw() {
    const view = circuit();
    const { clientWidth: w, clientHeight: h, canvas } = this;
    if (!canvas || !w || !h) return;
    const c = fit(canvas, w, h);
    c.fillStyle = inks().paper;
    c.fillRect(0, 0, w, h);
    if (!view || !(view.length_mm > 0)) return;
    const toUs = nowUs();
    const f = { c, x0: margin(c, view), x1: w - NOW, y0: h - BOTTOM, y1: TOP, toUs, fromUs: toUs - settings.minutes * 60e6, length: view.length_mm };
    drawTime(f);
    drawGates(f, view);
    const shown = [...state.trials.values()].filter((r) => !r.trial.to_us || r.trial.to_us > f.fromUs);
    for (const r of shown) drawTrain(f, view, r);
    [this.frame, this.shown] = [f, shown];
    if (shown.some((r) => incidents(r).length) || this.layer?.firstChild) needIncidents()?.lay(this, f);
    const tips = this.asked ? needTip() : null;
    if (tips) this.tip ??= new tips.Tip(this, this.asked);
    this.tip?.follow();
    this.describe(shown, view);
  }

  /** The same in words, for who cannot see it. @param {Running[]} shown @param {CircuitView} view */
  describe(shown, view) {
    const trains = shown.filter((r) => r.passages.length).map((r) => {
      const last = r.passages[r.passages.length - 1];
      return `${locomotive(r.trial.locomotive)?.name ?? r.trial.locomotive} last passed ${last.gate}${last.reverse ? ', running back,' : ''} at ${clock(last.at_us)}`;
    });
    const words = `Train graph, the last ${settings.minutes} minutes, ${list(view.gates).length} gates. ${trains.join('; ') || 'No passages yet'}.`;
    if (words === this.words) return;
    this.words = words;
    this.canvas?.setAttribute('aria-label', words);
  }
}

/** @param {number} mm */
const metres = (mm) => `${fixed(mm / 1000, 2)} m`;

/** Room for the names of the gates and the lap's length. @param {CanvasRenderingContext2D} c @param {CircuitView} view */
function margin(c, view) {
  c.font = inks().font;
  const widest = Math.max(...[metres(view.length_mm), ...list(view.gates).map((g) => g.id)].map((s) => c.measureText(s).width));
  return Math.min(120, Math.max(48, widest + 16));
}

/** @param {Frame} f @param {number} us */
export function xOf(f, us) {
  return f.x0 + ((us - f.fromUs) / (f.toUs - f.fromUs)) * (f.x1 - f.x0);
}

/** @param {Frame} f @param {number} mm */
export function yOf(f, mm) {
  return f.y0 + (mm / f.length) * (f.y1 - f.y0);
}

/** @param {Frame} f */
function drawTime(f) {
  const [heavy, fine] = (STEPS.get(settings.minutes) ?? [60, 10]).map((s) => s * 1e6);
  const { c } = f;
  for (let t = Math.ceil(f.fromUs / fine) * fine; t <= f.toUs; t += fine) {
    const strong = t % heavy === 0;
    line(f, xOf(f, t), f.y0, xOf(f, t), f.y1, strong ? inks().gridStrong : inks().grid, 1);
  }
  for (let i = 0; i <= 10; i++) line(f, f.x0, yOf(f, (f.length * i) / 10), f.x1, yOf(f, (f.length * i) / 10), inks().grid, 1);
  c.font = inks().small;
  c.fillStyle = inks().faint;
  c.textAlign = 'center';
  c.textBaseline = 'top';
  const every = heavy * Math.ceil(74 / ((heavy / (f.toUs - f.fromUs)) * (f.x1 - f.x0)));
  for (let t = Math.ceil(f.fromUs / every) * every; t <= f.toUs; t += every) {
    const x = xOf(f, t);
    if (x > f.x0 + 26 && x < f.x1 - 40) c.fillText(clock(t, settings.minutes < 5), x, f.y0 + 7);
  }
  c.textAlign = 'right';
  c.fillStyle = inks().ink;
  c.fillText(state.view?.replay ? 'then' : 'now', f.x1 + 10, f.y0 + 7);
}

/** @param {Frame} f @param {CircuitView} view */
function drawGates(f, view) {
  const { c } = f;
  line(f, f.x0, f.y0, f.x0, f.y1, inks().rule, 1);
  line(f, f.x1, f.y0, f.x1, f.y1, inks().ink, 1);
  line(f, f.x0, f.y0, f.x1, f.y0, inks().rule, 1);
  line(f, f.x0, f.y1, f.x1, f.y1, inks().rule, 1);
  c.textAlign = 'right';
  c.textBaseline = 'middle';
  let lowest = Infinity;
  for (const g of list(view.gates).toSorted((a, b) => a.position_mm - b.position_mm)) {
    const y = yOf(f, g.position_mm);
    line(f, f.x0 - 5, y, f.x1, y, inks().ink, g.timing ? 1.6 : 0.8);
    if (g.timing) line(f, f.x0 - 5, y - 3.5, f.x1, y - 3.5, inks().ink, 0.6);
    if (lowest - y < 13) continue;
    lowest = y;
    c.font = g.timing ? `bold ${inks().font}` : inks().font;
    c.fillStyle = inks().ink;
    c.fillText(g.id, f.x0 - 9, y);
  }
  c.font = inks().small;
  c.fillStyle = inks().faint;
  if (lowest - f.y1 > 14) c.fillText(metres(f.length), f.x0 - 9, f.y1 + 2);
}

/** @param {Frame} f @param {number} xa @param {number} ya @param {number} xb @param {number} yb @param {string} ink @param {number} width */
function line({ c }, xa, ya, xb, yb, ink, width) {
  c.strokeStyle = ink;
  c.lineWidth = width;
  c.setLineDash([]);
  c.beginPath();
  c.moveTo(xa, ya);
  c.lineTo(xb, yb);
  c.stroke();
}

/** @param {Frame} f @param {CircuitView} view @param {Running} r */
function drawTrain(f, view, r) {
  const m = markOf(r.trial.locomotive);
  const ink = inks().pens[m.ink - 1];
  const dir = direction(r.trial);
  const { c } = f;
  c.save();
  c.beginPath();
  c.rect(f.x0, f.y1 - 8, f.x1 - f.x0 + NOW, f.y0 - f.y1 + 16);
  c.clip();
  c.strokeStyle = ink;
  c.lineWidth = 2;
  c.lineJoin = 'round';
  const from = Math.max(0, r.passages.findIndex((p) => p.at_us >= f.fromUs) - 1);
  const seen = strokes(r.passages.slice(from), f.length, dir, incidents(r));
  for (const final of [true, false]) {
    c.lineWidth = final ? 2 : 1.2; // what may still change is lighter
    const of = seen.filter((s) => s.final === final);
    path(f, of.filter((s) => !s.inferred), []);
    path(f, of.filter((s) => s.inferred), [7, 5]);
  }
  const now = r.trial.to_us ? null : place(r.passages, list(view.gates), f.length, dir, f.toUs, incidents(r));
  if (now) drawReckoned(f, r, now);
  drawPassages(f, r, ink, from);
  drawNames(f, view, r, m, ink, from);
  if (now) drawMark(c, m, f.x1 + 6, yOf(f, now.mm), 6.5, ink, inks().paper);
  else drawEnd(f, r, m, ink);
  c.restore();
}

/**
 * From the last passage to the reckoned place: an estimate, so dotted.
 * @param {Frame} f @param {Running} r @param {import('./reckon.js').Place} now
 */
function drawReckoned(f, r, now) {
  const last = r.passages[r.passages.length - 1];
  const there = last.at_us + (now.speed ? (now.ranMm / now.speed) * 1e6 : 0);
  /** @type {Stroke[]} */ const out = [];
  run(out, last.at_us, there, last.position_mm, now.ranMm, f.length, now.dir, false);
  if (there < f.toUs) out.push({ t0: there, s0: now.mm, t1: f.toUs, s1: now.mm, inferred: false });
  path(f, out, [1.5, 4]);
}

/** A small tick at every passage; an open one where it may still change. @param {Frame} f @param {Running} r @param {string} ink @param {number} from */
function drawPassages(f, r, ink, from) {
  const { c } = f;
  c.setLineDash([]);
  for (let i = from; i < r.passages.length; i++) {
    const p = r.passages[i];
    const [x, y] = [xOf(f, p.at_us), yOf(f, p.position_mm)];
    c.beginPath();
    c.arc(x, y, 2.4, 0, 7);
    c.fillStyle = p.final && p.source !== 'inferred' ? ink : inks().paper;
    c.fill();
    c.lineWidth = 1.2;
    c.stroke();
  }
}

/**
 * The train's mark on its line, at the timing gate, as often as there is room.
 * @param {Frame} f @param {CircuitView} view @param {Running} r @param {import('./marks.js').Mark} m @param {string} ink @param {number} from
 */
function drawNames(f, view, r, m, ink, from) {
  const timing = list(view.gates).find((g) => g.timing)?.id;
  let free = f.x0 + 8;
  for (const p of r.passages.slice(from)) {
    const x = xOf(f, p.at_us);
    if (p.gate !== timing || x < free || x > f.x1 - 16) continue;
    free = x + 34;
    drawMark(f.c, m, x, yOf(f, p.position_mm), 5.5, ink, inks().paper);
  }
}

/** A closed trial keeps its mark at its last passage. @param {Frame} f @param {Running} r @param {import('./marks.js').Mark} m @param {string} ink */
function drawEnd(f, r, m, ink) {
  const last = r.passages[r.passages.length - 1];
  if (last && last.at_us > f.fromUs) drawMark(f.c, m, xOf(f, last.at_us), yOf(f, last.position_mm), 6.5, ink, inks().paper);
}

/** @param {Frame} f @param {Stroke[]} of @param {number[]} dash */
function path(f, of, dash) {
  const { c } = f;
  c.setLineDash(dash);
  c.beginPath();
  for (const s of of) {
    c.moveTo(xOf(f, s.t0), yOf(f, s.s0));
    c.lineTo(xOf(f, s.t1), yOf(f, s.s1));
  }
  c.stroke();
}

customElements.define('train-graph', TrainGraph);
