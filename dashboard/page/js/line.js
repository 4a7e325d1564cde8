// The line: the board, the train graph, the plan and the roll on one sheet.
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, circuit, sessionOpen, openTrials } from './store.js';
import { board } from './board.js';
import { taps } from './taps.js';
import { settings, prefer } from './settings.js';
import { list } from './merge.js';
import { fixed } from './format.js';
import { motion } from './motion.js';
import { again } from './again.js';
import { later } from './later.js';
import './graph.js';
import './plan.js';

/** The roll and its chart library come when the first driver set reports. */
const needRoll = later(() => import('./roll.js'));

export function lineView() {
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  if (!sessionOpen() && !state.trials.size) return welcome();
  const empty = !openTrials().length && !state.trials.size;
  return html`<h1 class="aside">The line</h1>${taps()?.tapPanel()}${lineSheet(empty ? firstTrial() : board())}`;
}

/** Board, graph, plan and roll; a replay shows the same. @param {unknown} first what stands in the board's place */
export function lineSheet(first) {
  return html`${doubts()}<div class="line-sheet">${first}${trainGraph()}${plan()}${roll()}</div>`;
}

function welcome() {
  return html`<div class="sheet welcome"><h1>The book is closed</h1>
    <p>No session is open, so nothing is being timed. ${state.me.official ? 'With a loop of track and this machine you can time a train now:' : 'Whoever holds the official’s key opens a session in the book.'}</p>
    <p><a class="button primary" href="#book">Time your first train</a></p></div>`;
}

function firstTrial() {
  return html`<section class="sheet board welcome"><h2>Board</h2><p>The session is open and no trial has been run yet.</p>
    <p>${state.view?.meet ? html`<a class="button primary" href="#meet">See the meet</a>` : html`<a class="button primary" href="#book">${state.me.official ? 'Open a trial' : 'See the book'}</a>`}</p></section>`;
}

function doubts() {
  const all = list(state.view?.doubts);
  return all.length ? html`<ul class="doubts sheet">${all.map((d) => html`<li>${d}</li>`)}</ul>` : nothing;
}

function trainGraph() {
  return html`<section class="sheet graph" aria-labelledby="graph-title">
    <div class="caption"><h2 id="graph-title">Train graph</h2><p>time across, distance up; dashed inferred, thin provisional, dotted reckoned</p>${windows()}</div>
    <train-graph></train-graph></section>`;
}

/** The graph and the roll keep one time. */
function windows() {
  return html`<fieldset class="windows"><legend class="aside">Minutes shown</legend>${[1, 2, 5, 15].map((m) => html`
    <label><input type="radio" name="minutes" value=${m} .checked=${settings.minutes === m} @change=${() => { prefer({ minutes: m }); motion.ask(); again(); }}><span>${m} min</span></label>`)}</fieldset>`;
}

function plan() {
  const view = circuit();
  const pieces = list(view?.plan).length > 1;
  const off = view && pieces && view.gap_mm > 5 ? ` The pieces miss closing by ${fixed(view.gap_mm, 0)} mm.` : '';
  return html`<section class="sheet plan-sheet" aria-labelledby="plan-title">
    <div class="caption"><h2 id="plan-title">Plan</h2><p>${view ? `${view.circuit.name || view.circuit.id}, lap ${fixed(view.length_mm / 1000, 3)} m` : 'no circuit'}</p></div>
    <circuit-plan></circuit-plan>
    <p class="note">Places between gates are reckoned from the last passage: an estimate.${pieces ? off : ' No pieces are given, so the plan is a circle of the measured length and not its true shape.'}</p></section>`;
}

function roll() {
  if (state.motors.size) needRoll();
  return html`<section class="sheet roll" aria-labelledby="roll-title">
    <div class="caption"><h2 id="roll-title">Roll</h2><p>wheel speed of each driver set, and its throttle below</p></div>
    ${state.motors.size ? html`<dyno-roll></dyno-roll>` : html`<p class="empty">No driver set reports. The roll begins to run when a motor’s encoder is plugged in.</p>`}</section>`;
}
