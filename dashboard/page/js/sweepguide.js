// The guided throttle sweep: which locomotive, under which loads, what to expect and
// to mind; a trial for each load; the fit of what came out, and keeping it.
/** @import {CurveOf, Locomotive, NamedMotor, Trial} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, sessionOpen, consist, locomotive } from './store.js';
import { list } from './merge.js';
import { again } from './again.js';
import { at, decide, Refused } from './api.js';
import { attempt, closeTrial } from './decide.js';
import { askSignIn } from './sign.js';
import { fetched } from './fetched.js';
import { choice } from './forms.js';
import { openTrial } from './trialform.js';
import { clock, fixed } from './format.js';
import { stockItem, motorName } from './stock.js';
import { curveSheet } from './motorcurve.js';
import { sweepPlan, throttles } from './sweepplan.js';
import { caller, calling, stopCalling } from './sweepcall.js';

/** @typedef {{key: string, words: string, consist?: string, free?: boolean}} Load */

const sweep = {
  /** keys of the loads that are chosen */ loads: ['free', 'light'],
  /** @type {CurveOf[]} */ fitted: [],
  /** @type {string[]} */ refused: [],
  fitting: false,
  of: '',
};

/** Locomotives with a motor to sweep. @returns {Locomotive[]} */
const engines = () => list(state.view?.locomotives).filter((l) => list(l.driver_sets).some((d) => d.motor));

/** @returns {Load[]} */
function loads() {
  return [{ key: 'free', words: 'wheels free, on a stand', free: true }, { key: 'light', words: 'light engine on the rails' },
    ...list(state.view?.consists).filter((c) => list(c.cars).length).map((c) => ({ key: `with ${c.id}`, words: `with ${c.name || c.id}`, consist: c.id }))];
}

/** What a trial was run with; a consist without cars is nothing. @param {Trial} t */
function behind(t) {
  return t.consist && list(consist(t.consist)?.cars).length ? t.consist : '';
}

/** Sweeps of this session with a locomotive under a load, the newest first. @param {string} of @param {Load} load @returns {Trial[]} */
function runs(of, load) {
  return [...state.trials.values()].map((r) => r.trial).filter((t) => t.locomotive === of && !t.void && t.conditions?.purpose === 'sweep'
    && (t.conditions?.wheels === 'free') === Boolean(load.free) && (load.free || behind(t) === (load.consist ?? ''))).reverse();
}

export function sweepSheet() {
  const all = engines();
  if (!all.length) return html`<p class="empty">No locomotive of the roster names a motor in a driver set yet. Write that down in the <a href="#roster">roster</a>.</p>`;
  if (!all.some((l) => l.id === sweepPlan.locomotive)) choose(all[0].id);
  const l = /** @type {Locomotive} */ (locomotive(sweepPlan.locomotive));
  return html`<div class="guide">${before()}<ol class="guide-steps">
    <li><h3>Which motors</h3>${which(all, l)}</li><li><h3>Under which loads</h3>${underLoads()}</li>
    <li><h3>How the throttle goes</h3>${throttlePlan()}</li><li><h3>Run each</h3>${toRun(l)}</li><li><h3>The fit</h3>${fit(l)}</li></ol></div>`;
}

/** What to expect, and what to mind. */
function before() {
  return html`<div class="before"><p>Each throttle is held until the speed has settled, up and down again, so that a motor that warms shows as rising and falling steps lying apart. Two loads at least: one alone tells resistance and no-load current badly apart. The motor’s board has to report counts, current and voltage.</p>
    <p><b>Mind:</b> a motor held at a high throttle gets hot, so let it cool between loads and stop when it smells. Wheels on a stand start without warning: keep fingers, hair and sleeves away. On the rails be sure the way is clear and the curves bear the speed. Never charge or short lithium packs on the bench; have a switch that cuts the power by hand, and try it first.</p></div>`;
}

/** @param {string} id */
function choose(id) {
  Object.assign(sweepPlan, { locomotive: id, motors: list(locomotive(id)?.driver_sets).map((d) => d.motor).filter(Boolean) });
  Object.assign(sweep, { fitted: [], refused: [] });
}

