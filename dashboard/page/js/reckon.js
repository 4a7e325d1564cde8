// Where trains are, and how they ran: passages to lines on the graph and to a
// reckoned place on the plan. Distances are mm along the lap, dir is +1 or -1.
/** @import {PassageVerdict, Gate} from '../../types/wire.js' */

/** @param {number} a @param {number} length */
export function mod(a, length) {
  return ((a % length) + length) % length;
}

/**
 * Distance run from one passage to the next; the same gate again is one lap.
 * @param {number} fromMm @param {number} toMm @param {number} lengthMm @param {number} dir
 */
export function between(fromMm, toMm, lengthMm, dir) {
  const d = mod(dir * (toMm - fromMm), lengthMm);
  return d < 1e-6 || lengthMm - d < 1e-6 ? lengthMm : d;
}

/**
 * @typedef {object} Place
 * @property {number} mm along the lap
 * @property {number} ranMm since the last passage
 * @property {number | null} speed mm/s it was reckoned with
 * @property {boolean} held it waits at the next gate for a passage to come in
 * @property {string} last gate of the last passage
 * @property {string} next gate expected
 * @property {number} sinceUs time since the last passage
 */

/**
 * The place of a train now: its last passage, carried on by its speed over the
 * last sector, and held at the next gate until that gate has seen it.
 * @param {PassageVerdict[]} passages in order of time @param {Gate[]} gates
 * @param {number} lengthMm @param {number} dir @param {number} nowUs
 * @returns {Place | null}
 */
export function place(passages, gates, lengthMm, dir, nowUs) {
  const last = passages[passages.length - 1];
  if (!last || !(lengthMm > 0)) return null;
  const speed = lastSpeed(passages, lengthMm, dir);
  let next = last.gate;
  let room = lengthMm;
  for (const g of gates) {
    const d = between(last.position_mm, g.position_mm, lengthMm, dir);
    if (d < room) [room, next] = [d, g.id];
  }
  const sinceUs = Math.max(0, nowUs - last.at_us);
  const run = speed === null ? 0 : (speed * sinceUs) / 1e6;
  const held = speed !== null && run >= room;
  const ranMm = Math.min(run, room);
  return { mm: mod(last.position_mm + dir * ranMm, lengthMm), ranMm, speed, held, last: last.gate, next, sinceUs };
}

/** @param {PassageVerdict[]} passages @param {number} lengthMm @param {number} dir */
function lastSpeed(passages, lengthMm, dir) {
  const b = passages[passages.length - 1];
  const a = passages[passages.length - 2];
  if (!a || !b || b.at_us <= a.at_us) return null;
  return (between(a.position_mm, b.position_mm, lengthMm, dir) / (b.at_us - a.at_us)) * 1e6;
}

/** @typedef {{t0: number, s0: number, t1: number, s1: number, inferred: boolean}} Stroke */

/**
 * The strokes of a train on the graph. A stroke ends at the end of the lap and
 * begins again at the other edge; a stretch that touches an inferred passage
 * is inferred.
 * @param {PassageVerdict[]} passages in order of time
 * @param {number} lengthMm @param {number} dir
 * @returns {Stroke[]}
 */
export function strokes(passages, lengthMm, dir) {
  /** @type {Stroke[]} */
  const out = [];
  for (let i = 1; i < passages.length; i++) {
    const [a, b] = [passages[i - 1], passages[i]];
    const d = between(a.position_mm, b.position_mm, lengthMm, dir);
    const inferred = a.source === 'inferred' || b.source === 'inferred';
    run(out, a.at_us, b.at_us, a.position_mm, d, lengthMm, dir, inferred);
  }
  return out;
}

/**
 * @param {Stroke[]} out @param {number} t0 @param {number} t1 @param {number} s0 @param {number} d
 * @param {number} lengthMm @param {number} dir @param {boolean} inferred
 */
export function run(out, t0, t1, s0, d, lengthMm, dir, inferred) {
  let [s, t, left] = [s0, t0, d];
  while (left > 1e-6) {
    let room = dir > 0 ? lengthMm - s : s;
    if (room <= 1e-6) {
      s = dir > 0 ? 0 : lengthMm;
      room = lengthMm;
    }
    const step = Math.min(left, room);
    left -= step;
    const end = left > 1e-6 ? t + ((t1 - t0) * step) / d : t1;
    out.push({ t0: t, s0: s, t1: end, s1: s + dir * step, inferred });
    [s, t] = [s + dir * step, end];
  }
}

/** @typedef {{s: number, x: number, y: number}} PlanPoint */

/**
 * The point of the centre line at a distance along it, and its direction.
 * @param {PlanPoint[]} plan in order of s, at least two @param {number} s
 */
export function pointAt(plan, s) {
  let [lo, hi] = [0, plan.length - 1];
  while (hi - lo > 1) {
    const mid = (lo + hi) >> 1;
    if (plan[mid].s <= s) lo = mid;
    else hi = mid;
  }
  const [a, b] = [plan[lo], plan[hi]];
  const f = b.s > a.s ? Math.min(1, Math.max(0, (s - a.s) / (b.s - a.s))) : 0;
  return { x: a.x + f * (b.x - a.x), y: a.y + f * (b.y - a.y), dx: b.x - a.x, dy: b.y - a.y };
}

/**
 * A circle of the measured length, for a circuit whose pieces are not known.
 * @param {number} lengthMm @returns {PlanPoint[]}
 */
export function circle(lengthMm) {
  const r = lengthMm / (2 * Math.PI);
  return Array.from({ length: 121 }, (_, i) => {
    const a = (2 * Math.PI * i) / 120 - Math.PI / 2;
    return { s: (lengthMm * i) / 120, x: r * Math.cos(a), y: r * Math.sin(a) };
  });
}
