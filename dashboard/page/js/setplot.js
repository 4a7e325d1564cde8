// Points with their intervals against something: an engineer's plot on squared
// paper. Marks tell the points apart by shape and pattern; a table of the same
// figures stands with each plot.
/** @import {Mark} from './marks.js' */
import { html, nothing, svg } from '../lib/lit-3.3.3.js';
import { fixed, known } from './format.js';
import { mark, markShape } from './marks.js';
import { ticks, decimalsOf } from './season.js';

/** @typedef {{x: number, e: {value: number | null, lo?: number | null, hi?: number | null}, words: string}} Point */
/** @typedef {{of: string, mark: Mark, points: Point[]}} Series of: a set, or a pair of them; of several trials each has a series */
/** @typedef {{title: string, y: string, x: string, series: Series[], places?: string[], k?: number}} Plot k: by which y is written larger */

const WIDE = 430, HIGH = 270, LEFT = 54, RIGHT = 12, TOP = 14, BOTTOM = 46;
const PATTERNS = 4, SHAPES = 8;

/** The mark of a set (or pair) of a trial: shapes tell sets, patterns trials. @param {number} set @param {number} sets how many there are @param {number} trial */
export function markOfSet(set, sets, trial) {
  const shape = (set + sets * Math.floor(trial / PATTERNS)) % SHAPES;
  return mark(shape + SHAPES * ((trial - shape + 2 * SHAPES) % PATTERNS), trial);
}

/** Values of a circumstance closer together than this part of the largest are one. */
const ONE = 0.02;

/** Is there anything to plot: one set at more than one place along? @param {{series: Series[], places?: string[]}} p */
export function varied(p) {
  return p.series.some((one) => {
    const xs = p.series.filter((s) => s.of === one.of).flatMap((s) => s.points.filter((q) => known(q.e.value)).map((q) => q.x));
    const [lo, hi] = [Math.min(...xs), Math.max(...xs)];
    return xs.length > 1 && (p.places ? hi > lo : hi - lo > ONE * Math.abs(hi));
  });
}

/** Points that vary along. @param {Plot} p */
export function plot(p) {
  const k = p.k ?? 1;
  const series = p.series.map((s) => ({ ...s, points: s.points.filter((q) => known(q.e.value)) })).filter((s) => s.points.length);
  const frame = framed(series, p, k);
  const said = series.flatMap((s) => s.points.map((q) => q.words));
  return html`<figure class="plot set-plot"><figcaption><b>${p.title}</b></figcaption>
    <svg viewBox="0 0 ${WIDE} ${HIGH}" role="img" aria-label="${p.title}. ${said.slice(0, 24).join('; ')}${said.length > 24 ? `; and ${said.length - 24} more, in the table` : ''}">
      ${axes(p, frame)}${spread(series, frame).map((at) => point(at.q, at.mark, at.x, frame.y, k))}</svg></figure>`;
}

const APART = 8;

/** Where each point stands, px: those that would cover each other stand side by side about their middle. @param {Series[]} series @param {Frame} f */
function spread(series, f) {
  const all = series.flatMap((s) => s.points.map((q) => ({ q, mark: s.mark, x: f.x(q.x) }))).sort((a, b) => a.x - b.x);
  for (let i = 0; i < all.length; ) {
    let end = i + 1;
    while (end < all.length && all[end].x - all[end - 1].x < APART) end++;
    const near = all.slice(i, end);
    const middle = near.reduce((sum, p) => sum + p.x, 0) / near.length;
    const apart = Math.min(APART, 76 / near.length);
    near.forEach((p, k) => { p.x = middle + (k - (near.length - 1) / 2) * apart; });
    i = end;
  }
  return all;
}

/** @typedef {{x: (v: number) => number, y: (v: number) => number, xs: number[], ys: number[]}} Frame */

/** @param {Series[]} series @param {Plot} p @param {number} k @returns {Frame} */
function framed(series, p, k) {
  const points = series.flatMap((s) => s.points);
  const ends = points.flatMap((q) => [q.e.value, q.e.lo, q.e.hi]).filter(known).map((v) => v * k);
  const [y0, y1] = room(Math.min(0, ...ends), Math.max(0, ...ends), 0.01 * k);
  const [x0, x1] = p.places ? [-0.5, p.places.length - 0.5] : room(Math.min(...points.map((q) => q.x)), Math.max(...points.map((q) => q.x)), 1);
  return {
    x: (v) => LEFT + ((v - x0) / (x1 - x0)) * (WIDE - LEFT - RIGHT), y: (v) => TOP + ((y1 - v) / (y1 - y0)) * (HIGH - TOP - BOTTOM),
    xs: p.places ? p.places.map((_, i) => i) : ticks(x0, x1), ys: ticks(y0, y1, 6),
  };
}

/** A range with room at both ends, never empty. @param {number} lo @param {number} hi @param {number} least @returns {[number, number]} */
function room(lo, hi, least) {
  const more = Math.max(0.12 * (hi - lo), least / 2);
  return [lo - more, hi + more];
}

/** @param {Plot} p @param {Frame} f */
function axes(p, f) {
  const [dx, d] = [decimalsOf(f.xs), decimalsOf(f.ys)];
  const foot = HIGH - BOTTOM;
  return svg`${f.ys.map((v) => svg`<path class="grid" d="M${LEFT} ${f.y(v)}H${WIDE - RIGHT}"></path><text class="end" x=${LEFT - 6} y=${f.y(v) + 5}>${fixed(v, d)}</text>`)}
    ${f.xs.map((v) => svg`<path class="grid" d="M${f.x(v)} ${TOP}V${foot}"></path><text class="middle" x=${f.x(v)} y=${foot + 18}>${p.places?.[v] ?? fixed(v, dx)}</text>`)}
    <path class="zero" d="M${LEFT} ${f.y(0)}H${WIDE - RIGHT}"></path><path class="frame" d="M${LEFT} ${TOP}V${foot}H${WIDE - RIGHT}"></path>
    <text class="middle axis" x=${(LEFT + WIDE - RIGHT) / 2} y=${HIGH - 6}>${p.x}</text><text class="axis" x=${LEFT + 7} y=${TOP + 10}>${p.y}</text>`;
}

/** @param {Point} q @param {Mark} m @param {number} x @param {(v: number) => number} y @param {number} k */
function point(q, m, x, y, k) {
  const { value, lo, hi } = q.e;
  const bar = known(lo) && known(hi) ? svg`<path class="bar" d="M${x} ${y(lo * k)}V${y(hi * k)}M${x - 4} ${y(lo * k)}h8M${x - 4} ${y(hi * k)}h8"></path>` : nothing;
  return svg`<g class="ink${m.ink}">${bar}<g transform="translate(${x} ${y((value ?? 0) * k)}) scale(0.52)">${markShape(m)}</g><title>${q.words}</title></g>`;
}
