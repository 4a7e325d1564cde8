// The next thing to do: open the next run, end the one under way, and so on to
// the signature. It is always the first thing on the page.
/** @import {Trial} from '../../types/wire.js' */
/** @import {Turn} from './meetplan.js' */
/** @import {Running} from './store.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state, clock, markOf, sessionOpen } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { trialId } from './slug.js';
import { field, choice, submitting } from './forms.js';
import { again } from './again.js';
import { lapTime, clock as clockWords } from './format.js';
import { Refused } from './api.js';
import { act, refusal, write, tell, historyOf } from './meetact.js';
import { seen } from './shown.js';
import { know, className, locomotiveName, endWords } from './meetknow.js';
import { swap } from './meetorder.js';

/** What is typed for every run, so that like is compared with like. */
const CONDITIONS = ['battery_v', 'throttle_permille', 'tyres', 'temperature_c'];
/** @type {[string, string][]} */
const OUTCOMES = [['abandoned', 'Abandoned'], ['stalled', 'Stalled'], ['derailed', 'Derailed']];

/** run: whose form is open; last: the last trial of its locomotive; wrong: how the one under way went wrong is asked. */
const now = { run: '', key: 0, last: /** @type {Trial | null} */ (null), wrong: '' };

/** Opens the form of a run, filled from the last run of its locomotive. @param {string} run */
export async function openRunForm(run) {
  const t = know().all.find((x) => x.run.id === run);
  if (!t?.entry) return;
  now.last = await lastTrial(t.entry.locomotive);
  Object.assign(now, { run, key: now.key + 1 });
  again();
  requestAnimationFrame(() => requestAnimationFrame(() => document.querySelector('#next')?.scrollIntoView({ block: 'start' })));
}

function close() {
  now.run = '';
  again();
}

/** Of this session, else of an earlier one. @param {string} id @returns {Promise<Trial | null>} */
async function lastTrial(id) {
  const here = [...state.trials.values()].filter((r) => r.trial.locomotive === id).at(-1);
  if (here) return here.trial;
  try {
    return list((await historyOf(id)).trials).at(-1)?.about ?? null;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    return null;
  }
}

/** What is under way, large; with what is next under it. @param {Running} r */
export function runningNow(r) {
  const t = know().all.find((x) => x.run.id === r.trial.run);
  const m = know().meet;
  const laps = list(r.result?.laps).filter((l) => l.counts === 'yes').length;
  const last = list(r.result?.laps).at(-1);
  const goal = r.trial.ends_after_laps;
  return html`<div class="now" data-now=${r.trial.id}><p class="call-word">Now running${t ? `, run ${t.number}` : ''}</p>
    <h2>${markPicture(markOf(r.trial.locomotive))} ${r.trial.entrant || locomotiveName(r.trial.locomotive)}</h2>
    <p class="with">${r.trial.entrant ? locomotiveName(r.trial.locomotive) : 'a trial of no run'}</p>
    <p class="count"><b class="num">${goal ? `${Math.min(laps, goal)} of ${goal}` : laps}</b> ${goal || laps !== 1 ? 'laps' : 'lap'} counted${last ? html`, the last <b class="num">${lapTime(last.lap_time_s, last.u_s, false)}</b> s` : nothing}${m && t ? html`<small>It ends ${endWords(m)}.</small>` : nothing}</p>
    ${state.me.official ? ending(r.trial) : nothing}${refusal('run')}</div>`;
}

/** @param {Trial} trial */
function ending(trial) {
  const alone = trial.ends_after_laps || trial.ends_after_s;
  if (now.wrong !== trial.id) {
    return html`<p class="acts"><button id="end-run" class=${alone ? '' : 'primary'} @click=${() => end(trial, '', '')}>End the run${alone ? ' now' : ''}</button><button id="wrong" @click=${() => { now.wrong = trial.id; again(); }}>It did not end as planned</button></p>`;
  }
  const does = submitting((f) => end(trial, f.text('outcome'), f.text('why')));
  return html`<form class="reason" id="outcome-form" @submit=${does}>${choice('How it ended', 'outcome', OUTCOMES)}${field('What happened', 'why')}
    <button class="primary">End the run so</button><button type="button" @click=${() => { now.wrong = ''; again(); }}>It still runs</button></form>
    <p class="note">The laps of such a run are kept and do not count; the run is made all the same. To have it run again, void it in the running order.</p>`;
}

