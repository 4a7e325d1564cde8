// Prediction: choose circuit, locomotive and cars, move what could be changed, and see
// what would come of it beside the train as it stands in the roster.
/** @import {Locomotive, NamedMotor, Prediction, DriverSet} from '../../types/wire.js' */
/** @import {Change, SetChange} from './predictask.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, circuit, consist, locomotive } from './store.js';
import { list } from './merge.js';
import { styles } from './css.js';
import { again } from './again.js';
import { at, Refused } from './api.js';
import { posted } from './fetched.js';
import { choice } from './forms.js';
import { setsNav } from './setsnav.js';
import { stock, motorName, openChanged } from './stock.js';
import { slider } from './slider.js';
import { clock } from './format.js';
import { changedLocomotive, differs, lacking, question, unchanged, withCars } from './predictask.js';
import { inShort, predicted } from './predictshow.js';

await Promise.all([styles('results'), styles('sets'), styles('motors')]);

/** How long the hand has to rest before it is asked. */
const REST_MS = 120;

const p = {
  circuit: '', locomotive: '', consist: '', trial: '', permille: 600, supplyMv: 0, supplyOhm: 0,
  /** @type {Change} */ change: unchanged(),
};
const came = {
  /** @type {Prediction | null} */ answer: null, /** @type {string[]} */ lacks: [], refused: '',
  /** the question that was answered, and the one that is wanted */ of: '', wanted: '', rev: 0, timer: 0, busy: false,
};

/** @param {string} id @returns {NamedMotor | undefined} */
const motor = (id) => /** @type {NamedMotor[]} */ (stock('motor')).find((m) => m.id === id);

export function predictView() {
  const engines = list(state.view?.locomotives).filter((l) => list(l.driver_sets).length);
  if (!state.view || !engines.length) return html`${setsNav('predict')}<div class="sheet welcome"><h1>Prediction</h1><p>${state.view ? html`A locomotive with a driver set is needed: write one down in the <a href="#roster">roster</a>.` : 'Calling the line…'}</p></div>`;
  if (!engines.some((l) => l.id === p.locomotive)) begin(engines[0]);
  const l = /** @type {Locomotive} */ (locomotive(p.locomotive));
  wish(l);
  return html`${setsNav('predict')}<h1 class="aside">Prediction</h1><div class="predict-sheet">
    <section class="sheet moved" aria-labelledby="p-train"><div class="caption"><h2 id="p-train">The train</h2><p>as it stands, and as it could be</p></div>${came.answer ? html`<p class="short-answer" aria-hidden="true">${inShort(came.answer)}</p>` : nothing}${train(engines)}${running()}${changes(l)}</section>
    <section class="sheet" aria-labelledby="p-what" aria-busy=${came.of === came.wanted ? 'false' : 'true'} data-asked=${came.of === came.wanted ? 'answered' : 'asking'}><div class="caption"><h2 id="p-what">What it would do</h2><p>${l.name || l.id}, ${behind().base?.name || behind().base?.id || 'light engine'}</p></div>
      ${came.refused ? html`<p class="refusal" role="alert">${came.refused}${came.refused.includes('no curve') ? html` <a href="#motors">Motor curves</a>` : nothing}</p>` : nothing}
      ${came.lacks.length ? html`<p class="note">The <a href="#roster">roster</a> does not state ${came.lacks.join(', ')}: there is nothing to set the changes beside.</p>` : nothing}
      <p class="note reckoning" role="status">${came.of === came.wanted ? '' : 'Reckoning…'}</p>
      ${came.answer ? predicted(came.answer, scale(), p.consist) : nothing}</section></div>`;
}

/** @param {Locomotive} l */
function begin(l) {
  const motors = list(l.driver_sets).map((d) => d.motor);
  const read = motors.map((m) => state.motors.get(m)?.voltage_mv).find(Boolean);
  Object.assign(p, { locomotive: l.id, change: unchanged(), supplyMv: p.supplyMv || read || Math.max(0, ...motors.map((m) => motor(m)?.nominal_mv ?? 0)) || 12_000 });
}

/** The consist of the roster, and that of the change. */
function behind() {
  const base = consist(p.consist);
  return { base, changed: withCars(consist(p.change.consist ?? p.consist), p.change.cars) };
}

