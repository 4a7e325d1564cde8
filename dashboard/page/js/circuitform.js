// The drawing board: a circuit drawn up from pieces, or from its measured
// length, with its gates; beside it the plan, and whether it closes.
/** @import {CircuitView} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { decide } from './api.js';
import { say } from './decide.js';
import { field, Filled as Form, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { fixed, known, signed } from './format.js';
import { CLOSE_DEG, CLOSE_MM, Drawing, differenceWords, faultOf, lengthOf, readGates, readPieces } from './drawing.js';
import { goTo, piecesPart } from './pieces.js';
import { gatesPart, writePlaces } from './gatelist.js';
import './drawnplan.js';

let loaded = -1;
let drawing = new Drawing(undefined, again);
/** @type {{of: unknown, picture: import('./drawnplan.js').Editable | null}} the plan is drawn again when something of it changed */
let seen = { of: null, picture: null };

/** @returns {CircuitView | undefined} */
function edited() {
  return list(state.view?.circuits).find((c) => c.circuit.id === entry.id);
}

function load() {
  loaded = entry.key;
  drawing = new Drawing(edited(), redraw);
  seen = { of: null, picture: null };
}

function redraw() {
  seen = { of: null, picture: null };
  writePlaces(drawing);
  again();
}

function picture() {
  const of = `${drawing.shown}`;
  if (seen.of !== of) seen = { of, picture: drawing.picture() };
  return seen.picture;
}

export function circuitForm() {
  if (loaded !== entry.key) load();
  const c = edited()?.circuit;
  const d = drawing;
  const typed = (/** @type {Event} */ e) => {
    const { name } = /** @type {HTMLInputElement} */ (e.target);
    if (name !== 'piece.kind' && name !== 'way') d.read(new Form(/** @type {HTMLFormElement} */ (e.currentTarget)));
  };
  const by = (/** @type {string} */ way) => () => {
    d.way = way;
    d.changed();
  };
  return keyed(entry.key, html`<form class="entry drawing" @input=${typed} @submit=${submitting(save)}>
    <div class="drawing-plan"><drawn-plan class=${d.laid.length || d.way === 'pieces' ? '' : 'rule'} .of=${picture()}></drawn-plan>${verdict(d)}</div>
    <div class="drawing-parts"><h3>${c ? `Circuit ${c.name || c.id}` : 'A new circuit'}</h3>
    <div class="fields">${field('Name', 'name', { value: c?.name, required: true, hint: 'Club loop' })}
      ${field('Scale 1 to', 'scale', { number: true, value: c?.scale_ratio, max: 1000, hint: 'if you like scale speeds' })}</div>
    <fieldset class="windows"><legend>The lap is known from</legend>${[['measured', 'its measured length'], ['pieces', 'its pieces']].map(([v, words]) => html`
      <label><input type="radio" name="way" value=${v} .checked=${d.way === v} @change=${by(v)}><span>${words}</span></label>`)}</fieldset>
    ${d.way === 'pieces' ? piecesPart(d) : nothing}
    <div class="fields">${field(d.way === 'pieces' ? 'Measured lap length, if it goes before the pieces' : 'Measured lap length', 'length', { unit: 'mm, along the centre line', number: true, value: c?.lap_length_mm, required: d.way === 'measured' })}
      ${field('± standard uncertainty', 'length_u', { unit: 'mm', number: true, value: c?.lap_length_u_mm })}</div>
    ${gatesPart(d)}
    <p class="acts"><button class="primary">Write down the circuit</button><button type="button" @click=${closeEntry}>Leave it</button></p></div></form>`);
}

/** What the plan comes to: its lengths, whether it closes, and how it would. @param {Drawing} d */
function verdict(d) {
  if (d.way !== 'pieces') return html`<p class="note">Without pieces the lap is a straight rule: gates are set on it all the same.</p>`;
  const sum = lengthOf(d.laid);
  const a = d.answered ? d.answer : null;
  return html`<dl class="facts lengths"><div><dt>Lap by its pieces</dt><dd class="num">${sum > 0 ? `${fixed(sum, 1)} mm` : 'no piece yet'}</dd></div>
    ${d.measured > 0 ? html`<div><dt>Lap as measured</dt><dd><span class="num">${fixed(d.measured, 1)}${d.measuredU > 0 ? ` ± ${fixed(d.measuredU, 1)}` : ''} mm</span>${sum > 0 ? `: ${differenceWords(d.measured, sum)}. It goes before them.` : ''}</dd></div>` : nothing}
    <div><dt>Closure error</dt><dd class="closure">${known(a?.gap_mm) && a ? html`<span class="num">${fixed(a.gap_mm, 1)} mm, ${signed(a.heading_deg, 2)}°</span>${d.open ? '' : `: closed, within ${CLOSE_MM} mm and ${CLOSE_DEG}°`}` : d.unlaid || d.refusal || (sum > 0 ? 'is being reckoned' : '–')}</dd></div></dl>
    <div class="hint" role="status">${d.hint ? html`<p>${d.hint}</p>${list(d.answer?.changes).length ? html`<button type="button" class="primary" @click=${() => goTo(d.close())}>Close it so</button>` : nothing}` : nothing}</div>`;
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
  await finish(() => decide('circuit', { circuit, gates: of }));
}
