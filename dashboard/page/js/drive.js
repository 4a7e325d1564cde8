// Driving: the cautions, who drives, choosing and arming motors, and, while this page
// holds authority, the desk.
/** @import {Locomotive, DriverSet} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, markOf, nowUs } from './store.js';
import { styles } from './css.js';
import { list } from './merge.js';
import { markPicture } from './marks.js';
import { again } from './again.js';
import { askSignIn } from './sign.js';
import { clock, span } from './format.js';
import { submitting } from './forms.js';
import { arm, holding, told } from './authority.js';
import { desk } from './drivedesk.js';
import { drivenTable } from './drivelive.js';
import { drivenOld, notToldSince } from './stopwords.js';
import { experimentSection } from './experiment.js';

/** A motor has reported lately when its last reading is no older, us. */
const LATELY_US = 5e6;

const pick = { /** @type {Set<string>} motors */ chosen: new Set(), touched: false, takeOver: false };

/** The view, once its style sheet is there. */
export async function ready() {
  await styles('drive');
  addEventListener('hashchange', toExperiment);
  setTimeout(toExperiment, 200);
  setInterval(() => document.getElementById('arm-form') && again(), 1000); // who reports, and since when, goes on while nothing else comes
  return { driveView };
}

/** #drive=experiment leads to the experiment. */
function toExperiment() {
  if (location.hash === '#drive=experiment') requestAnimationFrame(() => requestAnimationFrame(() => document.getElementById('experiment')?.scrollIntoView()));
}

function driveView() {
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  return html`<h1 class="aside">Driving</h1><div class="drive">
    ${told.lost ? html`<p class="refusal lost" role="alert" id="lost"><span><b>You do not drive any more:</b> ${told.lost}.</span> <button @click=${() => forget('lost')}>Dismiss</button></p>` : nothing}
    ${told.refused ? html`<p class="refusal" role="alert" id="refused"><span>Not done: ${told.refused}.</span> <button @click=${() => forget('refused')}>Dismiss</button></p>` : nothing}
    ${holding() ? desk() : html`${cautions()}${armSheet()}`}
    ${experimentSection()}</div>`;
}

/** @param {'lost' | 'refused'} what */
function forget(what) {
  told[what] = '';
  again();
}

function cautions() {
  return html`<section class="sheet cautions" aria-labelledby="d-cautions"><div class="caption"><h2 id="d-cautions">Before a motor is driven from here</h2><p>each time</p></div>
    <ol>
      <li><b>A hardware cut-off within reach comes first:</b> a switch or plug that takes the supply away from every motor, and somebody beside it who sees the track.</li>
      <li><b>The stop of this page is not a safety device.</b> It goes through a browser, a network, a service and a board, and each of them can fail. It is there for convenience; the cut-off is there for safety.</li>
      <li><b>A locomotive can run away and leave the table.</b> Close the ends, keep people and cables off the track, and begin with the wheels free or the throttle low.</li>
      <li><b>Motors and resistors get hot</b> at a stall, on a bench and in a sweep. Do not touch them, and let them cool.</li>
      <li><b>Gears and couplings catch fingers,</b> hair and sleeves. Hands off while anything is armed.</li>
      <li><b>Lithium packs burn</b> when shorted, run flat or crushed. Fuse them, watch them, and charge them elsewhere.</li>
      <li><b>The makers’ instructions, the venue’s rules and local codes go first,</b> and so does the practice of licensed people where one is asked for. Nothing here replaces them.</li>
    </ol></section>`;
}

function armSheet() {
  const holder = state.driving?.holder;
  const [what, since] = !holder ? ['Arm motors', 'one drives at a time'] : drivenOld() ? [`Not known whether ${holder} drives`, notToldSince()] : [`${holder} drives`, `since ${clock(state.driving?.since_us)}`];
  return html`<section class="sheet" aria-labelledby="d-arm" id="arm"><div class="caption"><h2 id="d-arm">${what}</h2><p>${since}</p></div>
    ${state.driving ? nothing : html`<p class="empty">The driving service has not been heard of yet.</p>`}
    ${holder && state.driving ? drivenTable(state.driving) : nothing}
    ${state.me.official ? armForm(holder ?? '') : html`<p>Whoever drives signs in first. Stopping needs no sign-in.</p><p class="acts"><button class="primary" @click=${askSignIn}>Sign in as the official</button></p>`}</section>`;
}

