// The roll: a strip of paper as from a dynamometer car, a pen for the wheel
// speed of each driver set and one for its throttle, each on its own base line.
import uPlot from '../lib/uplot-1.6.32.js';
import { html, render } from '../lib/lit-3.3.3.js';
import { state, nowUs, locomotive, markOf } from './store.js';
import { inks } from './ink.js';
import { settings } from './settings.js';
import { clock, fixed, known, DASH } from './format.js';
import { moving } from './motion.js';
import { later } from './later.js';

/** @typedef {{motor: string, letter: string, loco: string, set: string, ink: number, dash: number[]}} Named */

const DASHES = [[], [9, 4], [3, 3], [12, 3, 3, 3], [6, 3, 2, 3, 2, 3]];
const GAP_US = 1.5e6;
/** Slip and desync come with the first that is told. */
const needStrips = later(() => import('./rollstrips.js'));

/** The pens in a fixed order, with letter and dash. @returns {Named[]} */
export function pens() {
  const motors = [...state.motors.values()].sort((a, b) => (a.locomotive ?? '~').localeCompare(b.locomotive ?? '~') || a.motor.localeCompare(b.motor));
  return motors.map((m, i) => ({
    motor: m.motor,
    letter: String.fromCharCode(65 + (i % 26)),
    loco: m.locomotive ? locomotive(m.locomotive)?.name ?? m.locomotive : '',
    set: m.set ?? '',
    ink: m.locomotive ? markOf(m.locomotive).ink : 1,
    dash: DASHES[i % DASHES.length],
  }));
}

export class DynoRoll extends HTMLElement {
  /** @type {uPlot | null} */ plot = null;
  /** @type {import('./rollstrips.js').Strips | null} */ strips = null;
  /** @type {Named[]} */ named = [];
  key = '';
  legendMs = -Infinity;
  fromS = 0;
  toS = 0;

  connectedCallback() {
    this.paper = document.createElement('div');
    this.paper.className = 'roll-paper';
    this.legend = document.createElement('div');
    this.legend.className = 'roll-legend';
    this.replaceChildren(this.paper, this.legend);
    this.key = '';
    this.stop = moving(this, () => this.draw());
  }

  disconnectedCallback() {
    this.stop?.();
    this.plot?.destroy();
    this.plot = null;
    this.strips?.end();
    this.strips = null;
  }

  draw() {
    const paper = this.paper;
    if (!paper || !paper.clientWidth) return;
    this.named = pens();
    this.toS = nowUs() / 1e6;
    this.fromS = this.toS - settings.minutes * 60;
    const key = JSON.stringify([this.named, paper.clientWidth, paper.clientHeight, inks().ink]);
    if (key !== this.key) this.build(paper);
    this.key = key;
    const { times, columns } = this.series(paper.clientWidth);
    this.plot?.setData(/** @type {any} */ ([times, ...columns.map((c) => c?.speed ?? []), ...columns.map((c) => c?.duty ?? [])]));
    const shares = columns.map((c) => c?.shares ?? []);
    if (shares.some((of) => of.some((column) => column.some(known)))) this.strips ??= needStrips()?.stripsOf(this) ?? null;
    this.strips?.draw(times, shares);
    if (performance.now() - this.legendMs > 400) this.tell();
  }

  /** @param {HTMLElement} paper */
  build(paper) {
    this.plot?.destroy();
    this.plot = new uPlot(options(this, paper.clientWidth, paper.clientHeight), undefined, paper);
  }

  /** The pens' columns at instants over the paper. @param {number} width */
  series(width) {
    const n = Math.max(120, Math.min(600, Math.round(width / 2)));
    const dt = ((this.toS - this.fromS) * 1e6) / n;
    const t0 = Math.floor((this.fromS * 1e6) / dt) * dt; // whole steps, so that the pens do not tremble
    return { times: Array.from({ length: n + 1 }, (_, i) => (t0 + i * dt) / 1e6), columns: this.named.map((p) => state.pens.get(p.motor)?.series(t0, dt, n + 1, GAP_US)) };
  }

  tell() {
    this.legendMs = performance.now();
    if (this.legend) render(legend(this.named, this.strips), this.legend);
  }
}

/** @param {DynoRoll} roll @param {number} width @param {number} height @returns {any} */
function options(roll, width, height) {
  const { ink, faint, grid, rule, small, pens: colours } = inks();
  const speeds = roll.named.map((p) => ({ scale: 'mm/s', stroke: colours[p.ink - 1], width: 1.8, dash: p.dash, points: { show: false } }));
  const duties = roll.named.map((p) => ({
    scale: 'duty', stroke: colours[p.ink - 1], width: 1.1, dash: p.dash, points: { show: false }, paths: uPlot.paths.stepped?.({ align: 1 }),
  }));
  const axis = { stroke: faint, font: small, grid: { stroke: grid, width: 1 }, ticks: { stroke: rule, width: 1, size: 5 } };
  return {
    width, height, padding: [10, 34, 0, 0],
    legend: { show: false }, cursor: { show: false },
    scales: {
      x: { time: false, range: () => [roll.fromS, roll.toS] },
      'mm/s': { range: speedRange }, duty: { range: () => [-120, 3500] },
    },
    axes: [
      { ...axis, size: 30, space: 84, incrs: [1, 2, 5, 10, 20, 30, 60, 120, 300], values: (/** @type {any} */ _, /** @type {number[]} */ v) => v.map((s) => clock(s * 1e6, settings.minutes < 5)) },
      { ...axis, scale: 'mm/s', size: 56, space: 28, filter: keepOwn, grid: { ...axis.grid, filter: keepOwn }, ticks: { ...axis.ticks, filter: keepOwn } },
    ],
    series: [{}, ...speeds, ...duties],
    hooks: { draw: [(/** @type {any} */ u) => { baseLines(u, ink, faint, small); letters(u, roll.named, colours); }] },
  };
}

