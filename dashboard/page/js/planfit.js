// Where things lie on a plan: the centre line fitted into a sheet, the place on
// it nearest to a finger, and the scale a sheet of paper is drawn to. Distances
// are mm along the centre line (s), places mm on the ground (x, y up) or px.
/** @import {Piece} from '../../types/wire.js' */
/** @import {PlanPoint} from './reckon.js' */
import { pointAt, mod } from './reckon.js';

/** px of a millimetre of paper: CSS has 96 to the inch. */
export const PX_MM = 96 / 25.4;

/** Length of a piece's centre line, mm. @param {Piece} p */
export function pieceLength(p) {
  return (p.straight_mm ?? 0) + ((p.radius_mm ?? 0) * (p.angle_deg ?? 0) * Math.PI) / 180;
}

/** Where each piece ends, mm from the beginning. @param {Piece[]} pieces */
export function ends(pieces) {
  let s = 0;
  return pieces.map((p) => (s += pieceLength(p)));
}

/** A circuit of which only the length is known is a straight rule. @param {number} lengthMm @returns {PlanPoint[]} */
export function rule(lengthMm) {
  return [{ s: 0, x: 0, y: 0 }, { s: lengthMm, x: lengthMm, y: 0 }];
}

/** @typedef {ReturnType<typeof fit>} Fitted */

/**
 * Fits a line into w by h px above a foot, with edges kept free for names; a
 * scale in px a mm may be given instead of the largest.
 * @param {PlanPoint[]} points @param {number} w @param {number} h
 * @param {{x: number, y: number, foot: number}} free @param {number} [given]
 */
export function fit(points, w, h, free, given) {
  const { x0, x1, y0, y1 } = bounds(points);
  const scale = given ?? Math.min((w - 2 * free.x) / Math.max(1, x1 - x0), (h - free.foot - 2 * free.y) / Math.max(1, y1 - y0));
  const middle = (h - free.foot) / 2;
  const [cx, cy] = [(x0 + x1) / 2, (y0 + y1) / 2];
  return {
    points, w, h, scale, long: points[points.length - 1].s,
    atX: (/** @type {number} */ x) => w / 2 + (x - cx) * scale,
    atY: (/** @type {number} */ y) => middle - (y - cy) * scale,
    groundX: (/** @type {number} */ px) => cx + (px - w / 2) / scale,
    groundY: (/** @type {number} */ py) => cy - (py - middle) / scale,
    /** left of the way is outside where the track turns right on the whole */
    outside: area(points) > 0 ? -1 : 1,
  };
}

/** @param {PlanPoint[]} points */
export function bounds(points) {
  const [xs, ys] = [points.map((p) => p.x), points.map((p) => p.y)];
  return { x0: Math.min(...xs), x1: Math.max(...xs), y0: Math.min(...ys), y1: Math.max(...ys) };
}

/** Area within the line, positive when it turns left. @param {PlanPoint[]} points */
function area(points) {
  return points.reduce((sum, p, i) => {
    const q = points[(i + 1) % points.length];
    return sum + (p.x * q.y - q.x * p.y) / 2;
  }, 0);
}

/**
 * A place in px and the unit vectors of the way and of the outside there.
 * @param {Fitted} on @param {number} s
 */
export function pose(on, s) {
  const p = pointAt(on.points, s);
  const long = Math.hypot(p.dx, p.dy) || 1;
  const [tx, ty] = [p.dx / long, -p.dy / long];
  return { x: on.atX(p.x), y: on.atY(p.y), tx, ty, nx: on.outside * ty, ny: -on.outside * tx };
}

/**
 * The place of the line nearest to one on the ground, and how far that is, mm.
 * @param {PlanPoint[]} points @param {number} x @param {number} y @param {(s: number) => boolean} [within]
 */
export function nearest(points, x, y, within = () => true) {
  let [s, far] = [0, Infinity];
  for (let i = 1; i < points.length; i++) {
    const [a, b] = [points[i - 1], points[i]];
    const [dx, dy] = [b.x - a.x, b.y - a.y];
    const f = Math.min(1, Math.max(0, ((x - a.x) * dx + (y - a.y) * dy) / (dx * dx + dy * dy || 1)));
    const d = Math.hypot(a.x + f * dx - x, a.y + f * dy - y);
    const at = a.s + f * (b.s - a.s);
    if (d < far && within(at)) [s, far] = [at, d];
  }
  return { s, far };
}

/**
 * Where a gate goes that is dragged from one place: along the line, so that it
 * does not leap where the track comes near itself; straight to the finger when
 * that has left it behind.
 * @param {PlanPoint[]} points @param {number} fromS @param {number} x @param {number} y @param {number} reachMm
 */
export function dragged(points, fromS, x, y, reachMm) {
  const long = points[points.length - 1].s;
  const apart = (/** @type {number} */ s) => Math.min(mod(s - fromS, long), mod(fromS - s, long));
  const along = nearest(points, x, y, (s) => apart(s) < 0.15 * long);
  const any = nearest(points, x, y);
  return along.far > reachMm && any.far < along.far / 2 ? any.s : along.s;
}

/** The stretch of the line from one place to another, as points. @param {PlanPoint[]} points @param {number} from @param {number} to */
export function stretch(points, from, to) {
  return [pointAt(points, from), ...points.filter((p) => p.s > from && p.s < to), pointAt(points, to)];
}

/**
 * Which pieces' numbers have room, and which joints: those a distance apart.
 * @param {number[]} at mm @param {number} apart mm @returns {number[]} indices
 */
export function spaced(at, apart) {
  let last = -Infinity;
  return at.flatMap((s, i) => {
    if (s - last < apart) return [];
    last = s;
    return [i];
  });
}

const STEPS = [1, 2, 5];

/** The largest of 1, 2, 5, 10 and so on that is no more than most. @param {number} most */
export function roundDown(most) {
  const ten = 10 ** Math.floor(Math.log10(most) + 1e-9);
  return (STEPS.findLast((k) => k * ten <= most * (1 + 1e-9)) ?? 1) * ten;
}

const RATIOS = [1, 2, 5, 10, 15, 20, 25, 30, 40, 50, 75];

/**
 * The scale 1 to R at which a line has room in w by h mm of paper.
 * @param {PlanPoint[]} points @param {number} w @param {number} h
 */
export function ratioFor(points, w, h) {
  const { x0, x1, y0, y1 } = bounds(points);
  const least = Math.max((x1 - x0) / w, (y1 - y0) / h);
  return RATIOS.find((r) => r >= least) ?? [1, 10, 100, 1000].flatMap((k) => [100 * k, 200 * k, 250 * k, 500 * k]).find((r) => r >= least) ?? Math.ceil(least);
}
