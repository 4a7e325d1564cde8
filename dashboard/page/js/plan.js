// The plan of the circuit: centre line, gates, and the trains where they are
// reckoned to be. Only the marks move; the rest is drawn once a circuit.
/** @import {CircuitView} from '../../types/wire.js' */
/** @import {PlanPoint} from './reckon.js' */
import { html, svg, render, repeat } from '../lib/lit-3.3.3.js';
import { circuit, openTrials, nowUs, direction, markOf, locomotive, incidents } from './store.js';
import { pointAt, circle, place } from './reckon.js';
import { markShape } from './marks.js';
import { list } from './merge.js';
import { fixed } from './format.js';
import { moving } from './motion.js';

const EDGE = 46;

/** @typedef {{points: PlanPoint[], scale: number, atX: (x: number) => number, atY: (y: number) => number, perLap: number, w: number, h: number}} Sheet */

/**
 * Fits the plan into w by h px. perLap turns mm of the reckoned lap into mm of
 * the pieces: a measured length goes before their sum.
 * @param {CircuitView} view @param {number} w @param {number} h @returns {Sheet}
 */
export function fitPlan(view, w, h) {
  const given = list(view.plan).map((p) => ({ s: p.s, x: p.x, y: p.y }));
  const points = given.length > 1 ? given : circle(view.length_mm);
  const [xs, ys] = [points.map((p) => p.x), points.map((p) => p.y)];
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const scale = Math.min((w - 2 * EDGE) / Math.max(1, x1 - x0), (h - 2 * EDGE - 14) / Math.max(1, y1 - y0));
  const [cx, cy] = [(x0 + x1) / 2, (y0 + y1) / 2];
  return {
    points, scale, w, h,
    atX: (x) => w / 2 + (x - cx) * scale,
    atY: (y) => (h - 14) / 2 - (y - cy) * scale,
    perLap: points[points.length - 1].s / view.length_mm,
  };
}

export class CircuitPlan extends HTMLElement {
  key = '';
  /** @type {Sheet | null} */ sheet = null;

  connectedCallback() {
    this.key = '';
    this.stop = moving(this, () => this.draw());
  }

  disconnectedCallback() {
    this.stop?.();
  }

  draw() {
    const view = circuit();
    const { clientWidth: w, clientHeight: h } = this;
    if (!view || !(view.length_mm > 0) || !w || !h) return;
    const trains = openTrials();
    const key = JSON.stringify([w, h, view.circuit, view.gates, trains.map((r) => r.trial)]);
    if (key !== this.key) {
      this.key = key;
      this.sheet = fitPlan(view, w, h);
      render(drawing(view, this.sheet, trains), this);
    }
    this.move(view, trains);
  }

  /** @param {CircuitView} view @param {import('./store.js').Running[]} trains */
  move(view, trains) {
    const marks = this.querySelectorAll('.train');
    trains.forEach((r, i) => {
      const at = place(r.passages, list(view.gates), view.length_mm, direction(r.trial), nowUs(), incidents(r));
      const g = /** @type {SVGGElement | undefined} */ (marks[i]);
      if (!g || !this.sheet) return;
      g.classList.toggle('unseen', !at);
      g.classList.toggle('held', Boolean(at?.held));
      if (!at) return;
      const p = pointAt(this.sheet.points, at.mm * this.sheet.perLap);
      g.style.transform = `translate(${this.sheet.atX(p.x).toFixed(1)}px, ${this.sheet.atY(p.y).toFixed(1)}px)`;
    });
  }
}

/** @param {CircuitView} view @param {Sheet} sheet @param {import('./store.js').Running[]} trains */
function drawing(view, sheet, trains) {
  const d = sheet.points.map((p, i) => `${i ? 'L' : 'M'}${sheet.atX(p.x).toFixed(1)} ${sheet.atY(p.y).toFixed(1)}`).join('');
  const names = trains.map((r) => locomotive(r.trial.locomotive)?.name ?? r.trial.locomotive).join(', ');
  const words = `Plan of the circuit ${view.circuit.name || view.circuit.id}, ${list(view.gates).length} gates; on it: ${names || 'no train'}`;
  return html`<svg class="plan" viewBox="0 0 ${sheet.w} ${sheet.h}" role="img" aria-label=${words}>
    <path class="bed" d=${d}></path><path class="rails" d=${d}></path><path class="between" d=${d}></path>
    ${list(view.gates).map((g) => gate(sheet, g))}
    ${arrow(sheet)}${bar(sheet, list(view.plan).length > 1)}
    ${repeat(trains, (r) => r.trial.id, (r) => svg`<g class="train unseen"><circle class="halo" r="13"></circle>${markShape(markOf(r.trial.locomotive))}</g>`)}
  </svg>`;
}

/** A tick across the track, its name outside. @param {Sheet} sheet @param {import('../../types/wire.js').Gate} g */
function gate(sheet, g) {
  const p = pointAt(sheet.points, g.position_mm * sheet.perLap);
  const [x, y] = [sheet.atX(p.x), sheet.atY(p.y)];
  const long = Math.hypot(p.dx, p.dy) || 1;
  let [nx, ny] = [-p.dy / long, -p.dx / long];
  if (nx * (x - sheet.w / 2) + ny * (y - (sheet.h - 14) / 2) < 0) [nx, ny] = [-nx, -ny];
  const anchor = nx > 0.4 ? 'start' : nx < -0.4 ? 'end' : 'middle';
  return svg`<path class=${g.timing ? 'gate timing' : 'gate'} d="M${x - 11 * nx} ${y - 11 * ny}L${x + 11 * nx} ${y + 11 * ny}"></path>
    <text class=${g.timing ? 'gate-name timing' : 'gate-name'} x=${x + 20 * nx} y=${y + 20 * ny + 5} text-anchor=${anchor}>${g.id}</text>`;
}

/** Which way is forward, drawn inside the track a little after its beginning. @param {Sheet} sheet */
function arrow(sheet) {
  const p = pointAt(sheet.points, sheet.points[sheet.points.length - 1].s * 0.06);
  const turn = (Math.atan2(-p.dy, p.dx) * 180) / Math.PI;
  const side = sheet.atY(p.y) > sheet.h / 2 === Math.cos((turn * Math.PI) / 180) > 0 ? -20 : 20;
  return svg`<g class="forward" transform="translate(${sheet.atX(p.x)} ${sheet.atY(p.y)}) rotate(${turn}) translate(0 ${side})">
    <path d="M-16 0H14M8-4L15 0L8 4"></path></g>`;
}

/** @param {Sheet} sheet @param {boolean} toScale */
function bar(sheet, toScale) {
  if (!toScale) return '';
  const most = (sheet.w * 0.3) / sheet.scale;
  const mm = [5000, 2000, 1000, 500, 200, 100, 50, 20].find((m) => m <= most) ?? 10;
  const [x, y] = [12, sheet.h - 10];
  return svg`<g class="scale-bar"><path d="M${x} ${y - 4}V${y}H${x + mm * sheet.scale}V${y - 4}"></path>
    <text x=${x + mm * sheet.scale + 8} y=${y + 1}>${mm >= 1000 ? fixed(mm / 1000, 0) + ' m' : mm + ' mm'}</text></g>`;
}

customElements.define('circuit-plan', CircuitPlan);
