// The plan of a circuit that is being drawn up: gates are set on it by a tap and
// moved along the line by finger, mouse or keys.
/** @import {Picture} from './plandraw.js' */
/** @import {Fitted} from './planfit.js' */
import { html, svg, nothing, render, repeat } from '../lib/lit-3.3.3.js';
import { dragged, fit, nearest, pose } from './planfit.js';
import { beginning, gap, gateMark, levels, paper, ruler, scaleBar, track } from './plandraw.js';
import { mod } from './reckon.js';
import { fixed } from './format.js';

const FREE = { x: 88, y: 52, foot: 22 }; // for names beside, above and below; for the scale
const REACH_PX = 60; // a tap further from the line sets no gate

/** @typedef {Picture & {place: (mm: number) => void, move: (key: number, mm: number) => void, drop: (key: number) => void}} Editable */

/** A key's step in mm along the lap; null when it is none. @param {KeyboardEvent} e */
export function stepOf(e) {
  const unit = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 100, PageDown: -100 }[e.key];
  return unit === undefined ? null : unit * (e.shiftKey ? 10 : 1);
}

export class DrawnPlan extends HTMLElement {
  /** @type {Editable | null} */ picture = null;
  /** @type {Fitted | null} */ on = null;
  held = -1;
  /** @type {number | null} mm under the mouse */ ghost = null;

  /** @param {Editable | null} picture */
  set of(picture) {
    this.picture = picture;
    this.draw();
  }

  connectedCallback() {
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(this);
    this.draw();
  }

  disconnectedCallback() {
    this.watch?.disconnect();
  }

  draw() {
    const { clientWidth: w, clientHeight: h, picture: of } = this;
    if (!w || !h) return;
    if (!of || of.points.length < 2) return render(html`<p class="empty">The plan is drawn here as soon as there is a length.</p>`, this);
    const plain = !of.pieces.length;
    const on = (this.on = fit(of.points, w, h, plain ? { x: Math.min(40, w / 9), y: 0, foot: 0 } : { ...FREE, x: Math.min(FREE.x, w / 4.7) }));
    const words = `${plain ? 'A rule as long as the lap' : 'Plan of the circuit'}. Tap the line to set a gate; move a gate by its arrow keys.`;
    const out = plain ? levels(on, of) : new Map();
    return render(html`<svg class="drawn" viewBox="0 0 ${w} ${h}" role="group" aria-label=${words}
        @click=${this.tap} @pointermove=${this.hover} @pointerleave=${() => this.haunt(null)}>
      ${paper(on, !plain)}${plain ? ruler(on) : svg`${track(on, of)}${beginning(on)}${gap(on, of)}`}
      ${this.ghost === null ? nothing : svg`<g class="ghost">${gateMark(on, { id: 'new gate', position_mm: this.ghost }, of.lap, 36 * Number(plain))}</g>`}
      ${repeat(of.gates, (g) => g.key, (g) => this.gate(on, of, g, out.get(g.key)))}
      ${plain ? nothing : scaleBar(on, '')}</svg>`, this);
  }

  /** @param {Fitted} on @param {Editable} of @param {Picture['gates'][number]} g @param {number} [up] */
  gate(on, of, g, up) {
    const p = pose(on, (g.row.position_mm * on.long) / of.lap);
    const mm = fixed(g.row.position_mm, g.row.position_mm % 1 ? 1 : 0);
    return svg`<g class=${this.held === g.key ? 'handle held' : 'handle'} tabindex="0" role="slider" aria-label=${`Gate ${g.row.id}`} aria-valuemin="0" aria-valuemax=${Math.round(of.lap)}
        aria-valuenow=${Math.round(g.row.position_mm)} aria-valuetext=${`${mm} mm`} aria-orientation="horizontal" data-gate=${g.row.id}
        @pointerdown=${(/** @type {PointerEvent} */ e) => this.grip(e, g.key)} @pointermove=${(/** @type {PointerEvent} */ e) => this.drag(e, g.key)}
        @pointerup=${this.release} @pointercancel=${this.release} @click=${(/** @type {Event} */ e) => e.stopPropagation()}
        @keydown=${(/** @type {KeyboardEvent} */ e) => this.key(e, g.key)}>
      <circle class="touch" cx=${p.x} cy=${p.y} r="22"></circle>${gateMark(on, g.row, of.lap, up)}<circle class="knob" cx=${p.x} cy=${p.y} r="6"></circle></g>`;
  }

  /** A place of the mouse on the ground. @param {MouseEvent} e */
  ground(e) {
    const box = this.getBoundingClientRect();
    const on = /** @type {Fitted} */ (this.on);
    return { x: on.groundX(e.clientX - box.left), y: on.groundY(e.clientY - box.top) };
  }

  /** Whole mm along the lap. @param {number} s along the pieces */
  lapMm(s) {
    const { on, picture: of } = this;
    if (!on || !of) return 0;
    const most = Math.ceil(of.lap) - 1;
    const mm = Math.round((s * of.lap) / on.long);
    return mm > most ? (of.pieces.length ? 0 : most) : mm;
  }

  /** Where a tap sets a gate; null when it is too far off. @param {MouseEvent} e */
  under(e) {
    if (!this.on) return null;
    const { x, y } = this.ground(e);
    const at = nearest(this.on.points, x, y);
    return at.far * this.on.scale > REACH_PX ? null : this.lapMm(at.s);
  }

  /** @param {MouseEvent} e */
  tap = (e) => {
    const mm = this.ghost ?? this.under(e); // a click has whole px, what the mouse showed has not
    this.ghost = null;
    if (mm !== null) this.picture?.place(mm);
  };

  /** @param {PointerEvent} e */
  hover = (e) => {
    const onGate = /** @type {Element} */ (e.target).closest('.handle');
    this.haunt(e.pointerType === 'mouse' && !onGate && this.held < 0 ? this.under(e) : null);
  };

  /** @param {number | null} mm */
  haunt(mm) {
    if (mm === this.ghost) return;
    this.ghost = mm;
    this.draw();
  }

  /** @param {PointerEvent} e @param {number} key */
  grip(e, key) {
    const handle = /** @type {SVGGElement} */ (e.currentTarget);
    handle.setPointerCapture(e.pointerId);
    handle.focus({ preventScroll: true }); // a swipe leaves the focus where it was, perhaps in this gate's field
    this.held = key;
    this.draw();
  }

  /** @param {PointerEvent} e @param {number} key */
  drag(e, key) {
    const { on, picture: of } = this;
    if (this.held !== key || !on || !of) return;
    const g = of.gates.find((o) => o.key === key);
    if (!g) return;
    const { x, y } = this.ground(e);
    of.move(key, this.lapMm(dragged(on.points, (g.row.position_mm * on.long) / of.lap, x, y, 40 / on.scale)));
  }

  release = () => {
    this.held = -1;
    this.draw();
  };

  /** @param {KeyboardEvent} e @param {number} key */
  key(e, key) {
    const of = this.picture;
    const g = of?.gates.find((o) => o.key === key);
    if (!of || !g) return;
    const step = stepOf(e);
    if (step !== null) of.move(key, mod(g.row.position_mm + step, of.lap));
    else if (e.key === 'Home') of.move(key, 0);
    else if (e.key === 'Delete' || e.key === 'Backspace') of.drop(key);
    else return;
    e.preventDefault();
  }
}

customElements.define('drawn-plan', DrawnPlan);