/** @param {string} holder */
function armForm(holder) {
  if (holder && !pick.takeOver) {
    return html`<p>Two who drive one train do not know what the other does. Speak with ${holder} first.</p>
      <p class="acts"><button id="take-over" @click=${() => { pick.takeOver = true; again(); }}>Take over from ${holder}…</button></p>`;
  }
  const send = submitting(async (f, form) => {
    const motors = f.texts('motor');
    if (!motors.length) {
      Object.assign(told, { refused: 'no motor is chosen' });
      again();
      requestAnimationFrame(() => document.getElementById('refused')?.scrollIntoView({ block: 'center' }));
      return;
    }
    for (const one of form.querySelectorAll('input[required]')) /** @type {HTMLInputElement} */ (one).checked = false; // confirmed anew each time
    if ((await arm(motors, Boolean(holder))).ok) Object.assign(pick, { takeOver: false, chosen: new Set(motors), touched: true });
    again();
  });
  return html`<form class="entry" id="arm-form" @submit=${send}>
    ${motorChoice()}
    <label class="check"><input type="checkbox" name="cautions" required> <span>I have read the cautions above; the hardware cut-off is within reach, and I can see the track.</span></label>
    ${holder ? html`<label class="check"><input type="checkbox" name="knowingly" required> <span>I take over from ${holder}, who knows of it. All motors stop when I do.</span></label>` : nothing}
    <p class="acts"><button class="primary">${holder ? `Take over from ${holder}` : 'Arm the motors chosen'}</button>
      ${holder ? html`<button type="button" @click=${() => { pick.takeOver = false; again(); }}>Leave it</button>` : nothing}</p>
    <p class="note">Authority is said again twice a second while this page is open and seen. When it is hidden, closed or cut off, authority lapses within 2 s and the motors stop; a board that hears nothing for half a second stops by itself.</p></form>`;
}

/** @typedef {{motor: string, set?: DriverSet, heard: boolean, ageUs: number}} Choice */

/** Motors by locomotive: those whose motors have reported lately first. */
function motorChoice() {
  const groups = list(state.view?.locomotives).map((l) => ({ loco: l, of: list(l.driver_sets).filter((d) => d.motor).map((set) => choiceOf(set.motor, set)) })).filter((g) => g.of.length);
  const lately = groups.filter((g) => g.of.some((c) => c.heard));
  const rest = groups.filter((g) => !g.of.some((c) => c.heard));
  const used = new Set(groups.flatMap((g) => g.of.map((c) => c.motor)));
  const loose = list(state.view?.named_motors).filter((m) => !used.has(m.id)).map((m) => choiceOf(m.id));
  if (!pick.touched) pick.chosen = new Set(lately.length === 1 ? lately[0].of.filter((c) => c.heard).map((c) => c.motor) : []);
  const none = !groups.length && !loose.length;
  return html`${none ? html`<p class="empty">No locomotive of the roster has a driver set with a motor.</p><p class="acts"><a class="button" href="#roster">Write one down in the roster</a></p>` : nothing}
    ${lately.map((g) => group(g.loco, g.of))}
    ${rest.length || loose.length ? html`<details ?open=${!lately.length}><summary>Motors that have not reported in the last 5 s</summary>${rest.map((g) => group(g.loco, g.of))}${loose.length ? html`<fieldset class="motors"><legend>On the bench, in no locomotive</legend>${loose.map(box)}</fieldset>` : nothing}</details>` : nothing}`;
}

/** @param {string} motor @param {DriverSet} [set] @returns {Choice} */
function choiceOf(motor, set) {
  const last = state.motors.get(motor)?.at_us;
  const ageUs = last ? Math.max(0, nowUs() - last) : Infinity;
  return { motor, set, ageUs, heard: ageUs < LATELY_US };
}

/** @param {Locomotive} loco @param {Choice[]} of */
function group(loco, of) {
  return html`<fieldset class="motors"><legend>${markPicture(markOf(loco.id))} ${loco.name || loco.id}</legend>${of.map(box)}</fieldset>`;
}

/** @param {Choice} c */
function box(c) {
  const name = list(state.view?.named_motors).find((m) => m.id === c.motor)?.name;
  const turn = (/** @type {Event} */ e) => {
    pick.touched = true;
    pick.chosen[/** @type {HTMLInputElement} */ (e.target).checked ? 'add' : 'delete'](c.motor);
  };
  return html`<label class="check"><input type="checkbox" name="motor" value=${c.motor} .checked=${pick.chosen.has(c.motor)} @change=${turn}>
    <span>${c.set ? html`<b>${c.set.id}</b> set, ` : nothing}motor ${name ? `${name} (${c.motor})` : c.motor} <small>${c.heard ? `reports: ${span(c.ageUs)} ago` : c.ageUs < Infinity ? `silent for ${span(c.ageUs)}` : 'has not reported in this session'}</small></span></label>`;
}
