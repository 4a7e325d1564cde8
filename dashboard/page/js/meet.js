// The meet: what is to be done next, the running order, the entries, the results.
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, sessionOpen } from './store.js';
import { styles } from './css.js';
import { openEntry } from './entry.js';
import { askSignIn } from './sign.js';
import { know, underWay, endWords, entryWords } from './meetknow.js';
import { meetForm, meetFormOpen, openMeetForm, RANKS } from './meetform.js';
import { entriesSection, openEntryForm } from './meetentries.js';
import { openPaste, pasteOpen } from './meetpaste.js';
import { orderSection, drawOrder, drawnOrder, adopt, leave } from './meetorder.js';
import { nextRun, runningNow } from './meetrun.js';
import { resultsSection, signing } from './meetresults.js';
import { callView } from './call.js';
import './meetprint.js';

/** The views, once their style sheet is there. */
export async function ready() {
  await styles('meet');
  return { meetView, callView };
}

function meetView() {
  const view = state.view;
  if (!view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  const { meet } = know();
  return html`<h1 class="aside">The meet</h1>
    <section class="sheet next-thing" id="next" aria-label="What is next">${meetFormOpen() && state.me.official ? meetForm() : nextThing()}</section>
    ${meet ? html`<div class="meet-sheet"><div>${orderSection()}</div><div>${aboutMeet()}${entriesSection()}</div></div>${resultsSection()}` : nothing}`;
}

/** The one thing to do now. */
function nextThing() {
  const s = state.view?.session;
  const { meet, plan, entries, next, misfit } = know();
  const now = underWay();
  if (!s) return noSession();
  if (!meet) return sessionOpen() ? noMeet() : noSession();
  if (now) return html`${runningNow(now)}${next[0] ? nextRun(next[0], true) : nothing}`;
  if (!sessionOpen()) return state.view?.seal ? over() : signing(s);
  if (!entries.length) return step('First', 'Who is entered?', 'A person with a locomotive in a class: one at a time, or a whole list.', !pasteOpen() && html`<button class="primary" @click=${toEntries(() => openEntryForm('add'))}>Add an entry</button><button @click=${toEntries(openPaste)}>Paste a list</button>`);
  if (drawnOrder()) return step('Order', 'Look at the order drawn, then adopt it', `Seed ${drawnOrder()?.seed}. Nothing is changed until it is adopted.`, html`<button class="primary" @click=${adopt}>Adopt this order</button><button @click=${leave}>Leave it</button>`);
  if (!plan) return step('Order', 'Draw the running order', `${entries.filter((e) => !e.withdrawn).length} entered, ${meet.rounds} ${meet.rounds === 1 ? 'round' : 'rounds'}. Anyone can draw it again from the seed.`, html`<button class="primary" @click=${() => drawOrder(undefined)}>Draw the order</button>`);
  if (misfit) return html`${misfits(misfit)}${next[0] ? nextRun(next[0], false, false) : nothing}`;
  if (next[0]) return nextRun(next[0], false);
  return step('Last', 'All runs are made', 'Look at the results. Then close the session, so that they can be signed.', html`<a class="button primary" href="#meet" @click=${toResults}>Look at the results</a>`);
}

/** @param {() => void} then */
function toEntries(then) {
  return () => {
    then();
    document.querySelector('#entries')?.scrollIntoView();
  };
}

/** @param {Event} e */
function toResults(e) {
  e.preventDefault();
  document.querySelector('#results')?.scrollIntoView();
}

/** @param {string} word @param {string} title @param {string} text @param {unknown} acts */
function step(word, title, text, acts) {
  return html`<p class="call-word">${word}</p><h2>${title}</h2><p>${text}</p>${state.me.official ? acts ? html`<p class="acts">${acts}</p>` : nothing : signInFirst()}`;
}

function signInFirst() {
  return html`<p class="acts"><button @click=${askSignIn}>Sign in as the official</button></p>`;
}

function noSession() {
  const open = () => {
    openEntry('session');
    location.hash = 'book';
  };
  return step('First', 'No session is open', 'A meet is a session with entries, a running order and published results. Open a session in the book, then make it a meet here.', html`<button class="primary" @click=${open}>Open a session</button>`);
}

function noMeet() {
  return step('First', 'Make this session a meet', 'Say the classes, what ranks, and how a run is made. Then enter people, draw the order, and run.', html`<button class="primary" id="make-meet" @click=${openMeetForm}>Make it a meet</button>`);
}

function over() {
  return step('Signed', 'The meet is over', 'The results are signed. They stand below, with how anyone can check them.', html`<a class="button primary" href="#meet" @click=${toResults}>See the results</a>`);
}

/** The order no longer fits who is entered. @param {NonNullable<ReturnType<typeof know>['misfit']>} m */
function misfits(m) {
  const name = (/** @type {string} */ id) => entryWords(know().byId.get(id));
  const some = (/** @type {string[]} */ ids) => (ids.length > 3 ? `${ids.slice(0, 3).map(name).join('; ')} and ${ids.length - 3} more` : ids.map(name).join('; '));
  const why = [
    m.came.length ? `Not in it: ${some(m.came)}.` : '', m.withdrew.length ? `Withdrawn, with runs to come: ${some(m.withdrew)}.` : '',
    m.meet ? 'The meet’s rounds or battery swaps are others now.' : '',
  ].filter(Boolean);
  return html`<div class="misfit" id="misfit"><p class="call-word">Order</p><h2>The running order no longer fits the entries</h2><p>${why.join(' ')} What has run stays; what has not can be drawn again, and you see it before it is adopted.</p>
    ${state.me.official ? html`<p class="acts"><button class="primary" id="redraw" @click=${() => drawOrder(undefined)}>Draw again what has not run</button></p>` : nothing}</div>`;
}

function aboutMeet() {
  const { meet } = know();
  if (!meet) return nothing;
  const facts = [
    ['classes', (meet.classes ?? []).map((c) => c.name || c.id).join(', ') || 'none'], ['ranked by', RANKS.find(([id]) => id === meet.rank)?.[1] ?? meet.rank],
    ['rounds', String(meet.rounds)], ['a run ends', `${endWords(meet)}${meet.warmup_laps ? `, ${meet.warmup_laps} warm-up` : ''}`],
    ['fresh battery', meet.swap_every ? `after ${meet.swap_every} ${meet.swap_every === 1 ? 'run' : 'runs'} of an entry` : 'none planned'],
  ];
  return html`<section class="sheet about" aria-labelledby="m-about"><div class="caption"><h2 id="m-about">The meet</h2><p>how it is run</p><a class="button" href="#call">Call sheet</a>${state.me.official && sessionOpen() ? html`<button id="change-meet" @click=${openMeetForm}>Change</button>` : nothing}</div>
    <dl class="facts">${facts.map(([k, v]) => html`<div><dt>${k}</dt><dd>${v}</dd></div>`)}</dl></section>`;
}
