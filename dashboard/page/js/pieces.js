// The pieces of a circuit as a ledger: one line a piece, laid from 0 mm on.
/** @import {Piece} from '../../types/wire.js' */
/** @import {Drawing} from './drawing.js' */
import { html, nothing, repeat, keyed, ref } from '../lib/lit-3.3.3.js';
import { again } from './again.js';
import { fixed } from './format.js';
import { fixedMm, nextPiece, ovalOf, pieceWords } from './drawing.js';

const KINDS = [['straight', 'straight'], ['left', 'left curve'], ['right', 'right curve']];

/** @param {Piece} p */
const kindOf = (p) => (p.radius_mm ? p.hand ?? 'left' : 'straight');

/** Where the hand goes when the lines have been drawn again. */
let wanted = '';

/** Puts the hand on a piece's line. @param {number} key @param {string} [what] of it */
export function goTo(key, what = '.piece-key') {
  wanted = what.split(', ').map((w) => `.piece-row[data-key="${key}"] ${w}`).join(', ');
  again();
}

/** @param {Element | undefined} end of the lines, just drawn */
function settle(end) {
  if (!end || !wanted) return;
  /** @type {HTMLElement | null} */ (document.querySelector(wanted))?.focus();
  wanted = '';
}

/** @param {Drawing} d */
export function piecesPart(d) {
  const rows = d.pieces.rows;
  const to = d.ends;
  return html`<fieldset class="ledger"><legend>Pieces in order, beginning at 0 mm</legend>
    <div class="piece-row piece-head" aria-hidden="true"><span>no.</span><span>what</span><span>mm</span><span>angle °</span><span>ends at</span></div>
    <div class="piece-rows" @keydown=${(/** @type {KeyboardEvent} */ e) => keys(d, e)}>${repeat(rows, (r) => r.key, (r, i) => pieceRow(d, r, i, to[i]))}</div>
    ${rows.length ? nothing : html`<p class="empty">No piece yet: lay an oval, or add the first piece.</p>`}
    <div class="acts" role="group" aria-label="Add a piece at the end">${addButton(d, 'straight', 'straight')}${addButton(d, 'left', 'left curve')}${addButton(d, 'right', 'right curve')}
      <button type="button" ?disabled=${!rows.length} @click=${() => goTo(d.insert([rows[rows.length - 1].row]))}>Repeat the last</button></div>
    ${oval(d)}<p class="note" ${ref((end) => settle(end))}>On a number: arrow keys go from piece to piece, with Alt they move it, Delete takes it out. Enter goes to the next line.</p></fieldset>`;
}

/** @param {Drawing} d @param {string} kind @param {string} words */
function addButton(d, kind, words) {
  const p = nextPiece(d.laid, kind);
  return html`<button type="button" class="add" @click=${() => goTo(d.insert([nextPiece(d.laid, kind)]), 'input')}>+ ${words}<small>${p.radius_mm ? `R ${fixedMm(p.radius_mm)}, ${fixedMm(p.angle_deg ?? 0)}°` : `${fixedMm(p.straight_mm ?? 0)} mm`}</small></button>`;
}

const size = { radius: 400, straight: 600 };

/** @param {Drawing} d */
function oval(d) {
  const on = (/** @type {'radius' | 'straight'} */ k) => (/** @type {Event} */ e) => {
    e.stopPropagation();
    size[k] = Number(/** @type {HTMLInputElement} */ (e.target).value);
  };
  const lay = () => {
    d.pieces.set(ovalOf(size.radius, size.straight));
    d.changed();
  };
  return html`<div class="oval"><label><span>Oval: radius <small>mm</small></span><input type="number" min="1" step="any" value=${size.radius} @input=${on('radius')}></label>
    <label><span>straight <small>mm</small></span><input type="number" min="0" step="any" value=${size.straight} @input=${on('straight')}></label>
    <button type="button" @click=${lay}>Lay an oval</button></div>`;
}

