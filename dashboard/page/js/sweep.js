// A throttle sweep: steps up and down again, each held, for the curve of a motor.
/** @import {DrivenMotor, SweepState} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, nowUs, openTrials } from './store.js';
import { list } from './merge.js';
import { field, submitting } from './forms.js';
import { span } from './format.js';
import { command } from './authority.js';
import { setThrottle, rampS } from './throttle.js';
import { motorWords, perCent } from './drivelive.js';

/** @param {DrivenMotor[]} motors under authority */
export function sweepSection(motors) {
  const w = state.driving?.sweep;
  return html`<section class="sweep" aria-labelledby="d-sweep"><h3 id="d-sweep">Throttle sweep</h3>
    ${w ? progress(w) : nothing}${w && !w.over ? nothing : sweepForm(motors)}</section>`;
}

/** @param {SweepState} w */
function progress(w) {
  const steps = 2 * w.steps - 1;
  if (w.over) return html`<p id="swept" role="status">${w.ended ? html`The last sweep ended before its time, at step ${w.step} of ${steps}: ${w.ended}.` : html`The last sweep ran to its end, ${steps} steps.`}</p>`;
  const each = w.total_us / steps;
  const left = Math.max(0, w.total_us - (w.step - 1) * each - Math.min(each, Math.max(0, nowUs() - w.at_us)));
  return html`<div id="sweeping"><p>Step <b class="num">${w.step} of ${steps}</b>, ${perCent(w.from_permille)} to ${perCent(w.to_permille)} and back; about ${span(left)} left.</p>
    <progress max=${steps} value=${w.step} aria-label="Steps of the sweep"></progress>
    <p class="acts"><button type="button" id="abort-sweep" @click=${() => setThrottle(list(w.motors), 0)}>Abort: close the throttle</button></p></div>`;
}

/** @param {DrivenMotor[]} motors */
function sweepForm(motors) {
  const begin = submitting((f) => command({
    do: 'sweep', sweep: {
      motors: f.texts('motor'), from_permille: Math.round(f.number('from') * 10), to_permille: Math.round(f.number('to') * 10),
      steps: Math.round(f.number('steps')), hold_s: f.number('hold'), ramp_s: Math.min(60, rampS()),
    },
  }));
  return html`<details class="sweep-form"><summary>Run a sweep</summary><form class="entry" id="sweep-form" @submit=${begin}>
    <p>From a stand: up in equal steps and down again, each held while readings are taken. ${openTrials().length ? 'The open trial records it.' : html`<b>No trial is open,</b> so a curve cannot be had from it: open one in the book first, with the load, or with the condition “wheels: free”.`}</p>
    <fieldset class="motors"><legend>Motors, all together</legend>${motors.map((m) => html`<label class="check"><input type="checkbox" name="motor" value=${m.motor} checked> <span>${motorWords(m)} <small>${m.motor}</small></span></label>`)}</fieldset>
    <div class="fields">${field('From', 'from', { unit: '%', number: true, value: 10, max: 99, required: true })}${field('To', 'to', { unit: '%', number: true, value: 60, min: 1, max: 100, required: true })}
      ${field('Steps up', 'steps', { number: true, value: 6, min: 2, max: 50, required: true })}${field('Held each', 'hold', { unit: 's', number: true, value: 3, min: 0.5, max: 60, required: true })}</div>
    <p class="acts"><button class="primary">Begin the sweep</button></p></form></details>`;
}
