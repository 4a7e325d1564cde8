// Where trains are, and how they ran: passages to lines on the graph and to a
// reckoned place on the plan. Distances are mm along the lap, dir is +1 or -1.
/** @import {PassageVerdict, Gate, Incident} from '../../types/wire.js' */

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
 * @property {number} dir the way it last passed
 * @property {number | null} speed mm/s it was reckoned with
 * @property {boolean} held it waits at the next gate for a passage to come in
 * @property {string} last gate of the last passage
 * @property {string} next gate expected
 * @property {number} sinceUs time since the last passage
 */

/**
 * The place of a train now: its last passage, carried on by its speed over the
 * last sector, and held at the next gate until that gate has seen it, or where
 * an incident that is not over holds it; at its last gate when nobody knows.
 * @param {PassageVerdict[]} passages in order of time @param {Gate[]} gates
 * @param {number} lengthMm @param {number} ahead its direction @param {number} nowUs
 * @param {Incident[]} [incidents]
 * @returns {Place | null}
 */
export function place(passages, gates, lengthMm, ahead, nowUs, incidents = []) {
  const last = passages[passages.length - 1];
  if (!last || !(lengthMm > 0)) return null;
  const dir = way(last, ahead);
  const speed = lastSpeed(passages, lengthMm, ahead, incidents);
  let next = last.gate;
  let room = lengthMm;
  for (const g of gates) {
    const d = between(last.position_mm, g.position_mm, lengthMm, dir);
    if (d < room) [room, next] = [d, g.id];
  }
  const stop = incidents.find((i) => !i.until_us && i.kind !== 'reversal' && i.at_us >= last.at_us);
  if (stop) room = Math.min(room, mod(dir * ((stop.position_mm ?? last.position_mm) - last.position_mm), lengthMm));
  const sinceUs = Math.max(0, nowUs - last.at_us);
  const run = speed === null ? 0 : (speed * sinceUs) / 1e6;
  const held = speed !== null && run >= room;
  const ranMm = Math.min(run, room);
  return { mm: mod(last.position_mm + dir * ranMm, lengthMm), ranMm, dir, speed, held, last: last.gate, next, sinceUs };
}

/** Which way a train passed. @param {PassageVerdict} p @param {number} dir */
function way(p, dir) {
  return p.reverse ? -dir : dir;
}

/** @param {PassageVerdict[]} passages @param {number} lengthMm @param {number} dir @param {Incident[]} incidents */
function lastSpeed(passages, lengthMm, dir, incidents) {
  const b = passages[passages.length - 1];
  const a = passages[passages.length - 2];
  if (!a || !b || b.at_us <= a.at_us || turned(a, b) || setOn(b, incidents)) return null;
  return (between(a.position_mm, b.position_mm, lengthMm, way(b, dir)) / (b.at_us - a.at_us)) * 1e6;
}

/** Did it turn round on the way? @param {PassageVerdict} a @param {PassageVerdict} b */
function turned(a, b) {
  return Boolean(a.reverse) !== Boolean(b.reverse);
}

/** What took a train off the rails, when it was set on before a passage. @param {PassageVerdict} p @param {Incident[]} incidents */
function setOn(p, incidents) {
  return incidents.find((i) => i.until_us === p.at_us && (i.kind === 'lift-off' || i.kind === 'derailment'));
}

/** @typedef {{t0: number, s0: number, t1: number, s1: number, inferred: boolean, final?: boolean}} Stroke */

/**
 * The strokes of a train on the graph. A stroke ends at the end of the lap and
 * begins again at the other edge; a stretch that touches an inferred passage
 * is inferred, and one that touches a provisional passage is not final. A train
 * that turned round is drawn to where the incident says it turned, and back;
 * when nothing tells where, as if it had turned at a gate. One that left the
 * rails is drawn to where it did, and from where it was seen next.
 * @param {PassageVerdict[]} passages in order of time
 * @param {number} lengthMm @param {number} dir
 * @param {Incident[]} [incidents]
 * @returns {Stroke[]}
 */
export function strokes(passages, lengthMm, dir, incidents = []) {
  /** @type {Stroke[]} */
  const out = [];
  for (let i = 1; i < passages.length; i++) {
    const [a, b] = [passages[i - 1], passages[i]];
    const inferred = a.source === 'inferred' || b.source === 'inferred';
    const from = out.length;
    const off = setOn(b, incidents);
    if (off) leg(out, a.at_us, off.at_us, a.position_mm, off.position_mm ?? a.position_mm, lengthMm, way(a, dir));
    else if (turned(a, b)) turn(out, a, b, lengthMm, dir, incidents);
    else run(out, a.at_us, b.at_us, a.position_mm, between(a.position_mm, b.position_mm, lengthMm, way(b, dir)), lengthMm, way(b, dir), inferred);
    for (const s of out.slice(from)) s.final = Boolean(a.final && b.final);
  }
  return out;
}

/**
 * There and back: between two gates of a circuit nothing but an incident says
 * where a train turned, so it is inferred.
 * @param {Stroke[]} out @param {PassageVerdict} a @param {PassageVerdict} b
 * @param {number} lengthMm @param {number} dir @param {Incident[]} incidents
 */
function turn(out, a, b, lengthMm, dir, incidents) {
  const at = incidents.find((i) => i.kind === 'reversal' && i.at_us >= a.at_us && i.at_us <= b.at_us && typeof i.position_mm === 'number');
  const t = at?.at_us ?? (a.at_us + b.at_us) / 2;
  const on = mod(way(a, dir) * (b.position_mm - a.position_mm), lengthMm);
  const s = at?.position_mm ?? (on < lengthMm / 2 ? b : a).position_mm;
  leg(out, a.at_us, t, a.position_mm, s, lengthMm, way(a, dir));
  leg(out, t, b.at_us, s, b.position_mm, lengthMm, way(b, dir));
}

/** From one place to another; the same place is standing. @param {Stroke[]} out @param {number} t0 @param {number} t1 @param {number} s0 @param {number} s1 @param {number} lengthMm @param {number} dir */
function leg(out, t0, t1, s0, s1, lengthMm, dir) {
  const d = mod(dir * (s1 - s0), lengthMm);
  if (d > 1e-6 && lengthMm - d > 1e-6) run(out, t0, t1, s0, d, lengthMm, dir, true);
  else out.push({ t0, s0, t1, s1: s0, inferred: true });
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
