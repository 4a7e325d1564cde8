// Writing down a circuit: its length measured, or its pieces; and its gates.
/** @import {Circuit, Gate, Piece, CircuitView} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { slug, validId } from './slug.js';
import { decide } from './api.js';
import { attempt, say } from './decide.js';
import { field, choice, Rows, submitting } from './forms.js';
import { entry, closeEntry } from './entry.js';
import { again } from './again.js';
import { fixed } from './format.js';

const gates = new Rows(/** @type {Gate[]} */ ([]), freshGate);
const pieces = new Rows(/** @type {Piece[]} */ ([]), () => ({ straight_mm: 300 }));
let loaded = -1;
let way = 'measured';

/** @returns {Gate} */
function freshGate() {
  return { id: `g${gates.rows.length + 1}`, position_mm: 0 };
}

/** @returns {CircuitView | undefined} */
function edited() {
  return list(state.view?.circuits).find((c) => c.circuit.id === entry.id);
}

function load() {
  loaded = entry.key;
  const view = edited();
  gates.set(view ? list(view.gates) : [{ id: 'g1', position_mm: 0, timing: true }]);
  pieces.set(list(view?.circuit.pieces));
  way = pieces.rows.length ? 'pieces' : 'measured';
}

export function circuitForm() {
  if (loaded !== entry.key) load();
  const c = edited()?.circuit;
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(save)}>
    <h3>${c ? `Circuit ${c.name || c.id}` : 'A new circuit'}</h3>
    <div class="fields">${field('Name', 'name', { value: c?.name, required: true, hint: 'Club loop' })}
      ${field('Scale 1 to', 'scale', { number: true, value: c?.scale_ratio, max: 1000, hint: 'if you like scale speeds' })}</div>
    <fieldset class="windows"><legend>The lap is known from</legend>${[['measured', 'its measured length'], ['pieces', 'its pieces']].map(([v, words]) => html`
      <label><input type="radio" name="way" value=${v} .checked=${way === v} @change=${() => { way = v; again(); }}><span>${words}</span></label>`)}</fieldset>
    ${way === 'pieces' ? piecesPart() : nothing}
    <div class="fields">${field('Measured lap length', 'length', { unit: 'mm, along the centre line', number: true, value: c?.lap_length_mm, required: way === 'measured' })}
      ${field('± standard uncertainty', 'length_u', { unit: 'mm', number: true, value: c?.lap_length_u_mm })}</div>
    ${gates.show('Gates', 'gate', gateRow)}
    <p class="acts"><button class="primary">Write down the circuit</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {Gate} g @param {number} key */
function gateRow(g, key) {
  return html`${field('Gate', 'gate.id', { value: g.id, required: true })}
    ${field('position', 'gate.at', { unit: 'mm', number: true, value: Number(g.position_mm.toFixed(3)) })}
    ${field('two beams apart', 'gate.pair', { unit: 'mm', number: true, value: g.pair_mm })}
    <label class="check"><input type="radio" name="timing" value=${key} ?checked=${g.timing}><span>timing gate</span></label>
    <input type="hidden" name="gate.key" value=${key}>`;
}

function piecesPart() {
  const oval = { radius: 400, straight: 600 };
  const on = (/** @type {'radius' | 'straight'} */ k) => (/** @type {Event} */ e) => { oval[k] = Number(/** @type {HTMLInputElement} */ (e.target).value); };
  return html`<div class="fields oval"><label><span>Oval: radius <small>mm</small></span><input type="number" min="1" value="400" @input=${on('radius')}></label>
    <label><span>straight <small>mm</small></span><input type="number" min="0" value="600" @input=${on('straight')}></label>
    <button type="button" @click=${() => { pieces.set(ovalOf(oval.radius, oval.straight)); again(); }}>Lay an oval</button></div>
    ${pieces.show('Pieces in order, beginning at 0 mm', 'piece', pieceRow)}`;
}