function scale() {
  return list(state.view?.circuits).find((c) => c.circuit.id === (p.circuit || circuit()?.circuit.id))?.circuit.scale_ratio ?? 0;
}

/** Asks when what is wanted is another question. @param {Locomotive} l */
function wish(l) {
  const { base, changed } = behind();
  const run = { circuit: p.circuit, permille: p.permille, supplyMv: p.supplyMv, supplyOhm: p.supplyOhm, trial: p.trial };
  const other = differs(l, base, p.change) || (p.change.consist ?? p.consist) !== p.consist;
  const would = question(run, changedLocomotive(l, p.change), changed);
  const lacks = lacking(l, motor);
  const wanted = JSON.stringify(lacks.length || !other ? would : { ...question(run, l, base), variant: would });
  const curves = JSON.stringify(stock('motor'));
  const rev = state.view?.rev ?? 0;
  if (wanted === came.wanted && rev === came.rev) return;
  Object.assign(came, { wanted, rev, lacks: other && lacks.length ? lacks : [] });
  if (curves !== heldCurves.text) Object.assign(came, { of: '' });
  heldCurves.text = curves;
  clearTimeout(came.timer);
  came.timer = setTimeout(ask, came.answer ? REST_MS : 0);
}

/** Motors as they were when it was asked: another curve is another answer. */
const heldCurves = { text: '' };

/** One question at a time; an answer to one that is no longer wanted is dropped. */
async function ask() {
  if (came.busy) return;
  const of = came.wanted;
  came.busy = true;
  try {
    const answer = await (await posted(at('/api/predict'), JSON.parse(of))).json();
    if (of === came.wanted) Object.assign(came, { answer, of, refused: '' });
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    if (of === came.wanted) Object.assign(came, { answer: null, of, refused: e.message });
  } finally {
    came.busy = false;
  }
  if (of !== came.wanted) ask();
  again();
}

/** @param {Locomotive[]} engines */
function train(engines) {
  const circuits = list(state.view?.circuits).map((c) => /** @type {[string, string]} */ ([c.circuit.id, c.circuit.name || c.circuit.id]));
  const here = circuit()?.circuit.id ?? '';
  return html`<div class="fields">${choice('Circuit', 'p-circuit', circuits, p.circuit || here || circuits[0]?.[0], (v) => set({ circuit: v }))}
    ${choice('Locomotive', 'p-locomotive', engines.map((l) => [l.id, l.name || l.id]), p.locomotive, (v) => { begin(/** @type {Locomotive} */ (locomotive(v))); again(); })}
    ${choice('Cars', 'p-consist', consists(), p.consist, (v) => set({ consist: v, change: { ...p.change, consist: undefined, cars: undefined } }))}
    ${choice('Running resistance', 'p-trial', [['', 'as stated, or taken'], ...[...state.trials.values()].filter((r) => r.result?.consistency.n).map((r) => /** @type {[string, string]} */ ([r.trial.id, `as trial ${r.trial.id} told, ${clock(r.trial.from_us, false)}`]))], p.trial, (v) => set({ trial: v }))}</div>`;
}

/** @returns {[string, string][]} */
const consists = () => [['', 'nothing behind'], ...list(state.view?.consists).map((c) => /** @type {[string, string]} */ ([c.id, c.name || c.id]))];

/** @param {Partial<typeof p>} some */
function set(some) {
  Object.assign(p, some);
  again();
}

function running() {
  return html`<fieldset><legend>How it is run</legend>
    ${slider({ label: 'Throttle', unit: '%', name: 'throttle', value: p.permille / 10, min: 1, max: 100, step: 0.5, onPut: (v) => set({ permille: Math.round(v * 10) }) })}
    ${slider({ label: 'Supply, without load', unit: 'V', name: 'supply', value: p.supplyMv / 1000, min: 1, max: Math.max(24, p.supplyMv / 500), step: 0.1, onPut: (v) => set({ supplyMv: Math.round(v * 1000) }) })}</fieldset>`;
}

