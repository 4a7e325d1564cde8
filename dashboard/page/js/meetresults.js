// Results by class: provisional until an official signs them, then sealed.
/** @import {ClassResult, SealRecord, Session, Standing} from '../../types/wire.js' */
import { html, nothing, guard } from '../lib/lit-3.3.3.js';
import { state, clock as busClock, sessionOpen, openTrials } from './store.js';
import { list } from './merge.js';
import { at } from './api.js';
import { day, fixed, time } from './format.js';
import { field, submitting } from './forms.js';
import { again } from './again.js';
import { showLap } from './lap.js';
import { act, refusal, write, digest } from './meetact.js';
import { seen } from './shown.js';
import { know, locomotiveName } from './meetknow.js';
import { figure, unit, rankWords, interval, place, tieWords, groups } from './meetfigures.js';
import { printing } from './meetorder.js';

/** digest: of what is shown, to be signed; entry: whose trials are shown. */
const now = { close: false, unsign: false, entry: '', digest: '', digestOf: 0, asking: false };

export function resultsSection() {
  const r = state.view?.meet_results;
  if (!r) return nothing;
  const seal = state.view?.seal;
  return html`<section class="sheet results" aria-labelledby="m-results" id="results"><div class="caption"><h2 id="m-results">Results</h2><p>by ${rankWords(r.rank)}${r.rank === 'evenness' ? ', least first' : ''}</p><button class="print" @click=${() => printing('results')}>Print</button></div>
    <p class=${`standing-of ${seal ? 'sealed' : 'provisional'}`} id="state-of-results">${seal ? 'Signed' : 'Provisional'}</p>
    ${seal ? sealed(seal) : nothing}
    ${guard([state.view, now.entry], () => list(r.classes).map((c) => classTable(c, r.rank)))}
    ${list(r.classes).some((c) => list(c.standings).length) ? html`<p class="note">The interval is that of the mean over an entry’s trials, 95 %; of one trial there is none. Void trials, and those that did not end as planned, do not count.</p>` : nothing}
    ${state.me.official && sessionOpen() && know().plan ? closing(know().next.length) : nothing}</section>`;
}

/** @param {ClassResult} c @param {string} rank */
function classTable(c, rank) {
  const ties = tieWords(c, rank);
  return html`<div class="class" data-class=${c.class}><h3>${c.name || c.class || 'No class'}</h3>
    ${list(c.standings).length ? html`<table class="standings"><thead><tr><th scope="col">place</th><th scope="col">person</th><th scope="col">locomotive</th><th scope="col" class="num">trials</th><th scope="col" class="num">laps</th>
      <th scope="col" class="num">${rankWords(rank)}, ${unit(rank)}</th><th scope="col" class="num">95 % interval</th><th scope="col" class="num">best lap, s</th></tr></thead>
      <tbody>${list(c.standings).map((s) => standing(s, rank))}</tbody></table>${ties ? html`<p class="tie">${ties}</p>` : nothing}` : html`<p class="empty">Nobody is entered in it.</p>`}</div>`;
}

/** @param {Standing} s @param {string} rank */
function standing(s, rank) {
  const n = list(s.trials).length;
  const open = now.entry === s.entry;
  const toggle = () => {
    now.entry = open ? '' : s.entry;
    again();
  };
  return html`<tr data-entry=${s.entry} class=${s.place ? '' : 'unplaced'}><td class="place num">${place(s)}</td><td class="person"><b>${s.person}</b>${s.withdrawn ? html` <i>withdrawn</i>` : nothing}${s.tied ? html` <i>tied</i>` : nothing}${s.place ? nothing : html` <i>no figure yet</i>`}</td><td class="loco">${locomotiveName(s.locomotive)}</td>
    <td class="num" data-is="trials">${n ? html`<button class="trials" aria-expanded=${open} aria-label="${n} trials of ${s.person}" @click=${toggle}>${n}</button>` : '0'}</td><td class="num" data-is="laps">${s.laps}</td>
    <td class="num figure" data-is=${`${rankWords(rank)}, ${unit(rank)}`}><b>${figure(rank, s.value.value)}</b></td><td class="num" data-is="95 % interval">${interval(rank, s)}</td><td class="num" data-is="best lap, s">${time(s.best_s, 3)}</td></tr>
    ${open ? html`<tr class="behind"><td colspan="8"><ul>${list(s.trials).map(trial)}</ul></td></tr>` : nothing}`;
}

