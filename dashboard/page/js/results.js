// Results: the sheet of a session, a locomotive's history, what can be taken
// away, and scoring again by other rules.
import { html, nothing, guard } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { clock, day } from './format.js';
import { asked, go, shown, session, locomotiveName, PLAIN } from './returns.js';
import { refresh, reload } from './refetch.js';
import { sheet } from './sheet.js';
import { season } from './season.js';
import { papers } from './papers.js';
import { rescoring } from './rescore.js';
import { pageFoot } from './printed.js';
import { pick } from './pick.js';

// Its own style sheet comes before anything of it is drawn.
const style = document.createElement('link');
style.rel = 'stylesheet';
style.href = new URL('../css/results.css', import.meta.url).href;
await new Promise((done) => {
  style.onload = style.onerror = done;
  document.head.append(style);
});

export function resultsView() {
  if (!state.view) return html`<div class="sheet welcome"><h1>Results</h1><p>Calling the line…</p></div>`;
  refresh();
  return guard([shown.version, state.view, state.me.official, location.search], view);
}

function view() {
  const r = shown.results;
  const a = asked();
  pageFoot(a.season ? null : r, a.season ? `${locomotiveName(a.season)}: history` : '');
  return html`<div class="returns"><h1 class="aside">Results</h1>${chooser()}
    ${shown.refused ? html`<p class="refusal" role="alert">${shown.refused}</p>` : nothing}
    ${a.season ? season(a.season) : r?.session ? html`${sheet(r)}${papers(r)}${rescoring(r, reload)}` : html`<div class="sheet welcome"><p>${r ? 'No session has been opened yet: there is nothing to report.' : shown.refused ? 'Nothing to show.' : 'Fetching the results…'}</p></div>`}</div>`;
}

/** Which sheet to look at. */
function chooser() {
  const a = asked();
  const present = state.view?.session;
  const sessions = list(state.view?.sessions).toSorted((x, y) => (y.opened_us ?? 0) - (x.opened_us ?? 0));
  /** @type {[string, string][]} */
  const choices = sessions.map((s) => [s.id, `${s.name || s.id}, ${day(s.opened_us)}${s.id === present?.id && !s.closed_us ? ', open' : ''}`]);
  const trials = list(shown.results?.trials);
  /** @param {string} all @param {[string, string][]} some @returns {[string, string][]} */
  const any = (all, some) => [['', all], ...some];
  const engines = [...new Set(trials.map((t) => t.train))];
  const classes = list(shown.results?.meet?.classes);
  const every = list(state.view?.locomotives).map((l) => /** @type {[string, string]} */ ([l.id, l.name || l.id]));
  return html`<form class="choose" aria-label="Which sheet" @submit=${(/** @type {Event} */ e) => e.preventDefault()}>
    ${pick('Session', 'session', a.season ? any('choose a session', choices) : choices, a.season ? '' : a.session || session()?.id || '', (v) => go({ ...PLAIN, session: v === present?.id ? '' : v }))}
    ${pick('Trial', 'trial', any('all', trials.map((t) => [t.trial, `${locomotiveName(t.train)}${t.about?.from_us ? `, ${clock(t.about.from_us)}` : `, ${t.trial}`}`])), a.trials.length === 1 ? a.trials[0] : '', (v) => go({ ...PLAIN, trials: v ? [v] : [] }))}
    ${pick('Locomotive', 'locomotive', any('all', engines.map((id) => [id, locomotiveName(id)])), a.locomotive, (v) => go({ ...PLAIN, locomotive: v }))}
    ${classes.length ? pick('Class', 'class', any('all', classes.map((c) => [c.class, c.name || c.class])), a.class, (v) => go({ ...PLAIN, class: v })) : nothing}
    ${pick('Over the season', 'season', any('choose a locomotive', every), a.season, (v) => go({ ...PLAIN, season: v }))}
    <button type="button" @click=${() => print()}>Print</button></form>`;
}
