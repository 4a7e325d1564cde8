// What the page knows, in one place. A view replaces all of it, frames carry
// it on, and whoever draws is told which kind of thing changed.
/** @import {View, Frame, Trial, TrialResult, PassageVerdict, MotorVerdict, CircuitView, Locomotive, Consist, Health, Order, Incident, Driving} from '../../types/wire.js' */
/** @import {Phase} from './link.js' */
/** @import {Me} from './api.js' */
/** @import {Mark} from './marks.js' */
import { list, mergeResult, mergePassages, sortPassages } from './merge.js';
import { Pen, KEEP_US } from './pen.js';
import { BusClock } from './clock.js';
import { assignMarks, mark } from './marks.js';

/** @typedef {{trial: Trial, result: TrialResult | null, passages: PassageVerdict[]}} Running a trial with what is known of it */

export const state = {
  /** @type {View | null} */ view: null,
  /** @type {Map<string, Running>} */ trials: new Map(),
  /** @type {Map<string, Mark>} by locomotive */ marks: new Map(),
  /** @type {Map<string, Pen>} by motor */ pens: new Map(),
  /** @type {Map<string, MotorVerdict>} the newest of each motor */ motors: new Map(),
  /** @type {Order | null} how sure it is which train is which */ order: null,
  /** @type {Driving | null} what is driven now, and by whom */ driving: null,
  /** performance.now() when that was told */ drivenMs: 0,
  rev: 0,
  /** bus time of the last message */ toldUs: 0,
  /** @type {Phase} */ phase: 'calling',
  /** bus time when the last message before the silence came */ silentUs: 0,
  /** @type {Me} */ me: { official: null },
  /** @type {Health | null} */ health: null,
  /** counts and refusals of taps, for the page to show */
  taps: { sent: 0, unsent: 0, why: '', refused: '' },
};

export const clock = new BusClock();

/** @typedef {'setup' | 'results' | 'motion' | 'line' | 'me' | 'health' | 'taps' | 'driving'} Kind */
/** @type {((kind: Kind) => void)[]} */
const listeners = [];

/** @param {(kind: Kind) => void} f */
export function onChange(f) {
  listeners.push(f);
}

/** @param {Kind} kind */
export function changed(kind) {
  for (const f of listeners) f(kind);
}

/** @param {View} view */
export function putView(view) {
  state.view = view;
  state.trials = new Map(list(view.trials).map((trial) => [trial.id, { trial, result: null, passages: [] }]));
  for (const r of list(view.results)) {
    const running = state.trials.get(r.trial);
    if (running) running.result = mergeResult(null, r);
  }
  putPassages(view);
  // Those entered or run in this session keep their marks when another runs or is written down.
  state.marks = assignMarks([...list(view.entries), ...list(view.trials)].map((x) => x.locomotive).concat(list(view.locomotives).map((l) => l.id)));
  state.pens = new Map();
  state.motors = new Map();
  for (const m of list(view.motors)) putMotor(m);
  state.order = view.order ?? null;
  state.rev = view.rev;
  state.toldUs = view.now_us;
  changed('setup');
}

/** @param {View} view */
function putPassages(view) {
  /** @type {Map<string, PassageVerdict[]>} */
  const by = new Map();
  for (const p of list(view.passages)) {
    const of = by.get(p.trial);
    if (of) of.push(p);
    else by.set(p.trial, [p]);
  }
  for (const [trial, passages] of by) {
    const running = state.trials.get(trial);
    if (running) running.passages = sortPassages(passages, view.now_us - KEEP_US);
  }
}

/** @param {Frame} frame */
export function putFrame(frame) {
  if (!state.view || frame.rev < state.view.rev) return;
  state.rev = frame.rev;
  state.toldUs = frame.now_us;
  for (const r of list(frame.results)) {
    const running = state.trials.get(r.trial);
    if (running) running.result = mergeResult(running.result, r);
  }
  for (const of of list(frame.passages)) {
    const running = state.trials.get(of.trial);
    if (running) running.passages = mergePassages(running.passages, of, frame.now_us - KEEP_US);
  }
  for (const m of list(frame.motors)) putMotor(m);
  if (frame.order) state.order = frame.order;
  if (frame.results?.length || frame.order) changed('results');
  changed('motion');
}

/** Driving services that have been followed by another. @type {Set<string>} */
const past = new Set();

/** An answer may come later than what was told after it: what is older is left. @param {Driving} d */
export function putDriving(d) {
  const last = state.driving;
  if (last && (d.boot === last.boot ? d.revision <= last.revision : past.has(d.boot))) return;
  if (last && d.boot !== last.boot) past.add(last.boot);
  state.driving = d;
  state.drivenMs = performance.now();
  changed('driving');
}

/** @param {MotorVerdict} m */
function putMotor(m) {
  let pen = state.pens.get(m.motor);
  if (!pen) state.pens.set(m.motor, (pen = new Pen()));
  pen.add(m.at_us, m.wheel_speed_mm_s, m.duty_permille, [m.slip, m.u_slip, m.desync, m.u_desync]);
  state.motors.set(m.motor, m);
}

/** Bus time to draw at: it stands still while the line is silent. */
export function nowUs() {
  return state.phase === 'live' ? Math.max(clock.busUs(), state.toldUs) : state.silentUs || state.toldUs;
}

/** The circuit of the open session, or the only one. @returns {CircuitView | null} */
export function circuit() {
  const all = list(state.view?.circuits);
  const id = state.view?.session?.circuit;
  return all.find((c) => c.circuit.id === id) ?? null;
}

/** @param {string} id @returns {Locomotive | null} */
export function locomotive(id) {
  return list(state.view?.locomotives).find((l) => l.id === id) ?? null;
}

/** @param {string | undefined} id @returns {Consist | null} */
export function consist(id) {
  return list(state.view?.consists).find((c) => c.id === id) ?? null;
}

/** The mark of a locomotive. @param {string} id @returns {Mark} */
export function markOf(id) {
  return state.marks.get(id) ?? mark(0);
}

/** Open trials, newest first. @returns {Running[]} */
export function openTrials() {
  return [...state.trials.values()].filter((r) => !r.trial.to_us).reverse();
}

/** Closed trials, newest first. @returns {Running[]} */
export function closedTrials() {
  return [...state.trials.values()].filter((r) => r.trial.to_us).reverse();
}

/** The name of a trial's locomotive. @param {string} trial */
export function nameOf(trial) {
  const id = state.trials.get(trial)?.trial.locomotive ?? trial;
  return locomotive(id)?.name || id;
}

/** What happened to a train. @param {Running} r @returns {Incident[]} */
export function incidents(r) {
  return list(r.result?.incidents);
}

/** @param {Trial} t */
export function direction(t) {
  return t.direction === 'reverse' ? -1 : 1;
}

export function sessionOpen() {
  const s = state.view?.session;
  return Boolean(s && !s.closed_us);
}
