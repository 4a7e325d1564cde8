// The book: what a session knows, and what an official writes into it.
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, circuit, sessionOpen, openTrials, closedTrials, markOf } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { closeSession, over } from './decide.js';
import { at } from './api.js';
import { askSignIn } from './sign.js';
import { entry, openEntry } from './entry.js';
import { sessionForm, startStrip } from './trialform.js';
import { trialForm, trialLine, noteList, noteForm, notesHere } from './trials.js';
import { trialWords } from './deeds.js';
import { nameOfThing, trialSeen } from './past.js';
import { sensorForm, sensorList } from './sensorform.js';
import { again } from './again.js';
import { later } from './later.js';
import { day, fixed } from './format.js';

const pastSessions = later(() => import('./sessions.js'));
/** The drawing board has the width of the sheet, and is fetched when it is first asked for. */
const board = later(() => import('./circuitform.js'));
const FORMS = { session: sessionForm, trial: trialForm, sensor: sensorForm };
/** Closing a session is asked twice. */
const ask = { close: false };

export function bookView() {
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  return html`<h1 class="aside">The book</h1>${first()}${drawingBoard()}
    <div class="book-sheet"><div>${session()}${trials()}${notes()}${papers()}</div><div>${circuits()}${stockList()}${state.me.official ? sensors() : nothing}</div></div>`;
}

function drawingBoard() {
  if (entry.what !== 'circuit' || !state.me.official) return nothing;
  return html`<section class="sheet" aria-labelledby="b-drawing"><div class="caption"><h2 id="b-drawing">Drawing board</h2><p>the plan follows as you write; nothing is in the book before you write it down</p></div>${board()?.circuitForm() ?? html`<p class="empty">Fetching the drawing board…</p>`}</section>`;
}

function first() {
  if (openTrials().length) return nothing;
  return html`<section class="sheet" aria-labelledby="first-title"><div class="caption"><h2 id="first-title">Time ${state.trials.size ? 'a' : 'your first'} train</h2><p>with this machine and nothing else</p></div>
    ${state.me.official ? startStrip() : html`<p>Anyone on this network may read the book. To write in it, sign in with the official’s key: it was printed where the service was first started.</p>
      <p class="acts"><button class="primary" @click=${askSignIn}>Sign in</button></p>`}</section>`;
}

/**
 * A section of the book: what is written, and the form to write more.
 * @param {import('./entry.js').What} what @param {string} title @param {string} caption
 * @param {unknown} body @param {string} [verb] on the button that opens the form; none, no button
 */
function section(what, title, caption, body, verb) {
  const here = entry.what === what && !(what === 'trial' && entry.id); // a trial is corrected in its line
  const open = state.me.official && here && what in FORMS && /** @type {keyof typeof FORMS} */ (what);
  return html`<section class="sheet" aria-labelledby="b-${what}"><div class="caption"><h2 id="b-${what}">${title}</h2><p>${caption}</p></div>
    ${body}
    ${open ? FORMS[open]() : state.me.official && verb && !here ? html`<p class="acts"><button @click=${() => openEntry(what)}>${verb}</button></p>` : nothing}</section>`;
}

function session() {
  const s = state.view?.session;
  const past = list(state.view?.sessions).filter((o) => o.id !== s?.id || s.closed_us).toReversed();
  const now = s && !s.closed_us ? html`<ul class="entries"><li><span><b>${s.name || s.id}</b> <span class="faint">on ${circuit()?.circuit.name || s.circuit}, open since ${day(s.opened_us)}</span></span><a href=${at(`/replay?session=${s.id}`)}>replay</a>${state.me.official ? closing() : nothing}</li></ul>` : html`<p class="empty">No session is open.</p>`;
  const before = past.length ? html`<details><summary>Sessions before (${past.length})</summary>${pastSessions()?.sessionList(past) ?? nothing}</details>` : nothing;
  return section('session', 'Session', 'everything between opening and closing the book', html`${now}${before}`, sessionOpen() || !list(state.view?.circuits).length ? '' : 'Open a session');
}

