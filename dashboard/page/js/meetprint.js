// The meet on paper: the running order and the results by class, each on sheets
// of its own, made when the printer asks and gone after.
/** @import {ClassResult} from '../../types/wire.js' */
/** @import {Turn} from './meetplan.js' */
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state, circuit } from './store.js';
import { list } from './merge.js';
import { day, clock, time } from './format.js';
import { know, locomotiveName, className, endWords } from './meetknow.js';
import { balance, designWords } from './meetplan.js';
import { figure, unit, rankWords, interval, place, tieWords, groups } from './meetfigures.js';

/** What the printer is to be given; a page printed by the browser's own key has all of it. */
const asked = { what: /** @type {'' | 'order' | 'results'} */ ('') };
const paper = document.createElement('div');
paper.className = 'paper';

addEventListener('beforeprint', () => {
  if (document.documentElement.dataset.view !== 'meet') return;
  render(html`${asked.what !== 'results' && know().plan ? order() : nothing}${asked.what !== 'order' && state.view?.meet_results ? results() : nothing}`, paper);
  if (paper.firstElementChild) document.body.append(paper);
});
addEventListener('afterprint', () => {
  asked.what = '';
  paper.remove();
  render(nothing, paper);
});

/** @param {'order' | 'results'} what */
export function print(what) {
  asked.what = what;
  window.print();
}

/** @param {string} title */
function heading(title) {
  const s = state.view?.session;
  const where = circuit()?.circuit;
  return html`<h1>${title}</h1><p class="of">${[s?.name || s?.id, where?.name || where?.id, day(s?.opened_us)].filter(Boolean).join(' · ')}</p>`;
}

function order() {
  const { plan, all, meet } = know();
  if (!plan || !meet) return nothing;
  return html`<section>${heading('Running order')}
    <p>Seed ${plan.seed}. ${designWords(plan, balance(list(plan.runs).filter((r) => !r.skipped)))}</p>
    <p>Each run ends ${endWords(meet)}${meet.warmup_laps ? `, after ${meet.warmup_laps} warm-up ${meet.warmup_laps === 1 ? 'lap' : 'laps'}` : ''}, ${meet.direction || 'forward'}.</p>
    <table><thead><tr><th>no.</th><th>round</th><th>person</th><th>locomotive</th><th>class</th><th>before it</th><th>made</th></tr></thead><tbody>${all.map(line)}</tbody></table></section>`;
}

/** @param {Turn} t */
function line(t) {
  const done = { made: t.trial?.outcome || clock(t.trial?.from_us, false), running: 'running', skipped: 'skipped', withdrawn: 'withdrawn', due: '' }[t.how];
  return html`<tr class=${t.how}><td>${t.number}</td><td>${t.run.round}</td><td>${t.entry?.person}</td><td>${locomotiveName(t.entry?.locomotive ?? '')}</td><td>${className(t.entry?.class)}</td><td>${t.run.swap_battery ? 'fresh battery' : ''}</td><td class="whole">${done}</td></tr>`;
}

function results() {
  const [r, seal] = [state.view?.meet_results, state.view?.seal];
  if (!r) return nothing;
  return html`<section>${heading('Results')}<p class="large">${seal ? 'Signed' : 'Provisional'}</p><p>By ${rankWords(r.rank)}; ${r.done} of ${r.runs} runs made.</p>
    ${list(r.classes).map((c) => classOf(c, r.rank))}
    ${seal ? html`<div class="signed"><p>Signed by ${seal.by}, ${day(seal.at_us)}. SHA-256 of the results:</p><p class="digest">${groups(seal.digest).map((g) => html`<span>${g}</span> `)}</p><p>Check it with: rainhill verify ${state.view?.session?.id}.jsonl</p></div>` : html`<p>Not signed yet: these results can still change.</p>`}</section>`;
}

/** @param {ClassResult} c @param {string} rank */
function classOf(c, rank) {
  const ties = tieWords(c, rank);
  return html`<div class="class"><h2>${c.name || c.class || 'No class'}</h2><table><thead><tr><th>place</th><th>person</th><th>locomotive</th><th>trials</th><th>laps</th><th>${rankWords(rank)}, ${unit(rank)}</th><th>95 % interval</th><th>best lap, s</th></tr></thead>
    <tbody>${list(c.standings).map((s) => html`<tr><td>${place(s)}</td><td>${s.person}${s.withdrawn ? ' (withdrawn)' : ''}</td><td>${locomotiveName(s.locomotive)}</td><td>${list(s.trials).length}</td><td>${s.laps}</td><td>${figure(rank, s.value.value)}</td><td>${interval(rank, s)}</td><td>${time(s.best_s, 3)}</td></tr>`)}</tbody></table>${ties ? html`<p>${ties}</p>` : nothing}</div>`;
}
