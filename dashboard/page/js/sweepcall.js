// A sweep under way: the throttle of now called out for a hand on the controller, or
// sent to the driving service, and what the motors say meanwhile.
/** @import {Locomotive, SweepState, Trial} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, nowUs } from './store.js';
import { list } from './merge.js';
import { again } from './again.js';
import { fixed, known, DASH } from './format.js';
import { motorName } from './stock.js';
import { command, deadWhy, holding, told } from './authority.js';
import { sweepPlan, throttles, stepAt } from './sweepplan.js';

/** Time to lay a hand on the controller. */
const LEAD_S = 3;
const OLD_US = 2_000_000;

/** What is called out; trial is '' when nothing is. */
export const calling = { trial: '', fromMs: 0, /** @type {number[]} */ all: [], holdS: 0 };
let ticking = 0;

/** @param {string} trial */
function startCalling(trial) {
  Object.assign(calling, { trial, fromMs: performance.now() + LEAD_S * 1000, all: throttles(sweepPlan.from_permille, sweepPlan.to_permille, sweepPlan.steps), holdS: sweepPlan.hold_s });
  again();
}

export function stopCalling() {
  calling.trial = '';
  again();
}

/** Draws again while the sheet is shown and something moves. */
function tick() {
  clearTimeout(ticking);
  ticking = setTimeout(again, 100);
}

/** The step that is called out now. */
export function called() {
  return stepAt(calling.all, calling.holdS, (performance.now() - calling.fromMs) / 1000);
}

/** @param {Trial} t open @param {Locomotive} l */
export function caller(t, l) {
  tick();
  const w = state.driving?.sweep;
  const driven = w && !w.over && list(w.motors).some((m) => list(l.driver_sets).some((d) => d.motor === m));
  return html`<div class="caller">${driven ? progress(w) : calling.trial === t.id ? words() : offers(t)}
    ${told.refused ? html`<p class="refusal" role="alert">${told.refused}</p>` : nothing}${readings(l)}</div>`;
}

/** @param {Trial} t */
function offers(t) {
  const { motors, from_permille, to_permille, steps, hold_s } = sweepPlan;
  const last = state.driving?.sweep;
  const drive = () => command({ do: 'sweep', sweep: { motors, from_permille, to_permille, steps, hold_s } });
  return html`<p>Either the throttle is yours, on your own controller: the page calls out each step, and waits for none. Or the service drives, and you watch with a hand at the switch.</p>
    ${last?.over && last.at_us > (t.from_us ?? 0) ? html`<p role="status">${last.ended ? `The sweep ended before its time, at step ${last.step}: ${last.ended}.` : 'The service has driven it to its end.'}</p>` : nothing}
    <p class="acts"><button @click=${() => startCalling(t.id)}>Call out the steps</button>${holding() ? html`<button class="primary" ?disabled=${Boolean(deadWhy()) || !motors.length} @click=${drive}>Let the service drive the sweep</button>` : html`<a class="button" href="#drive">Take authority on the Drive page</a>`}</p>
    <p class="note">${holding() ? deadWhy() || 'This page holds authority: stop is at the head of the sheet and on the escape key.' : 'Who holds authority there finds the sweep offered here when he comes back.'}</p>`;
}

/** @param {SweepState} w */
function progress(w) {
  const all = throttles(w.from_permille, w.to_permille, w.steps);
  const next = all[w.step];
  return html`<p class="call-now" data-permille=${all[w.step - 1] ?? nothing}><span role="status"><b>Throttle ${fixed((all[w.step - 1] ?? 0) / 10, 0)} %</b></span><span class="num">step ${w.step} of ${all.length}</span></p>
    <p>The service drives.${next ? ` Then ${fixed(next / 10, 0)} %.` : ' Then it closes the throttle.'}</p>`;
}

function words() {
  const s = called();
  const percent = (/** @type {number | null} */ d) => (d === null ? DASH : `${fixed(d / 10, 0)} %`);
  const rising = s.i > 0 && s.i < calling.all.length && calling.all[s.i] < calling.all[s.i - 1] ? 'falling' : 'rising';
  if (s.i >= calling.all.length) return html`<p class="call-now" role="status"><b>Close the throttle</b></p><p>All ${calling.all.length} steps were called. Close its trial when the wheels stand still.</p><p class="acts"><button @click=${stopCalling}>Call them again</button></p>`;
  return html`<p class="call-now" data-permille=${s.now ?? nothing}><span role="status"><b>${s.i < 0 ? 'Ready' : `Throttle ${percent(s.now)}`}</b></span><span class="num">${s.i < 0 ? 'in' : 'for'} ${fixed(s.leftS, 1)} s</span></p>
    <p>${s.i < 0 ? `First ${percent(s.next)}` : `Step ${s.i + 1} of ${calling.all.length}, ${rising}. Then ${s.next ? percent(s.next) : 'close the throttle'}`}.</p>
    <p class="acts"><button @click=${stopCalling}>Stop calling</button></p>`;
}

/** What the motors say now. @param {Locomotive} l */
function readings(l) {
  return html`<table class="readings"><caption>What the motors say now</caption><thead><tr><th scope="col">motor</th><th scope="col">throttle</th><th scope="col">wheel speed</th><th scope="col">current</th><th scope="col">supply</th></tr></thead>
    <tbody>${list(l.driver_sets).filter((d) => sweepPlan.motors.includes(d.motor)).map((d) => {
      const m = state.motors.get(d.motor);
      const old = m && nowUs() - m.at_us > OLD_US;
      const figure = (/** @type {number | null | undefined} */ v, /** @type {number} */ scale, /** @type {number} */ n, /** @type {string} */ unit) => (known(v) && !old ? `${fixed(v / scale, n)} ${unit}` : DASH);
      return html`<tr><th scope="row">${motorName(d.motor)}${!m ? html`<small> no reading yet</small>` : old ? html`<small> silent for ${fixed((nowUs() - m.at_us) / 1e6, 0)} s</small>` : nothing}</th>
        <td class="num">${figure(m?.duty_permille, 10, 0, '%')}</td><td class="num">${figure(m?.wheel_speed_mm_s, 1, 0, 'mm/s')}</td><td class="num">${figure(m?.current_ma, 1, 0, 'mA')}</td><td class="num">${figure(m?.voltage_mv, 1000, 2, 'V')}</td></tr>`;
    })}</tbody></table>`;
}