/** @param {Locomotive[]} all @param {Locomotive} l */
function which(all, l) {
  const motors = list(l.driver_sets).filter((d) => d.motor);
  const without = motors.filter((d) => !d.counts_per_motor_rev);
  return html`<div class="fields">${choice('Locomotive', 'sweep-locomotive', all.map((x) => [x.id, x.name || x.id]), l.id, (v) => { choose(v); again(); })}</div>
    <fieldset class="picks"><legend>Its motors, swept together</legend>${motors.map((d) => html`<label class="check"><input type="checkbox" name="sweep-motor" value=${d.motor} .checked=${sweepPlan.motors.includes(d.motor)} @change=${(/** @type {Event} */ e) => toggle(sweepPlan, 'motors', d.motor, e)}><span>${motorName(d.motor)} <small>${d.id}</small></span></label>`)}</fieldset>
    ${without.length ? html`<p class="note">Counts a motor turn are not stated for ${without.map((d) => d.id).join(' and ')}: without them there is no speed, and no curve. The <a href="#roster">roster</a> takes them.</p>` : nothing}`;
}

/** @param {any} of @param {string} field a list in it @param {string} key @param {Event} e */
function toggle(of, field, key, e) {
  const on = /** @type {HTMLInputElement} */ (e.target).checked;
  of[field] = on ? [...of[field], key] : of[field].filter((/** @type {string} */ k) => k !== key);
  again();
}

function underLoads() {
  return html`<fieldset class="picks"><legend>Two at least, as unlike as they can be</legend>${loads().map((x) => html`<label class="check"><input type="checkbox" name="sweep-load" value=${x.key} .checked=${sweep.loads.includes(x.key)} @change=${(/** @type {Event} */ e) => toggle(sweep, 'loads', x.key, e)}><span>${x.words}</span></label>`)}</fieldset>
    ${sweep.loads.length < 2 ? html`<p class="note" role="status">One load alone: choose another beside it.</p>` : nothing}`;
}

function throttlePlan() {
  const { from_permille, to_permille, steps, hold_s } = sweepPlan;
  const n = 2 * steps - 1;
  /** @param {string} label @param {string} unit @param {'from_permille' | 'to_permille' | 'steps' | 'hold_s'} key @param {number} scale @param {number} min @param {number} max */
  const number = (label, unit, key, scale, min, max) => html`<label><span>${label} <small>${unit}</small></span><input type="number" inputmode="decimal" step="any" name=${`sweep-${key}`} min=${min} max=${max} .value=${String(sweepPlan[key] / scale)}
    @change=${(/** @type {Event} */ e) => {
      const input = /** @type {HTMLInputElement} */ (e.target);
      setPlan(key, Number(input.value) * scale, min * scale, max * scale);
      input.value = String(sweepPlan[key] / scale); // what was taken stands there
    }}></label>`;
  return html`<div class="fields">${number('From', '% throttle', 'from_permille', 10, 1, 99)}${number('To', '% throttle', 'to_permille', 10, 2, 100)}${number('Steps', 'up, and the same down', 'steps', 1, 2, 50)}${number('Each held', 's', 'hold_s', 1, 1, 60)}</div>
    <p class="note">${throttles(from_permille, to_permille, steps).map((d) => fixed(d / 10, 0)).join(', ')} %: ${n} throttles, ${fixed((n * hold_s) / 60, 1)} min a load. A step is used from when its speed has settled, and needs 0.8 s and 8 readings after that.</p>`;
}

/** @param {'from_permille' | 'to_permille' | 'steps' | 'hold_s'} key @param {number} v @param {number} min @param {number} max */
function setPlan(key, v, min, max) {
  const within = Math.min(max, Math.max(min, v || min));
  sweepPlan[key] = key === 'hold_s' ? within : Math.round(within);
  if (sweepPlan.to_permille <= sweepPlan.from_permille) sweepPlan.to_permille = Math.min(1000, sweepPlan.from_permille + 10);
  again();
}

/** @param {Locomotive} l */
function toRun(l) {
  if (!sessionOpen()) return html`<p class="empty">No session is open: a sweep belongs to one. Open it in the <a href="#book">book</a>.</p>`;
  if (!state.me.official) return html`<p class="acts"><button @click=${askSignIn}>Sign in</button></p><p class="note">Only an official opens trials.</p>`;
  return html`<ul class="entries loads-to-run">${loads().filter((x) => sweep.loads.includes(x.key)).map((x) => loadLine(l, x))}</ul>`;
}