/** @param {Trial} trial @param {string} outcome @param {string} why */
async function end(trial, outcome, why) {
  const to_us = Math.max(clock.busUs(), (trial.from_us ?? 0) + 1);
  if (await act('run', () => write('trial', { ...trial, to_us, ...(outcome && { outcome }) }, { why, base: seen() }))) now.wrong = '';
}

/** Who is next. @param {Turn} t @param {boolean} waits another train is running @param {boolean} [first] it is the first thing to do */
export function nextRun(t, waits, first = true) {
  const other = know().all.find((x) => x.run.id === now.run && x.how === 'due');
  if (other && !waits) return form(other);
  return html`<div class="upcoming"><p class="call-word">${waits ? 'Then' : 'Next'}, run ${t.number}</p>
    <h2>${markPicture(markOf(t.entry?.locomotive ?? ''))} ${t.entry?.person}</h2>
    <p class="with">${locomotiveName(t.entry?.locomotive ?? '')}${className(t.entry?.class) ? ` · ${className(t.entry?.class)}` : ''}</p>
    ${t.run.swap_battery ? swap() : nothing}
    ${state.me.official && sessionOpen() && !waits ? html`<p class="acts"><button class=${first ? 'primary' : ''} id="open-run" @click=${() => openRunForm(t.run.id)}>Open the run</button></p>` : nothing}
    ${waits ? nothing : refusal('run')}</div>`;
}

/** @param {Turn} t */
function form(t) {
  const { meet } = know();
  const [last, cond] = [now.last, now.last?.conditions ?? {}];
  const was = (/** @type {string} */ k) => (cond[k] === undefined ? '' : String(cond[k]));
  const fresh = t.run.swap_battery; // what stood there of the other battery is nothing now
  /** @type {[string, string][]} */
  const batteries = [['', 'not named'], ...list(state.view?.batteries).map((b) => /** @type {[string, string]} */ ([b.id, b.name || b.id]))];
  const consist = list(state.view?.consists).find((c) => c.id === meet?.consist);
  return keyed(now.key, html`<form class="entry run-form" id="run-form" @submit=${submitting((f) => save(f, t))}>
    <p class="call-word">Run ${t.number}</p><h2>${markPicture(markOf(t.entry?.locomotive ?? ''))} ${t.entry?.person}</h2><p class="with">${locomotiveName(t.entry?.locomotive ?? '')}</p>
    ${t.run.swap_battery ? swap() : nothing}
    <p class="faint">${consist?.name || (meet?.consist ? meet.consist : 'light engine')}, ${meet?.direction || 'forward'}, ${meet?.warmup_laps ?? 0} warm-up ${meet?.warmup_laps === 1 ? 'lap' : 'laps'}, ends ${meet ? endWords(meet) : 'by hand'}. ${last ? `Filled in from its last run, ${clockWords(last.from_us, false)}: look at each.` : 'It has not run before.'}</p>
    <div class="fields">${choice('Battery', 'battery', batteries, fresh ? '' : last?.battery)}${field('Battery at the start', 'battery_v', { unit: 'V', number: true, max: 1000, value: fresh ? '' : was('battery_v') })}
      ${field('Throttle', 'throttle_permille', { unit: 'of 1000', number: true, max: 1000, value: was('throttle_permille') })}${field('Tyres', 'tyres', { value: was('tyres'), hint: 'none' })}
      ${field('Temperature', 'temperature_c', { unit: '°C', number: true, min: -50, max: 80, value: was('temperature_c') })}</div>
    ${refusal('run')}<p class="acts"><button class="primary" id="start-run">Open the run</button><button type="button" @click=${close}>Leave it</button></p></form>`);
}

/** What was typed, numbers as numbers. @param {Filled} f */
function conditions(f) {
  const said = CONDITIONS.filter((k) => f.text(k) !== '');
  return Object.fromEntries(said.map((k) => [k, k === 'tyres' ? f.text(k) : f.number(k)]));
}

/** @param {Filled} f @param {Turn} t */
async function save(f, t) {
  const { meet } = know();
  const e = t.entry;
  if (!e || !meet) return;
  if (know().all.find((x) => x.run.id === t.run.id)?.how !== 'due') return tell('run', `Run ${t.number} has been opened or taken out meanwhile.`);
  const value = {
    id: trialId(e.locomotive, new Date(), state.trials.keys()), locomotive: e.locomotive, entrant: e.person, run: t.run.id, entry: e.id,
    consist: meet.consist, direction: meet.direction, warmup_laps: meet.warmup_laps, ends_after_laps: meet.laps, ends_after_s: meet.seconds,
    battery: f.text('battery'), conditions: conditions(f),
  };
  if (await act('run', () => write('trial', value))) close();
}
