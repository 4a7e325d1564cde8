// Sessions that are over: their papers, their trials to be corrected, voided or
// restored, and the close of the last one, which can be taken back.
/** @import {Session, Results, TrialResult} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { at, decide } from './api.js';
import { attempt, say } from './decide.js';
import { field, choice, submitting } from './forms.js';
import { again } from './again.js';
import { day, lapTime } from './format.js';
import { audit, nameOfThing, takeBack } from './past.js';
import { trialWords } from './deeds.js';
import { about, pastResults, fetchPast, seenOf } from './pastresults.js';
import { trialLine, noteList, noteForm } from './trials.js';

/** The session whose trials are shown, and whose close is asked to be taken back. */
const shown = { session: '', back: '' };

/** @param {Session[]} past newest first */
export function sessionList(past) {
  return html`<ul class="entries">${past.map((s) => html`<li><span><b>${s.name || s.id}</b> <span class="faint">${day(s.opened_us)} to ${day(s.closed_us)}</span></span>
    <a href=${at(`/replay?session=${s.id}`)}>replay</a><a href=${at(`/api/journal?session=${s.id}`)} download>journal</a><a href=${at(`/api/laps.csv?session=${s.id}`)} download>laps</a>${inBook(s) ? reopening(s) : trialsOf(s)}</li>`)}</ul>`;
}

/** @param {Session} s */
function inBook(s) {
  return s.id === state.view?.session?.id;
}

/** The last session, closed and still in the book: its trials stand in the book as they did. @param {Session} s */
function reopening(s) {
  if (!state.me.official) return nothing;
  if (shown.back !== s.id) return html`<button @click=${() => { shown.back = s.id; again(); }}>Take its close back</button>`;
  const save = submitting(async (f) => {
    if (await attempt(() => reopen(s.id, f.text('why')))) shown.back = '';
  });
  return html`<form class="entry" @submit=${save}><h3>The session goes on, with the trials that its close ended</h3><div class="fields">${field('Why', 'why', { required: true, max: 300 })}</div>
    <p class="acts"><button class="primary">Take the close back</button><button type="button" @click=${() => { shown.back = ''; again(); }}>Leave it</button></p></form>`;
}

/** @param {string} id @param {string} why */
async function reopen(id, why) {
  const close = (await audit({ on: `session/${id}` })).decisions.find((d) => !d.undone_by);
  if (!close) throw new Error(`session ${id} is closed, and no decision closed it`);
  return takeBack(close, why, close.seq);
}

/** @param {Session} s */
function trialsOf(s) {
  const open = shown.session === s.id;
  const turn = () => {
    shown.session = open ? '' : s.id;
    say('');
    if (!open) fetchPast(s.id);
  };
  return html`<button aria-expanded=${open} @click=${turn}>${open ? 'Fold its trials' : 'Its trials'}</button>${open ? panel(s.id, pastResults(s.id)) : nothing}`;
}

/** @param {string} id @param {Results | null} r */
function panel(id, r) {
  if (!r) return html`<p class="empty">Asking for its results…</p>`;
  const trials = list(r.trials);
  const name = (/** @type {string} */ t) => trialWords(t, (x) => trials.map(about).find((y) => y.id === x), nameOfThing);
  return html`<div class="past" data-session=${id}>${r.seal ? html`<p class="note">Signed by ${r.seal.by} at ${day(r.seal.at_us)}: to change anything but notes, the signature is to be taken back first.</p>` : nothing}
    ${trials.length ? html`<ul class="entries">${trials.map((t) => html`${trialLine(about(t), t, id, list(r.notes))}${laps(id, t)}`)}</ul>` : html`<p class="empty">It had no trial.</p>`}
    <h3>Notes</h3>${noteList(list(r.notes), name)}${state.me.official ? noteForm(trials.map(about), name, id) : nothing}</div>`;
}

/** @param {string} session @param {TrialResult} t */
function laps(session, t) {
  const all = list(t.laps);
  if (!all.length) return nothing;
  return html`<li class="past-laps"><details><summary>Laps of ${nameOfThing('locomotive', t.train)} (${all.length})</summary>
    <ol class="past-laps">${all.map((l) => html`<li><b>lap ${l.lap}</b> <span class="num">${lapTime(l.lap_time_s, l.u_s, false)} s</span>${l.counts === 'yes' ? nothing : html` <i>${l.counts === 'warmup' ? 'warm-up' : l.counts.replace('_', ' ')}${l.why ? `: ${l.why}` : ''}</i>`}</li>`)}</ol>
    ${state.me.official ? lapForm(session, t.trial, all.length) : nothing}</details></li>`;
}

/** @param {string} session @param {string} trial @param {number} n */
function lapForm(session, trial, n) {
  const save = submitting(async (f, form) => {
    const value = { trial, lap: Math.round(f.number('lap')), void: f.text('do') === 'void' };
    if (await attempt(() => decide('lap', value, f.text('why'), { session, baseSeq: seenOf(session) }))) form.reset();
  });
  return html`<form class="note-form" @submit=${save}><div class="fields">${choice('A lap is', 'do', [['void', 'voided'], ['restore', 'restored']])}${field('Lap', 'lap', { number: true, min: 1, max: n, required: true })}${field('Reason', 'why', { required: true, max: 300 })}<button>Write it down</button></div></form>`;
}
