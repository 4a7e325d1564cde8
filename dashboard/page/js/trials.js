// The trials of a session as lines of the book, and what an official does to one:
// close, end otherwise, correct, void, restore, note.
/** @import {Trial, TrialResult, NoteRecord, Reply} from '../../types/wire.js' */
/** @import {What} from './entry.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state, consist, markOf, clock as busClock } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { at, decide } from './api.js';
import { attempt, closeTrial } from './decide.js';
import { entry, openEntry, closeEntry, finish } from './entry.js';
import { field, choice, submitting } from './forms.js';
import { later } from './later.js';
import { clock } from './format.js';
import { nameOfThing } from './past.js';
import { seenOf } from './pastresults.js';
import { conditionWords, endWords } from './trialwords.js';

const sheets = later(() => import('./trialsheet.js'));

export function trialForm() {
  return sheets()?.trialForm() ?? html`<p class="empty">Fetching the form…</p>`;
}

/**
 * One trial. Its session is named when it is closed: what is decided is then a correction.
 * @param {Trial} t @param {TrialResult | null | undefined} r @param {string} session
 * @param {NoteRecord[]} notes of its session
 */
export function trialLine(t, r, session, notes) {
  if (state.me.official) sheets(); // ready when it is wanted
  const open = state.me.official && entry.id === t.id && entry.session === session ? entry.what : '';
  const form = open === 'trial' ? trialForm() : SMALL[open]?.(t, session);
  return html`<li class="trial-line ${t.void ? 'void' : ''}" data-line=${t.id}>${markPicture(markOf(t.locomotive))}
    <span><b>${nameOfThing('locomotive', t.locomotive)}</b> ${standing(t, r)}<span class="faint">${words(t, r).join(' · ')}</span>${remarks(t, notes)}</span>
    <a href=${at(`/replay?session=${session || state.view?.session?.id}&trial=${t.id}`)}>replay</a>
    ${state.me.official && !form ? acts(t, session) : nothing}${form ?? nothing}</li>`;
}

/** @param {Trial} t @param {TrialResult | null | undefined} r */
function standing(t, r) {
  const marks = [t.void ? 'void' : '', t.outcome, !t.to_us ? 'open' : ''].filter(Boolean).join(', ');
  return marks ? html`<i class="standing">${marks}${r?.why ? `: ${r.why}` : ''}</i> ` : nothing;
}

/** @param {Trial} t @param {TrialResult | null | undefined} r */
function words(t, r) {
  return [consist(t.consist)?.name || (t.consist ? nameOfThing('consist', t.consist) : 'light engine'), t.direction, `${r?.lap_count ?? 0} laps`, `from ${clock(t.from_us)}`, t.to_us ? `to ${clock(t.to_us)}` : endWords(t),
    t.entrant ? `entrant ${t.entrant}` : '', ...conditionWords(t, nameOfThing)].filter(Boolean);
}

/** @param {Trial} t @param {NoteRecord[]} notes */
function remarks(t, notes) {
  const of = notes.filter((n) => n.trial === t.id);
  return of.length ? html`<span class="remarks">${of.map((n) => html`<span>${clock(n.at_us)} ${n.by}: ${n.text}</span>`)}</span>` : nothing;
}

/** @param {Trial} t @param {string} session */
function acts(t, session) {
  const act = (/** @type {What} */ what, /** @type {string} */ verb) => html`<button @click=${() => openEntry(what, t.id, '', { session, seen: seenOf(session) })}>${verb}</button>`;
  return html`<span class="acts">${t.to_us ? nothing : html`<button @click=${() => closeTrial(t)}>Close trial</button>${act('ending', 'Ended otherwise')}`}
    ${act('trial', 'Correct')}${act('voiding', t.void ? 'Restore' : 'Void')}${act('noting', 'Note')}</span>`;
}

/**
 * A short form about a trial.
 * @param {string} title @param {unknown} fields @param {string} verb
 * @param {(f: import('./forms.js').Filled) => Promise<Reply>} act
 */
function small(title, fields, verb, act) {
  const save = submitting(async (f) => {
    await finish(() => act(f));
  });
  return keyed(entry.key, html`<form class="entry" @submit=${save}><h3>${title}</h3><div class="fields">${fields}</div>
    <p class="acts"><button class="primary">${verb}</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @type {Record<string, (t: Trial, session: string) => unknown>} */
const SMALL = { ending, voiding, noting };

/** @param {Trial} t */
function ending(t) {
  const end = () => Math.max(busClock.busUs(), (t.from_us ?? 0) + 1);
  return small('How the trial ended', html`${choice('It was', 'outcome', [['stalled', 'stalled'], ['derailed', 'derailed'], ['abandoned', 'abandoned']])}${field('Why, in a word', 'why', { required: true, max: 300 })}`,
    'End the trial', (f) => decide('trial', { ...t, to_us: end(), outcome: f.text('outcome') }, f.text('why')));
}

/** @param {Trial} t @param {string} session */
function voiding(t, session) {
  const verb = t.void ? 'Restore the trial' : 'Void the trial';
  return small(t.void ? 'Its laps count again' : 'None of its laps will count', field(t.void ? 'Reason to restore it' : 'Reason to void it', 'why', { required: true, max: 300 }),
    verb, (f) => decide('trial', { ...t, void: !t.void }, f.text('why'), { session: session || undefined }));
}

/** @param {Trial} t @param {string} session */
function noting(t, session) {
  return small('A note on this trial', field('Note', 'text', { required: true, max: 1000 }), 'Write the note', (f) => decide('note', { trial: t.id, text: f.text('text') }, '', { session: session || undefined }));
}

/** Notes of a session, the newest first. @param {NoteRecord[]} notes @param {(id: string) => string} trialName */
export function noteList(notes, trialName) {
  if (!notes.length) return html`<p class="empty">No note yet.</p>`;
  return html`<ol class="notes">${notes.toReversed().map((n) => html`<li><span class="num">${clock(n.at_us)}</span> <b>${n.by}</b>${n.trial ? html` <i>on ${trialName(n.trial)}</i>` : nothing}<p>${n.text}</p></li>`)}</ol>`;
}

/** @param {Trial[]} trials that a note may be about @param {(id: string) => string} trialName @param {string} session */
export function noteForm(trials, trialName, session) {
  const save = submitting(async (f, form) => {
    const value = { text: f.text('text'), ...(f.text('trial') && { trial: f.text('trial') }) };
    if (await attempt(() => decide('note', value, '', { session: session || undefined }))) form.reset();
  });
  const about = trials.map((t) => /** @type {[string, string]} */ ([t.id, trialName(t.id)]));
  return html`<form class="note-form" @submit=${save}><div class="fields">${field('A note for the book', 'text', { required: true, max: 1000 })}${choice('About', 'trial', [['', 'the session'], ...about])}<button>Write the note</button></div></form>`;
}

/** Notes of the session in the book. @returns {NoteRecord[]} */
export function notesHere() {
  return list(state.view?.notes);
}
