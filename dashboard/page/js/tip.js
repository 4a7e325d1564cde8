// The remark beside a point of the train graph: what a passage was, or an
// incident. It is shown by pointer, by finger and by the arrow keys.
/** @import {PassageVerdict} from '../../types/wire.js' */
/** @import {TrainGraph} from './graph.js' */
import { nameOf } from './store.js';
import { clock, speed, known } from './format.js';
import { settings } from './settings.js';
import { finalWhen } from './lap.js';
import { xOf, yOf } from './graph.js';

const REACH = 16;

/** @typedef {() => [number, number] | null} Where px on the graph, or null when it is gone */
/** @typedef {{event: Event, frame: TrainGraph['frame'], box: DOMRect}} Asked what asked, with the graph as it was then */

/** A passage in words. @param {PassageVerdict} p */
export function passageWords(p) {
  const at = `${clock(p.at_us)}.${String(Math.floor((p.at_us % 1e6) / 1e3)).padStart(3, '0')}`;
  return [
    `${nameOf(p.trial)} at ${p.gate}`, `${at}${settings.beside ? ` ± ${instantWidth(p.u_us)}` : ''}`, `lap ${p.lap + 1}`,
    p.reverse ? 'running back' : '', p.source === 'measured' ? '' : p.source,
    known(p.trap_mm_s) ? `trap speed ${speed(p.trap_mm_s, p.u_trap_mm_s, settings.beside)} mm/s` : '',
    p.final ? 'final' : `provisional: final ${finalWhen()}`,
  ].filter(Boolean).join(', ');
}

/** Half of the 95 % interval of an instant. @param {number} u standard uncertainty, us */
function instantWidth(u) {
  const ms = (1.96 * u) / 1000;
  return `${ms >= 0.01 ? Number(ms.toPrecision(2)) : '<0.01'} ms`;
}

export class Tip {
  /** @type {Where | null} */ where = null;
  /** a tap keeps it until the next */ pinned = false;
  /** @type {PassageVerdict | null} the passage of the arrow keys */ at = null;

  /** @param {TrainGraph} graph @param {Asked | null} [first] what asked for it, before it was there */
  constructor(graph, first) {
    this.graph = graph;
    this.end = new AbortController();
    this.box = document.createElement('p');
    this.box.className = 'remark';
    this.box.setAttribute('role', 'status');
    this.box.hidden = true;
    graph.append(this.box);
    const until = { signal: this.end.signal };
    graph.addEventListener('pointermove', (e) => this.point(e, false), until);
    graph.addEventListener('click', (e) => this.point(e, true), until);
    graph.addEventListener('pointerleave', () => this.leave(), until);
    graph.addEventListener('keydown', (e) => this.key(e), until);
    addEventListener('keydown', (e) => e.key === 'Escape' && this.hide(), until);
    addEventListener('pointerdown', (e) => e.target instanceof Node && !graph.contains(e.target) && this.hide(), until);
    if (first?.event instanceof PointerEvent) this.point(first.event, first.event.type === 'pointerdown', first);
  }

  /** @param {string} words @param {Where} where @param {boolean} [pin] */
  say(words, where, pin = false) {
    if (pin && this.pinned && this.box.textContent === words) return this.hide();
    if (this.box.textContent !== words) this.box.textContent = words;
    this.where = where;
    this.pinned = pin || this.pinned;
    this.box.hidden = false;
    this.follow();
  }

  leave() {
    if (!this.pinned) this.hide();
  }

  hide() {
    this.where = this.at = null;
    this.pinned = false;
    this.box.hidden = true;
  }

  /** The graph moved on. */
  follow() {
    const at = this.where?.();
    if (!at) return this.where ? this.hide() : undefined;
    const [w, h] = [this.box.offsetWidth, this.box.offsetHeight];
    const x = Math.max(0, Math.min(this.graph.clientWidth - w, at[0] - w / 2));
    const y = at[1] > h + 22 ? at[1] - h - 18 : at[1] + 18;
    this.box.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
  }

  /** Passages on the graph in order of time. */
  passages() {
    const from = this.graph.frame?.fromUs ?? 0;
    return this.graph.shown.flatMap((r) => r.passages.filter((p) => p.at_us >= from)).sort((a, b) => a.at_us - b.at_us);
  }

  /** @param {PassageVerdict} p @param {TrainGraph['frame']} [f] @returns {[number, number] | null} */
  placeOf(p, f = this.graph.frame) {
    return f && p.at_us >= f.fromUs ? [xOf(f, p.at_us), yOf(f, p.position_mm)] : null;
  }

  /** @param {PassageVerdict} p @param {boolean} pin */
  tell(p, pin) {
    this.say(passageWords(p), () => this.placeOf(p), pin);
  }

  /** @param {MouseEvent} e @param {boolean} pin @param {Asked} [then] */
  point(e, pin, then) {
    if (e.target instanceof Element && e.target.closest('button')) return;
    const box = then?.box ?? this.graph.getBoundingClientRect();
    let [near, least] = [/** @type {PassageVerdict | null} */ (null), REACH];
    for (const p of this.passages()) {
      const at = this.placeOf(p, then?.frame);
      const d = at ? Math.hypot(at[0] - e.clientX + box.left, at[1] - e.clientY + box.top) : Infinity;
      if (d < least) [near, least] = [p, d];
    }
    if (this.pinned && !pin) return;
    this.pinned = false;
    if (near) this.tell(near, pin);
    else this.hide();
  }

  /** @param {KeyboardEvent} e */
  key(e) {
    if (e.target !== this.graph) return;
    const all = this.passages();
    const now = all.findIndex((p) => p.at_us === this.at?.at_us && p.trial === this.at.trial);
    const last = all.length - 1;
    const to = { ArrowLeft: now < 0 ? last : now - 1, ArrowRight: now < 0 ? last : now + 1, Home: 0, End: last }[e.key];
    if (to === undefined) return;
    e.preventDefault();
    const p = all[Math.max(0, Math.min(last, to))];
    if (!p) return;
    this.pinned = false;
    this.tell(p, true);
    this.at = p;
  }
}
