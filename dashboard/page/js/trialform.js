// Opening sessions; and the short way from an empty book to a train being timed.
/** @import {Filled} from './forms.js' */
/** @import {Trial} from '../../types/wire.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state, sessionOpen, circuit } from './store.js';
import { list } from './merge.js';
import { slug, trialId } from './slug.js';
import { decide } from './api.js';
import { attempt } from './decide.js';
import { field, choice, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { day, fixed } from './format.js';

const NEW = '';

/** @returns {[string, string][]} */
const locomotives = () => list(state.view?.locomotives).map((l) => [l.id, l.name || l.id]);
/** @returns {[string, string][]} */
const circuits = () => list(state.view?.circuits).map((c) => [c.circuit.id, `${c.circuit.name || c.circuit.id}, ${fixed(c.length_mm / 1000, 2)} m`]);
const now = () => new Date();

export function sessionForm() {
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(async (f) => {
    await finish(() => openSession(f.text('name'), f.text('circuit')));
  })}><h3>Open a session</h3>
    <div class="fields">${field('Name', 'name', { value: `Session of ${day(Date.now() * 1000)}`, required: true })}${choice('Circuit', 'circuit', circuits())}</div>
    <p class="acts"><button class="primary">Open the session</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {string} name @param {string} on circuit id */
function openSession(name, on) {
  const id = slug(name, list(state.view?.sessions).map((s) => s.id), 'session');
  return decide('session', { id, name, circuit: on });
}

/** Numbers stay numbers. @param {string[]} names @param {string[]} values */
export function readConditions(names, values) {
  const pairs = names.map((n, i) => [n, values[i]]).filter(([n, v]) => n && v);
  return Object.fromEntries(pairs.map(([n, v]) => [n, Number.isFinite(Number(v)) ? Number(v) : v]));
}

/** @param {Partial<Trial> & {locomotive: string}} trial */
export function openTrial(trial) {
  return decide('trial', { id: trialId(trial.locomotive, now(), state.trials.keys()), ...trial });
}

const start = { circuit: NEW, locomotive: NEW, touched: false };

/** The short way: one strip, one button, then tap. */
export function startStrip() {
  if (!start.touched) Object.assign(start, { circuit: circuits()[0]?.[0] ?? NEW, locomotive: locomotives()[0]?.[0] ?? NEW });
  return html`<form class="start" @submit=${submitting(saveStart)}>
    <ol>${startCircuit()}${startLocomotive()}
      <li><h3>Trial</h3>${field('Warm-up laps', 'warmup', { number: true, value: 1, max: 10000 })}<p>They are shown, and left out of the figures.</p></li>
      <li><h3>Tap</h3><p>The space bar or the large button, each time the same part of the train passes the same point.</p><button class="primary">Open the trial and tap</button></li>
    </ol></form>`;
}

function startCircuit() {
  const fixedTo = sessionOpen() ? circuit() : null;
  return html`<li><h3>Circuit</h3>
    ${fixedTo ? html`<p>${fixedTo.circuit.name || fixedTo.circuit.id}, lap ${fixed(fixedTo.length_mm / 1000, 3)} m: the session is open on it.</p>` : html`
      ${circuits().length ? pick('Circuit', 'circuit', circuits(), start.circuit, (v) => (start.circuit = v)) : nothing}
      ${start.circuit === NEW ? html`${field('Length of one lap', 'length', { unit: 'mm', number: true, min: 1, required: true, hint: '7283' })}
        <p>Measured along the middle of the track. A tape or a wheel will do; pieces and gates can follow later.</p>` : nothing}`}</li>`;
}

function startLocomotive() {
  return html`<li><h3>Locomotive</h3>
    ${locomotives().length ? pick('Locomotive', 'locomotive', locomotives(), start.locomotive, (v) => (start.locomotive = v)) : nothing}
    ${start.locomotive === NEW ? field('Its name', 'name', { required: true }) : nothing}</li>`;
}

/** @param {string} label @param {string} name @param {[string, string][]} known @param {string} value @param {(v: string) => void} set */
function pick(label, name, known, value, set) {
  return choice(label, name, [...known, [NEW, 'a new one']], value, (v) => {
    start.touched = true;
    set(v);
    again();
  });
}

/** @param {Filled} f */
async function saveStart(f) {
  const done = await attempt(async () => {
    const on = sessionOpen() ? '' : start.circuit || (await newCircuit(f.number('length')));
    const loco = start.locomotive || (await newLocomotive(f.text('name')));
    if (on) await openSession(`Session of ${day(Date.now() * 1000)}`, on);
    await openTrial({ locomotive: loco, warmup_laps: Math.round(f.number('warmup')), direction: 'forward' });
  });
  if (!done) return;
  start.touched = false;
  location.hash = 'line';
}

/** @param {number} lengthMm */
async function newCircuit(lengthMm) {
  const name = `Loop of ${fixed(lengthMm / 1000, 2)} m`;
  const id = slug(name, circuits().map(([c]) => c), 'circuit');
  await decide('circuit', { circuit: { id, name, lap_length_mm: lengthMm }, gates: [{ id: 'g1', position_mm: 0, timing: true }] });
  return id;
}

/** @param {string} name */
async function newLocomotive(name) {
  const id = slug(name, locomotives().map(([l]) => l), 'locomotive');
  await decide('locomotive', { id, name });
  return id;
}
