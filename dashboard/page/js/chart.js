// A plot on ruled paper: lines, bands of their intervals, and measured points with
// bars, on axes with units. Series are told apart by mark and dash, not by ink alone.
import { html, nothing, svg } from '../lib/lit-3.3.3.js';
import { decimalsOf, ticks, widened } from './season.js';
import { fixed, known } from './format.js';
import { again } from './again.js';

/** A phone: plots are drawn for its width. */
export const narrow = matchMedia('(max-width: 700px)');
narrow.addEventListener('change', again);

/** @typedef {'up' | 'down' | 'dot' | 'hollow' | 'square' | 'cross'} Sign */
/** @typedef {import('./format.js').Maybe} Maybe */
/** @typedef {{x: number, y: Maybe, lo?: Maybe, hi?: Maybe, title?: string, href?: string}} Point */
/**
 * @typedef {object} Layer
 * @property {'band' | 'line' | 'points' | 'rule'} kind a rule is a line across at y of its first point
 * @property {Point[]} points a band lies between lo and hi
 * @property {number} [ink] 1 to 6
 * @property {number} [dash] 0 is unbroken
 * @property {Sign} [sign] of points
 * @property {string} [name] in the key
 */
/**
 * @typedef {object} Plot
 * @property {string} title
 * @property {string} x axis, with its unit
 * @property {string} y axis, with its unit
 * @property {Layer[]} layers
 * @property {boolean} [zero] the y axis begins at nought
 * @property {boolean} [flat] half as high
 * @property {[number, number]} [over] the x axis, when it is not that of the points
 * @property {string} [id]
 */

const DASHES = ['', '7 4', '2 4', '10 3 2 3', '4 2 1 2 1 2', '12 5'];
const TOP = 26, BOTTOM = 42, LEFT = 56, RIGHT = 14;

/** @param {Plot} p */
export function chart(p) {
  const [x0, x1] = p.over ?? reach(p.layers.filter((l) => l.kind !== 'rule').flatMap((l) => l.points.map((q) => q.x)), false);
  const [y0, y1] = reach(p.layers.flatMap((l) => l.points.flatMap((q) => [q.y, q.lo, q.hi])).filter(known), p.zero);
  if (!known(x0) || !known(y0)) return nothing;
  const [wide, high] = narrow.matches ? [360, p.flat ? 150 : 250] : [640, p.flat ? 160 : 300];
  const x = (/** @type {number} */ v) => Number((LEFT + ((v - x0) / (x1 - x0)) * (wide - LEFT - RIGHT)).toFixed(1));
  const y = (/** @type {number} */ v) => Number((TOP + ((y1 - v) / (y1 - y0)) * (high - TOP - BOTTOM)).toFixed(1));
  const [xs, ys] = [ticks(x0, x1, narrow.matches ? 5 : 7), ticks(y0, y1, p.flat ? 4 : 5)];
  return html`<figure class="plot curve-plot" data-plot=${p.id ?? nothing}><svg viewBox="0 0 ${wide} ${high}" role=${p.layers.some((l) => l.points.some((q) => q.href)) ? 'group' : 'img'} aria-label=${`${p.title}: ${p.y} against ${p.x}; the figures are in the table`}>
    ${ys.map((v) => svg`<path class="grid" d="M${LEFT} ${y(v)}H${wide - RIGHT}"></path><text class="end" x=${LEFT - 6} y=${y(v) + 4}>${fixed(v, decimalsOf(ys))}</text>`)}
    ${xs.map((v) => svg`<path class="grid" d="M${x(v)} ${TOP}V${high - BOTTOM}"></path><text class="middle" x=${x(v)} y=${high - BOTTOM + 16}>${fixed(v, decimalsOf(xs))}</text>`)}
    <path class="frame" d="M${LEFT} ${TOP}V${high - BOTTOM}H${wide - RIGHT}"></path>
    <text x=${2} y="14">${p.y}</text><text class="end" x=${wide - RIGHT} y=${high - 6}>${p.x}</text>
    ${p.layers.map((l) => DRAWN[l.kind](l, x, y, [x0, x1]))}</svg>
    <figcaption><b>${p.title}</b>${p.layers.some((l) => l.name) ? html`<ul class="plot-key">${p.layers.filter((l) => l.name).map((l) => html`<li>${sample(l)}${l.name}</li>`)}</ul>` : nothing}</figcaption></figure>`;
}

