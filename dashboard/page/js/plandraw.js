// The plan as it is inked: sheet, track, joints, numbers, gates, the beginning
// of the lap and what is missing where it does not close. The same on the
// screen and on paper; only sizes differ.
/** @import {Gate, Piece} from '../../types/wire.js' */
/** @import {Fitted} from './planfit.js' */
import { svg, nothing } from '../lib/lit-3.3.3.js';
import { ends, pose, roundDown, spaced, stretch } from './planfit.js';
import { fixed } from './format.js';

/**
 * What a plan is drawn from.
 * @typedef {object} Picture
 * @property {import('./reckon.js').PlanPoint[]} points
 * @property {Piece[]} pieces none: a rule
 * @property {{key: number, row: Gate}[]} gates
 * @property {number} lap mm that gates are measured in
 * @property {number} gapMm
 * @property {boolean} open it does not close
 * @property {number} lit index of the piece to be shown, or -1
 */

/** @param {Fitted} on @param {{x: number, y: number}[]} points */
function line(on, points) {
  return points.map((p, i) => `${i ? 'L' : 'M'}${on.atX(p.x).toFixed(1)} ${on.atY(p.y).toFixed(1)}`).join('');
}

/** A length on the ground in the unit that suits it. @param {number} mm */
export function ground(mm) {
  return mm >= 1000 ? `${Number((mm / 1000).toFixed(1))} m` : `${mm} mm`;
}

/** The squared paper, its lines a round length apart, and the frame. @param {Fitted} on @param {boolean} squared */
export function paper(on, squared) {
  const { w, h } = on;
  if (!squared) return svg`<rect class="frame" x="1" y="1" width=${w - 2} height=${h - 2}></rect>`;
  const step = roundDown(56 / on.scale) * on.scale;
  const [x0, y0] = [on.atX(0) % step, on.atY(0) % step];
  const across = Array.from({ length: Math.ceil(w / step) + 1 }, (_, i) => x0 + i * step).filter((x) => x > 4 && x < w - 4);
  const down = Array.from({ length: Math.ceil(h / step) + 1 }, (_, i) => y0 + i * step).filter((y) => y > 4 && y < h - 4);
  return svg`<path class="squares" d=${across.map((x) => `M${x.toFixed(1)} 4V${h - 4}`).join('') + down.map((y) => `M4 ${y.toFixed(1)}H${w - 4}`).join('')}></path>
    <rect class="frame" x="1" y="1" width=${w - 2} height=${h - 2}></rect><rect class="frame thin" x="4" y="4" width=${w - 8} height=${h - 8}></rect>`;
}

/** The track with its joints and the numbers of its pieces. @param {Fitted} on @param {Picture} of */
export function track(on, of) {
  const d = line(on, on.points);
  const to = ends(of.pieces);
  const middle = to.map((s, i) => (s + (to[i - 1] ?? 0)) / 2);
  const lit = of.lit >= 0 && of.lit < to.length ? line(on, stretch(on.points, to[of.lit - 1] ?? 0, to[of.lit])) : '';
  const numbers = spaced(middle, 21 / on.scale);
  if (of.lit >= 0 && of.lit < to.length && !numbers.includes(of.lit)) numbers.splice(0, numbers.length, ...numbers.filter((i) => Math.abs(middle[i] - middle[of.lit]) * on.scale > 21), of.lit);
  return svg`<path class="lit" d=${lit}></path><path class="bed" d=${d}></path><path class="rails" d=${d}></path><path class="between" d=${d}></path><path class="centre" d=${d}></path>
    <path class="joints" d=${spaced([0, ...to], 5 / on.scale).map((i) => across(pose(on, i ? to[i - 1] : 0), 8, 8)).join('')}></path>
    ${numbers.map((i) => number(on, i, middle[i], i === of.lit))}`;
}

/** @param {ReturnType<typeof pose>} p @param {number} out @param {number} inwards */
function across(p, out, inwards) {
  return `M${(p.x + out * p.nx).toFixed(1)} ${(p.y + out * p.ny).toFixed(1)}L${(p.x - inwards * p.nx).toFixed(1)} ${(p.y - inwards * p.ny).toFixed(1)}`;
}

/** @param {Fitted} on @param {number} i @param {number} s @param {boolean} lit */
function number(on, i, s, lit) {
  const p = pose(on, s);
  const [x, y] = [(p.x - 19 * p.nx).toFixed(1), (p.y - 19 * p.ny).toFixed(1)];
  return svg`<g class=${lit ? 'piece-no shown' : 'piece-no'} transform=${`translate(${x} ${y})`}><circle r="9"></circle><text y="4" text-anchor="middle">${i + 1}</text></g>`;
}

/** Where the lap is measured from, and which way. @param {Fitted} on */
export function beginning(on) {
  const p = pose(on, 0);
  const at = (/** @type {number} */ along, /** @type {number} */ inwards) => `${(p.x + along * p.tx - inwards * p.nx).toFixed(1)} ${(p.y + along * p.ty - inwards * p.ny).toFixed(1)}`;
  const [x, y] = at(10, 55).split(' ');
  return svg`<path class="datum" d=${`M${at(0, -11)}L${at(0, 41)}L${at(46, 41)}M${at(38, 37)}L${at(47, 41)}L${at(38, 45)}`}></path>
    <text class="datum-name" x=${x} y=${Number(y) + 4} text-anchor=${Math.abs(p.tx) < 0.5 ? 'middle' : p.tx > 0 ? 'start' : 'end'}>0 mm</text>`;
}