/** @param {Locomotive} l @param {Load} load */
function loadLine(l, load) {
  const [last] = runs(l.id, load);
  const open = last && !last.to_us;
  const busy = [...state.trials.values()].find((r) => r.trial.locomotive === l.id && !r.trial.to_us && r.trial.id !== last?.id);
  return html`<li data-load=${load.key}><span><b>${load.words}</b><span class="faint">${!last ? 'not run yet' : open ? `trial open since ${clock(last.from_us)}` : `run ${clock(last.from_us)} to ${clock(last.to_us)}`}</span></span>
    ${open ? html`<button @click=${() => end(last)}>Close its trial</button>` : busy ? html`<span class="note">another trial of it is open: close <a class="inline" href="#book" @click=${() => setTimeout(toLine, 0, busy.trial.id)}>that of ${clock(busy.trial.from_us, false)}</a> first</span>` : html`<button class=${last ? '' : 'primary'} @click=${() => begin(l, load)}>${last ? 'Run it again' : 'Open its trial'}</button>`}
    ${open ? caller(last, l) : nothing}</li>`;
}

/** Shows a trial's line in the book, once the book is there. @param {string} trial */
function toLine(trial) {
  const line = document.querySelector(`[data-line="${trial}"]`);
  if (line) line.scrollIntoView({ block: 'center' });
  else if (location.hash === '#book') setTimeout(toLine, 50, trial);
}

/** @param {Locomotive} l @param {Load} load */
function begin(l, load) {
  const conditions = { purpose: 'sweep', ...(load.free && { wheels: 'free' }) };
  return attempt(() => openTrial({ locomotive: l.id, ...(load.consist && { consist: load.consist }), direction: 'forward', conditions }));
}

/** @param {Trial} t */
async function end(t) {
  if (calling.trial === t.id) stopCalling();
  await closeTrial(t);
}

/** @param {Locomotive} l */
function fit(l) {
  const done = loads().filter((x) => sweep.loads.includes(x.key)).map((x) => ({ x, t: runs(l.id, x).find((t) => t.to_us) })).filter((r) => r.t);
  const trials = done.map((r) => /** @type {Trial} */ (r.t).id);
  const go = () => ask(l.id, trials);
  return html`${trials.length < 2 ? html`<p class="note">${trials.length ? 'One load is run. The fit of one alone can be looked at, but no-load current and resistance are then badly known.' : list(loads()).some((x) => runs(l.id, x).length) ? 'What is run counts once its trial is closed.' : 'Nothing is run yet.'}</p>` : html`<p class="note">From ${done.map((r) => r.x.words).join(', ')}.</p>`}
    <p class="acts"><button class=${trials.length > 1 ? 'primary' : ''} ?disabled=${!trials.length || sweep.fitting || !sweepPlan.motors.length} @click=${go}>${sweep.fitting ? 'Fitting…' : 'Fit the curves'}</button></p>
    <div role="status">${sweep.of === l.id ? sweep.refused.map((r) => html`<p class="refusal">${r}</p>`) : nothing}</div>
    ${sweep.of === l.id ? sweep.fitted.map(fitted) : nothing}`;
}

/** @param {string} of @param {string[]} trials */
async function ask(of, trials) {
  Object.assign(sweep, { fitting: true, fitted: [], refused: [], of });
  again();
  for (const motor of sweepPlan.motors) {
    const q = new URLSearchParams([['motor', motor], ...trials.map((t) => ['trial', t])]);
    try {
      sweep.fitted.push(await fetched(at(`/api/curve?${q}`)));
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      sweep.refused.push(`${motorName(motor)}: ${e.message}`);
    }
  }
  sweep.fitting = false;
  again();
}

/** @param {CurveOf} c */
function fitted(c) {
  const named = /** @type {NamedMotor | null} */ (stockItem('motor', c.motor));
  const kept = JSON.stringify(named?.curve?.steps) === JSON.stringify(c.curve.steps) && named?.curve?.k_v_s.value === c.curve.k_v_s.value;
  return html`<section class="fitted" data-fitted=${c.motor}><h4>${motorName(c.motor)}</h4>${curveSheet(c.motor, c.curve, named?.nominal_mv)}
    ${kept ? html`<p class="note" role="status">Kept with the motor.</p>` : state.me.official ? html`<p class="acts"><button class="primary" @click=${() => keep(c, named)}>Keep with the motor</button></p>
      ${named?.curve ? html`<p class="note">It takes the place of the curve that the motor has: ${named.curve.source || 'source not stated'}. The audit keeps that one, and it can be put back.</p>` : nothing}` : nothing}</section>`;
}

/** @param {CurveOf} c @param {NamedMotor | null} named */
function keep(c, named) {
  return attempt(() => decide('motor', { ...(named ?? { id: c.motor, name: c.motor }), curve: c.curve }));
}