function closing() {
  if (!ask.close) return html`<button @click=${() => { ask.close = true; again(); }}>Close the session</button>`;
  const close = async () => {
    ask.close = false;
    const s = state.view?.session;
    if (s) await closeSession(s);
  };
  return html`<span class="acts"><button class="primary" @click=${close}>Close it${openTrials().length ? ', and its trials' : ''}</button><button @click=${() => { ask.close = false; again(); }}>Keep it open</button></span>`;
}

function trials() {
  const all = [...openTrials(), ...closedTrials()];
  const body = all.length ? html`<ul class="entries">${repeat(all, (r) => r.trial.id, (r) => trialLine(r.trial, r.result, over() ?? '', notesHere()))}</ul>` : html`<p class="empty">No trial in this session yet.</p>`;
  const can = sessionOpen() && list(state.view?.locomotives).length;
  return section('trial', 'Trials', 'one timed outing of one locomotive under stated conditions', body, can ? 'Open a trial' : '');
}

function notes() {
  if (!state.view?.session) return nothing;
  const name = (/** @type {string} */ t) => trialWords(t, trialSeen, nameOfThing);
  return html`<section class="sheet" aria-labelledby="b-note"><div class="caption"><h2 id="b-note">Notes</h2><p>what should be remembered of this session, and when it was written</p></div>
    ${noteList(notesHere(), name)}${state.me.official ? noteForm([...openTrials(), ...closedTrials()].map((r) => r.trial), name, over() ?? '') : nothing}</section>`;
}

/** @param {import('./entry.js').What} what @param {string} id @param {unknown} words @param {unknown} [picture] @param {unknown} [more] */
function item(what, id, words, picture, more) {
  return html`<li>${picture ?? nothing}<span>${words}</span>${more ?? nothing}${state.me.official ? html`<button @click=${() => openEntry(what, id)}>Change</button>` : nothing}</li>`;
}

function circuits() {
  const all = list(state.view?.circuits);
  return section('circuit', 'Circuits', 'closed loops of track, measured on the centre line', all.length ? html`<ul class="entries">${all.map((c) => item('circuit', c.circuit.id, html`<b>${c.circuit.name || c.circuit.id}</b>
    <span class="faint">${[`lap ${fixed(c.length_mm, 0)} mm`, c.pieces_mm > 0 ? `pieces ${fixed(c.pieces_mm, 0)} mm, ${c.hint ? `open by ${fixed(c.gap_mm, 0)} mm and ${fixed(c.heading_deg, 1)}°` : 'closed'}` : 'no pieces given', `gates ${list(c.gates).map((g) => g.id).join(', ') || 'none'}`].join(' · ')}</span>`, undefined, html`<a href="#plan=${c.circuit.id}">Plan</a>`))}</ul>` : html`<p class="empty">None yet.</p>`, 'Write down a circuit');
}

/** The roster has a page of its own; the book names what stands in it. */
function stockList() {
  const [locos, rest] = [list(state.view?.locomotives), [[list(state.view?.consists).length, 'consists'], [list(state.view?.named_motors).length, 'motors'], [list(state.view?.batteries).length, 'batteries']]];
  return html`<section class="sheet" aria-labelledby="b-stock"><div class="caption"><h2 id="b-stock">Roster</h2><p>${rest.map(([n, word]) => `${n} ${word}`).join(', ')}</p><a class="button" href="#roster">Open the roster</a></div>
    ${locos.length ? html`<ul class="entries">${locos.map((l) => html`<li>${markPicture(markOf(l.id))}<span><b>${l.name || l.id}</b></span></li>`)}</ul>` : html`<p class="empty">No locomotive yet.</p>`}</section>`;
}

function sensors() {
  return section('sensor', 'Sensors', 'agents that may speak to the bus', sensorList(), 'Let a sensor in');
}

function papers() {
  return html`<section class="sheet" aria-labelledby="b-papers"><div class="caption"><h2 id="b-papers">Papers</h2><p>of this session, to take away</p></div>
    <p class="acts"><a class="button" href=${at('/api/laps.csv')} download>Laps, CSV</a><a class="button" href=${at('/api/results')} download="results.json">Results, JSON</a><a class="button" href=${at('/api/journal')} download>Journal, JSON Lines</a><a class="button" href="#audit">Audit: who decided what</a></p></section>`;
}