/** @param {Locomotive} l */
function changes(l) {
  const { base, changed } = behind();
  const of = consist(p.change.consist ?? p.consist);
  const n = list(of?.cars).length;
  const other = differs(l, base, p.change);
  const put = (/** @type {Partial<Change>} */ c) => set({ change: { ...p.change, ...c } });
  return html`<fieldset><legend>What could be changed</legend>
    ${slider({ label: 'Mass of the locomotive', unit: 'g', name: 'mass', value: p.change.mass_g ?? l.mass_g, was: l.mass_g, ...reach(l.mass_g, 500, 10), onPut: (v) => put({ mass_g: v }) })}
    ${choice('Cars instead', 'p-cars-of', consists(), p.change.consist ?? p.consist, (v) => put({ consist: v, cars: undefined }))}
    ${n ? slider({ label: 'How many of them', unit: 'cars', name: 'cars', value: list(changed?.cars).length, was: list(base?.cars).length, min: 0, max: Math.max(20, 2 * n), step: 1, onPut: (v) => put({ cars: Math.round(v) }) }) : nothing}</fieldset>
    ${list(l.driver_sets).map((d) => setChanges(d))}
    ${other ? html`<p class="acts"><button @click=${() => set({ change: unchanged() })}>All as in the roster</button>${state.me.official ? html`<button class="primary" @click=${() => keep(l)}>Keep as a variant</button>` : nothing}</p>` : nothing}`;
}

/** @param {DriverSet} d */
function setChanges(d) {
  const c = p.change.sets[d.id] ?? {};
  const put = (/** @type {SetChange} */ some) => set({ change: { ...p.change, sets: { ...p.change.sets, [d.id]: { ...c, ...some } } } });
  const motors = /** @type {NamedMotor[]} */ (stock('motor'));
  /** @type {[string, string][]} */
  const choices = motors.filter((m) => m.curve || m.id === d.motor).map((m) => [m.id, motorName(m.id) + (m.curve ? '' : ', no curve')]);
  if (!choices.some(([id]) => id === d.motor)) choices.unshift([d.motor, d.motor ? `${d.motor}, no curve` : 'not stated']);
  const tyres = c.tyres ?? Boolean(d.tyres);
  const stated = c.adhesion ?? (tyres === Boolean(d.tyres) ? d.adhesion : undefined);
  return html`<fieldset data-set=${d.id}><legend>Driver set ${d.id}</legend>${choice('Motor', `motor-${d.id}`, choices, c.motor ?? d.motor, (v) => put({ motor: v }))}
    ${slider({ label: 'Gear ratio', unit: 'motor turns a wheel turn', name: `gear-${d.id}`, value: c.gear_ratio ?? d.gear_ratio, was: d.gear_ratio, ...reach(d.gear_ratio, 20, 0.1), onPut: (v) => put({ gear_ratio: v }) })}
    ${slider({ label: 'Wheel diameter', unit: 'mm', name: `wheel-${d.id}`, value: c.wheel_diameter_mm ?? d.wheel_diameter_mm, was: d.wheel_diameter_mm, ...reach(d.wheel_diameter_mm, 30, 0.1), onPut: (v) => put({ wheel_diameter_mm: v }) })}
    ${choice('Tyres', `tyres-${d.id}`, [['', 'none'], ['yes', 'fitted']], tyres ? 'yes' : '', (v) => put({ tyres: v === 'yes', adhesion: undefined }))}
    ${slider({ label: 'Adhesion', unit: 'greatest effort over weight', name: `adhesion-${d.id}`, value: stated || (tyres ? 0.4 : 0.25), was: d.adhesion || 0, taken: !stated, min: 0.05, max: 1, step: 0.01, onPut: (v) => put({ adhesion: v }) })}</fieldset>`;
}

/** What a slider reaches about what is stated; about a usual figure where nothing is. @param {number | undefined} v @param {number} usual @param {number} step */
function reach(v, usual, step) {
  const about = v || usual;
  return { min: Number((about / 2).toPrecision(2)), max: Number((about * 2).toPrecision(2)), step };
}

/** Opens the roster's form with a copy that is changed so. @param {Locomotive} l */
function keep(l) {
  const change = p.change;
  const engine = JSON.stringify(changedLocomotive(l, change)) !== JSON.stringify(changedLocomotive(l, unchanged()));
  if (engine) openChanged('locomotive', l.id, (copy) => Object.assign(copy, pick(changedLocomotive(/** @type {Locomotive} */ (copy), change))));
  else openChanged('consist', change.consist ?? p.consist, (copy) => Object.assign(copy, { cars: list(behind().changed?.cars) }));
  location.hash = 'roster';
}

/** @param {Locomotive} l */
const pick = ({ mass_g, driver_sets }) => ({ mass_g, driver_sets });