/** @param {Drawing} d @param {{key: number, row: Piece}} r @param {number} i @param {number} endMm */
function pieceRow(d, r, i, endMm) {
  const p = r.row;
  const [kind, n] = [kindOf(p), i + 1];
  const take = () => {
    [d.at, d.over] = [r.key, -1];
    again();
  };
  const hover = (/** @type {number} */ key) => (/** @type {PointerEvent} */ e) => {
    if (e.pointerType !== 'mouse' || key === d.over || (key >= 0 && !e.movementX && !e.movementY)) return; // the page moved, not the mouse
    d.over = key;
    again();
  };
  const turn = (/** @type {Event} */ e) => {
    r.row = nextPiece(d.laid, /** @type {HTMLSelectElement} */ (e.target).value);
    d.changed();
  };
  return html`<div class=${d.at === r.key ? 'piece-row shown' : 'piece-row'} data-key=${r.key} role="group" aria-label=${`Piece ${n}, ${pieceWords(p)}`}
      @focusin=${take} @pointermove=${hover(r.key)} @pointerleave=${hover(-1)}>
    <button type="button" class="piece-key" aria-label=${`Piece ${n}`} @click=${take}>${n}</button>
    <select name="piece.kind" aria-label=${`Piece ${n}, kind`} @change=${turn}>${KINDS.map(([v, words]) => html`<option value=${v} ?selected=${v === kind}>${words}</option>`)}</select>
    ${keyed(kind, kind === 'straight'
      ? html`${number('piece.mm', `Piece ${n}, length in mm`, p.straight_mm)}<input type="hidden" name="piece.deg" value="0"><span></span>`
      : html`${number('piece.mm', `Piece ${n}, radius in mm`, p.radius_mm)}${number('piece.deg', `Piece ${n}, angle in degrees`, p.angle_deg, 360)}`)}
    <span class="num ends">${fixed(endMm, 0)}</span>
    ${d.at === r.key ? acts(d, r, i) : nothing}</div>`;
}

/** @param {string} name @param {string} label @param {number | undefined} value @param {number} [most] */
function number(name, label, value, most) {
  return html`<input type="number" inputmode="decimal" step="any" min="0" max=${most ?? nothing} name=${name} aria-label=${label} value=${value ?? ''} required>`;
}

/** What can be done to the piece the hand is on. @param {Drawing} d @param {{key: number, row: Piece}} r @param {number} i */
function acts(d, r, i) {
  const move = (/** @type {number} */ by) => () => {
    d.shift(r.key, by);
    goTo(r.key);
  };
  return html`<div class="piece-acts"><button type="button" ?disabled=${i === 0} @click=${move(-1)}>Up</button><button type="button" ?disabled=${i === d.pieces.rows.length - 1} @click=${move(1)}>Down</button>
    <button type="button" @click=${() => goTo(d.insert([r.row], i + 1))}>Duplicate</button><button type="button" @click=${() => goTo(d.insert([nextPiece(d.laid, 'straight')], i), 'select')} aria-label="Insert a piece before this one">Insert</button>
    <button type="button" @click=${() => goTo(d.dropPiece(r.key))}>Remove</button></div>`;
}

/** @param {Drawing} d @param {KeyboardEvent} e */
function keys(d, e) {
  const target = /** @type {HTMLElement} */ (e.target);
  const key = Number(/** @type {HTMLElement | null} */ (target.closest('.piece-row'))?.dataset.key);
  const i = d.pieces.rows.findIndex((r) => r.key === key);
  const down = { ArrowDown: 1, ArrowUp: -1 }[e.key];
  const onNumber = target.matches('.piece-key');
  if (i < 0) return;
  if (down && e.altKey) {
    d.shift(key, down);
    goTo(key, onNumber ? '.piece-key' : `[name="${target.getAttribute('name')}"]`);
  } else if (down && onNumber) goTo(d.pieces.rows[i + down]?.key ?? key);
  else if (e.key === 'Delete' && onNumber) goTo(d.dropPiece(key));
  else if (e.key === 'Enter' && target.matches('input')) goTo(d.pieces.rows[i + 1]?.key ?? key, i + 1 < d.pieces.rows.length ? `[name="${target.getAttribute('name')}"]:not([type=hidden]), [name="piece.mm"]` : '.piece-key');
  else return;
  e.preventDefault();
}