/** @param {number} radius @param {number} straight @returns {Piece[]} */
export function ovalOf(radius, straight) {
  const half = { radius_mm: radius, angle_deg: 180, hand: 'left' };
  return straight > 0 ? [{ straight_mm: straight }, half, { straight_mm: straight }, { ...half }] : [half, { ...half }];
}

/** @param {Piece} p */
function pieceRow(p) {
  const curve = Boolean(p.radius_mm);
  const turn = (/** @type {string} */ v) => {
    const fresh = v === 'straight' ? { straight_mm: 300 } : { radius_mm: 400, angle_deg: 45, hand: v };
    for (const k of Object.keys(p)) delete (/** @type {any} */ (p)[k]);
    Object.assign(p, fresh);
    again();
  };
  return html`${choice('Piece', 'piece.kind', [['straight', 'straight'], ['left', 'curve, left'], ['right', 'curve, right']], curve ? p.hand : 'straight', turn)}
    ${curve ? field('radius', 'piece.mm', { unit: 'mm', number: true, value: p.radius_mm, required: true }) : field('length', 'piece.mm', { unit: 'mm', number: true, value: p.straight_mm, required: true })}
    ${curve ? field('angle', 'piece.deg', { unit: '°', number: true, value: p.angle_deg, max: 360, required: true }) : html`<input type="hidden" name="piece.deg" value="0">`}`;
}

/** @param {Filled} f @returns {Piece[]} */
function readPieces(f) {
  const [kinds, mm, deg] = [f.texts('piece.kind'), f.numbers('piece.mm'), f.numbers('piece.deg')];
  return kinds.map((k, i) => (k === 'straight' ? { straight_mm: mm[i] } : { radius_mm: mm[i], angle_deg: deg[i], hand: k }));
}

/** Sum of the pieces' centre lines, mm. @param {Piece[]} of */
export function lengthOf(of) {
  return of.reduce((sum, p) => sum + (p.straight_mm ?? 0) + ((p.radius_mm ?? 0) * (p.angle_deg ?? 0) * Math.PI) / 180, 0);
}

/** @param {Filled} f @returns {Gate[]} */
function readGates(f) {
  const [ids, at, pair, keys] = [f.texts('gate.id'), f.numbers('gate.at'), f.numbers('gate.pair'), f.texts('gate.key')];
  const timing = Math.max(0, keys.indexOf(f.text('timing')));
  return ids.map((id, i) => ({ id, position_mm: at[i], ...(i === timing && { timing: true }), ...(pair[i] && { pair_mm: pair[i] }) }));
}

/** What is wrong with it, in words; or nothing. @param {Circuit} c @param {Gate[]} g */
export function faultOf(c, g) {
  const length = c.lap_length_mm || lengthOf(list(c.pieces));
  if (!(length > 0)) return 'The lap needs a length: measured, or from pieces.';
  if (!g.length) return 'A circuit needs at least one gate, or nothing can be timed.';
  const bad = g.find((x) => !validId(x.id));
  if (bad) return `Gate “${bad.id}”: a gate is named with small letters, digits and hyphens.`;
  const far = g.find((x) => x.position_mm >= length);
  return far ? `Gate ${far.id} stands at ${fixed(far.position_mm, 0)} mm, beyond the end of the lap (${fixed(length, 0)} mm).` : '';
}

/** @param {Filled} f */
async function save(f) {
  const taken = list(state.view?.circuits).map((c) => c.circuit.id);
  const id = entry.id || slug(f.text('name'), taken, 'circuit');
  const circuit = {
    id, name: f.text('name'), pieces: f.text('way') === 'pieces' ? readPieces(f) : [],
    lap_length_mm: f.number('length'), lap_length_u_mm: f.number('length_u'), scale_ratio: f.number('scale'),
  };
  const of = readGates(f);
  const fault = faultOf(circuit, of);
  if (fault) return say(fault);
  if (await attempt(() => decide('circuit', { circuit, gates: of }))) closeEntry();
}