/** The speed pens keep the upper two thirds of the paper. @param {any} _ @param {number | null} lo @param {number | null} hi @returns {[number, number]} */
function speedRange(_, lo, hi) {
  const most = Math.max(100, hi ?? 0, -(lo ?? 0)) * 1.12;
  const step = 10 ** Math.floor(Math.log10(most));
  const top = Math.ceil((most / step) * 2) * step / 2;
  return [(lo ?? 0) < 0 ? -top : -top * 0.5, top];
}

/** Marks below the base line belong to the throttle's own strip. @param {any} u @param {number[]} splits */
function keepOwn(u, splits) {
  const both = u.scales['mm/s'].min < -0.6 * u.scales['mm/s'].max;
  return splits.map((v) => (v >= 0 || both ? v : null));
}

/** @param {any} u @param {string} ink @param {string} faint @param {string} font */
function baseLines(u, ink, faint, font) {
  const c = u.ctx;
  const ratio = uPlot.pxRatio;
  c.save();
  c.font = font.replace(/^[\d.]+px/, `${12.5 * ratio}px`);
  c.fillStyle = faint;
  c.strokeStyle = ink;
  c.lineWidth = ratio;
  c.textAlign = 'left';
  c.textBaseline = 'top';
  c.setLineDash([]);
  for (const [scale, words] of [['mm/s', 'wheel speed, mm/s'], ['duty', 'throttle, 0 to full']]) {
    const y = Math.round(u.valToPos(0, scale, true));
    c.beginPath();
    c.moveTo(u.bbox.left, y);
    c.lineTo(u.bbox.left + u.bbox.width, y);
    c.stroke();
    const top = u.valToPos(scale === 'duty' ? 1000 : u.scales['mm/s'].max, scale, true);
    c.fillText(words, u.bbox.left + 6 * ratio, top + 4 * ratio);
  }
  c.restore();
}

/** The letter of each pen at its end: capital for speed, small for throttle. @param {any} u @param {Named[]} named @param {string[]} colours */
function letters(u, named, colours) {
  const ratio = uPlot.pxRatio;
  const ends = named.flatMap((p, i) => [end(u, i + 1, 'mm/s', p.letter, p.ink), end(u, i + 1 + named.length, 'duty', p.letter.toLowerCase(), p.ink)]);
  const shown = ends.filter((e) => e !== null).sort((a, b) => a.y - b.y);
  const c = u.ctx;
  c.save();
  c.font = `bold ${13 * ratio}px ${getComputedStyle(u.root).fontFamily}`;
  c.textAlign = 'left';
  c.textBaseline = 'middle';
  let above = -Infinity;
  for (const e of shown) {
    const y = Math.max(e.y, above + 13 * ratio);
    above = y;
    c.fillStyle = colours[e.ink - 1];
    c.fillText(e.letter, u.bbox.left + u.bbox.width + 8 * ratio, y);
  }
  c.restore();
}

/** @param {any} u @param {number} series @param {string} scale @param {string} letter @param {number} ink */
function end(u, series, scale, letter, ink) {
  const column = u.data[series];
  for (let i = column.length - 1; i >= Math.max(0, column.length - 12); i--) {
    if (known(column[i])) return { y: u.valToPos(column[i], scale, true), letter, ink };
  }
  return null;
}

/** @param {Named[]} named @param {DynoRoll['strips']} strips */
function legend(named, strips) {
  return html`<ul aria-label="Pens of the roll">${named.map((p) => {
    const last = state.pens.get(p.motor)?.latest();
    const now = last && nowUs() - last.atUs < 2 * GAP_US ? last : null; // what was said long ago is no figure of now
    return html`<li><b class="ink${p.ink}">${p.letter}</b>
      <svg class="sample ink${p.ink}" viewBox="0 0 44 10" aria-hidden="true"><path d="M0 5H44" stroke-dasharray=${p.dash.join(' ') || 'none'}></path></svg>
      <span>${[p.loco, p.set].filter(Boolean).join(', ') || p.motor}</span>
      <span class="num">${fixed(now?.speed, 0)} mm/s</span>
      <span class="num faint">throttle ${known(now?.duty) ? fixed(now.duty / 10, 0) + ' %' : DASH}</span>${strips?.words(now?.shares)}</li>`;
  })}</ul>`;
}

customElements.define('dyno-roll', DynoRoll);