/** The gap, where the end does not meet the beginning. @param {Fitted} on @param {Picture} of */
export function gap(on, of) {
  if (!of.open) return nothing;
  const [a, b] = [on.points[0], on.points[on.points.length - 1]];
  const [x0, y0, x1, y1] = [on.atX(a.x), on.atY(a.y), on.atX(b.x), on.atY(b.y)];
  const r = Math.max(15, Math.hypot(x1 - x0, y1 - y0) / 2 + 9);
  return svg`<g class="gap"><path d=${`M${x1.toFixed(1)} ${y1.toFixed(1)}L${x0.toFixed(1)} ${y0.toFixed(1)}`}></path>${r < 60 ? svg`<circle cx=${(x0 + x1) / 2} cy=${(y0 + y1) / 2} r=${r}></circle>` : nothing}
    <circle class="end" cx=${x1} cy=${y1} r="4"></circle></g>`;
}

/** A gate across the track, its name and place outside. @param {Fitted} on @param {Gate} g @param {number} lap @param {number} [up] how far outside */
export function gateMark(on, g, lap, up = 0) {
  const p = pose(on, (g.position_mm * on.long) / lap);
  const anchor = p.nx > 0.4 ? 'start' : p.nx < -0.4 ? 'end' : 'middle';
  const [x, y] = [p.x + (19 + up) * p.nx, p.y + (19 + up) * p.ny];
  const sink = p.ny < -0.4 ? -16 : p.ny > 0.4 ? 13 : -2;
  return svg`<path class=${g.timing ? 'gate timing' : 'gate'} d=${across(p, 13 + up, 13)}></path>
    <text class=${g.timing ? 'gate-name timing' : 'gate-name'} x=${x} y=${y + sink} text-anchor=${anchor}>${g.id}</text>
    <text class="gate-mm" x=${x} y=${y + sink + 14} text-anchor=${anchor}>${fixed(g.position_mm, g.position_mm % 1 ? 1 : 0)} mm</text>`;
}

/**
 * A bar of a round length, black and white by fifths of it.
 * @param {Fitted} on @param {string} words beside it @param {number} [most] of the sheet's width
 */
export function scaleBar(on, words, most = 0.3) {
  const mm = roundDown((on.w * most) / on.scale);
  const [long, x, y] = [mm * on.scale, 16, on.h - 16];
  return svg`<g class="scale-bar"><path class="white" d=${`M${x} ${y}h${long}v-6h${-long}z`}></path>
    <path class="black" d=${[0, 2, 4].map((k) => `M${x + (k * long) / 5} ${y}h${long / 5}v-6h${-long / 5}z`).join('')}></path>
    <text x=${x} y=${y - 11} text-anchor="start">0</text><text x=${x + long} y=${y - 11} text-anchor="middle">${ground(mm)}</text>
    <text class="words" x=${x + long + 12} y=${y}>${words}</text></g>`;
}

/** A rule from 0 to the lap length, for a circuit without pieces. @param {Fitted} on */
export function ruler(on) {
  const step = roundDown(on.long / 5);
  const small = step / 10 * (step / 10 * on.scale < 4 ? 5 : 1);
  const y = on.atY(0);
  const marks = (/** @type {number} */ every) => Array.from({ length: Math.floor(on.long / every + 1e-9) + 1 }, (_, i) => i * every);
  return svg`<path class="rule-body" d=${`M${on.atX(0)} ${y}H${on.atX(on.long)}v26H${on.atX(0)}z`}></path>
    <path class="joints" d=${marks(small).map((s) => `M${on.atX(s).toFixed(1)} ${y}v${Math.abs(s / step - Math.round(s / step)) < 1e-6 ? 15 : 7}`).join('')}></path>
    ${marks(step).filter((s) => s < on.long - step / 3).map((s) => svg`<text class="rule-mm" x=${on.atX(s)} y=${y + 44} text-anchor="middle">${s}</text>`)}
    <text class="rule-mm" x=${on.atX(on.long)} y=${y + 44} text-anchor="middle">${fixed(on.long, 0)}</text>
    <path class="datum" d=${`M${on.atX(0)} ${y + 58}h46m-9 -4l9 4l-9 4`}></path>`;
}

/** How far out each gate's name stands on a rule, so that neighbours do not cover each other. @param {Fitted} on @param {Picture} of @returns {Map<number, number>} by key */
export function levels(on, of) {
  const out = new Map();
  let last = -Infinity;
  for (const g of of.gates.toSorted((a, b) => a.row.position_mm - b.row.position_mm)) {
    const x = on.atX((g.row.position_mm * on.long) / of.lap);
    const level = x - last < 62 ? 1 - (out.get(-1) ?? 0) : 0;
    out.set(-1, level).set(g.key, 36 * level);
    last = x;
  }
  return out;
}