/** @param {number[]} all @param {boolean} [zero] @returns {[number, number]} */
function reach(all, zero) {
  const [lo, hi] = [Math.min(...all), Math.max(...all)];
  if (!all.length) return [NaN, NaN];
  const [a, b] = widened(lo, hi, 1e-3 * Math.max(Math.abs(lo), Math.abs(hi)) || 1e-3);
  return zero && lo >= 0 ? [0, b] : [a, b];
}

/** @typedef {(v: number) => number} Scale */
/** @type {Record<Layer['kind'], (l: Layer, x: Scale, y: Scale, over: [number, number]) => unknown>} */
const DRAWN = {
  band: (l, x, y) => runs(l.points, (q) => known(q.lo) && known(q.hi)).map((r) => svg`<path class="band ${ink(l)}" d=${`M${r.map((q) => `${x(q.x)} ${y(q.hi ?? 0)}`).join('L')}L${r.toReversed().map((q) => `${x(q.x)} ${y(q.lo ?? 0)}`).join('L')}Z`}></path>`),
  line: (l, x, y) => runs(l.points, (q) => known(q.y)).map((r) => svg`<path class="thread ${ink(l)}" stroke-dasharray=${DASHES[(l.dash ?? 0) % DASHES.length] || nothing} d=${`M${r.map((q) => `${x(q.x)} ${y(q.y ?? 0)}`).join('L')}`}></path>`),
  rule: (l, x, y, [a, b]) => l.points.map((q) => svg`<path class="thread ${ink(l)}" stroke-dasharray=${DASHES[l.dash ?? 0] || nothing} d="M${x(a)} ${y(q.y ?? 0)}H${x(b)}"></path>`),
  points: (l, x, y) => l.points.filter((q) => known(q.y)).map((q) => {
    const bar = known(q.lo) && known(q.hi) ? svg`<path class="bar" d="M${x(q.x)} ${y(q.lo)}V${y(q.hi)}M${x(q.x) - 4} ${y(q.lo)}h8M${x(q.x) - 4} ${y(q.hi)}h8"></path>` : nothing;
    const mark = svg`<g class="sign ${ink(l)}">${bar}<g transform="translate(${x(q.x)} ${y(q.y ?? 0)})">${signOf(l.sign ?? 'dot')}${q.title ? svg`<title>${q.title}</title>` : nothing}</g></g>`;
    return q.href ? svg`<a href=${q.href} aria-label=${q.title ?? nothing}>${mark}<circle class="finger" cx=${x(q.x)} cy=${y(q.y ?? 0)} r="24"></circle></a>` : mark;
  }),
};

/** Stretches without a gap. @param {Point[]} all @param {(q: Point) => boolean} there */
function runs(all, there) {
  /** @type {Point[][]} */ const out = [[]];
  for (const q of all) {
    if (there(q)) out[out.length - 1].push(q);
    else if (out[out.length - 1].length) out.push([]);
  }
  return out.filter((r) => r.length);
}

/** @param {Layer} l */
const ink = (l) => `ink${((l.ink ?? 1) - 1) % 6 + 1}`;

/** @param {Sign} s */
function signOf(s) {
  if (s === 'dot') return svg`<circle r="4.2"></circle>`;
  if (s === 'hollow') return svg`<circle class="open" r="4.2"></circle>`;
  if (s === 'cross') return svg`<path class="open" d="M-4-4L4 4M-4 4L4-4"></path>`;
  if (s === 'square') return svg`<path d="M-4-4H4V4H-4Z"></path>`;
  return s === 'up' ? svg`<path d="M0-5L5 4H-5Z"></path>` : svg`<path class="open" d="M0 5L5-4H-5Z"></path>`;
}

/** @param {Layer} l */
function sample(l) {
  const drawn = l.kind === 'band' ? svg`<path class="band ${ink(l)}" d="M0 2H30V14H0Z"></path>`
    : l.kind === 'points' ? svg`<g class="sign ${ink(l)}" transform="translate(15 8)">${signOf(l.sign ?? 'dot')}</g>`
      : svg`<path class="thread ${ink(l)}" stroke-dasharray=${DASHES[(l.dash ?? 0) % DASHES.length] || nothing} d="M0 8H30"></path>`;
  return html`<svg viewBox="0 0 30 16" aria-hidden="true">${drawn}</svg>`;
}