/** One trial behind a figure. @param {string} id */
function trial(id) {
  const r = state.trials.get(id);
  const c = r?.result?.consistency;
  const n = know().all.find((t) => t.trial?.id === id)?.number;
  return html`<li><button @click=${() => showLap(id, 0)}>${n ? `Run ${n}` : 'Trial'}: all laps</button> <span class="num">${c?.n ?? 0} laps, mean ${time(c?.mean_s, 3)} s, SD ${fixed(c?.sd_s, 3)} s, best ${time(c?.best_s, 3)} s</span></li>`;
}

/** Closing the session is asked twice. @param {number} left runs to come */
function closing(left) {
  if (!now.close) return html`<p class="acts"><button class=${left ? '' : 'primary'} id="close-session" @click=${() => { now.close = true; again(); }}>Close the session${left ? ' early' : ''}</button></p>`;
  const close = async () => {
    const s = state.view?.session;
    if (s && (await act('seal', () => write('session', { ...s, closed_us: Math.max(busClock.busUs(), (s.opened_us ?? 0) + 1) }, { base: seen() })))) now.close = false;
  };
  return html`${refusal('seal')}<p>${[left ? `${left} ${left === 1 ? 'run is' : 'runs are'} still to come and will not be made.` : '', openTrials().length ? 'The trial that is open ends with it.' : '', 'After that the results can be signed.'].filter(Boolean).join(' ')}</p>
    <p class="acts"><button class="primary" id="close-really" @click=${close}>Close it</button><button @click=${() => { now.close = false; again(); }}>Keep it open</button></p>`;
}

/** Leads to the signature once the session is closed. @param {Session} s */
export function signing(s) {
  if (now.digestOf !== seen() && !now.asking) askDigest(s);
  return html`<div class="sign" id="signing"><p class="call-word">Last</p><h2>Look at the results, then sign them</h2>
    <p>The session is closed. The results below are provisional until an official signs; after that nothing of the session can be changed unless the signature is taken back.</p>
    ${now.digest ? html`<p class="faint">What you sign, SHA-256:</p>${digestText(now.digest)}` : nothing}
    ${refusal('seal')}
    ${state.me.official ? html`<p class="acts"><a class="button" href="#meet" @click=${toResults}>Look at the results</a><button class="primary" id="sign" ?disabled=${!now.digest} @click=${() => sign(s)}>Sign the results</button></p>` : html`<p class="empty">An official signs them.</p>`}</div>`;
}

/** @param {Event} e */
function toResults(e) {
  e.preventDefault();
  document.querySelector('#results')?.scrollIntoView();
}

/** @param {Session} s */
async function askDigest(s) {
  now.asking = true;
  now.digestOf = seen();
  await act('seal', async () => (now.digest = (await digest(s.id)).digest));
  now.asking = false;
  again();
}

/** @param {Session} s */
async function sign(s) {
  if (!(await act('seal', () => write('seal', { digest: now.digest }, { session: s.id })))) now.digestOf = 0; // they are others now
}

/** @param {string} hex */
function digestText(hex) {
  return html`<p class="digest num" data-digest=${hex}>${groups(hex).map((g) => html`<span>${g}</span> `)}</p>`;
}

/** @param {SealRecord} seal */
function sealed(seal) {
  const s = state.view?.session;
  const id = s?.id ?? '';
  return html`<div class="seal" id="seal"><p>Signed by <b>${seal.by}</b>, ${day(seal.at_us)}. SHA-256 of the results:</p>${digestText(seal.digest)}
    <details><summary>How anyone checks this</summary><p>Take the <a class="button" href=${at(`/api/journal?session=${id}`)} download=${`${id}.jsonl`}>session file</a> and run</p><pre>rainhill verify ${id}.jsonl</pre>
      <p>It walks the hash chain of every fact, scores the session anew, and says whether the results are those that were signed. Or, without the file, ask the service once more what the digest is: <a class="button" href=${at(`/api/digest?session=${id}`)}>digest now</a></p></details>
    ${refusal('seal')}${state.me.official ? unsigning(seal, id) : nothing}</div>`;
}

/** @param {SealRecord} seal @param {string} session */
function unsigning(seal, session) {
  if (!now.unsign) return html`<p class="acts"><button id="unsign" @click=${() => { now.unsign = true; again(); }}>Take the signature back</button></p>`;
  const does = submitting(async (f) => {
    if (await act('seal', () => write('undo', { decision: seal.decision }, { why: f.text('why'), session }))) now.unsign = false;
  });
  return html`<form class="reason" @submit=${does}>${field('Why the signature is taken back', 'why', { required: true })}<button class="primary">Take it back</button><button type="button" @click=${() => { now.unsign = false; again(); }}>Leave it</button></form>`;
}
