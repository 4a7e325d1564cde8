// The call sheet, to be read from ten metres and on a phone: who runs, who is
// next, who after them, and whose battery is to be changed. In the manner of a
// carriage working notice: ruled lines, capitals, one ink.
/** @import {Turn} from './meetplan.js' */
/** @import {ClassResult} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, locomotive, markOf, sessionOpen } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { lapTime } from './format.js';
import { know, className, underWay } from './meetknow.js';
import { short, cut } from './meetplan.js';
import { figure, place, rankWords, unit } from './meetfigures.js';
import { swap } from './meetorder.js';

/** As many letters as ten metres allow. */
const LETTERS = 12;
/** Lines of standings that are large enough to be read. */
const STANDINGS = 10;

export function callView() {
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  const { meet, all } = know();
  const next = sessionOpen() ? know().next : [];
  if (!meet) return html`<div class="sheet welcome"><h1>No meet</h1><p>This session has no entries and no running order, so nobody is called.</p><p><a class="button" href="#meet">To the meet</a></p></div>`;
  const running = underWay();
  const now = all.find((t) => t.run.id === running?.trial.run);
  const words = ['Next', 'Then', 'After'];
  const standings = list(state.view.meet_results?.classes).filter((c) => list(c.standings).some((s) => s.place));
  return html`<h1 class="aside">Call sheet</h1><section aria-label="Who is called" class="call sheet ${standings.length ? 'beside' : ''}"><div class="calls">
      ${running ? row('Now', now, running.trial.entrant || '', running.trial.locomotive, lapsOf(running)) : nothing}
      ${next.slice(0, 3).map((t, i) => row(words[i], t, t.entry?.person ?? '', t.entry?.locomotive ?? '', nothing))}
      ${running || next.length ? nothing : html`<p class="over">${over()}</p>`}</div>
    ${standings.length ? html`<aside aria-label="Standings">${standings.map((c) => classOf(c, Math.max(2, Math.floor(STANDINGS / standings.length))))}<p class="note">${state.view.seal ? `signed by ${state.view.seal.by}` : 'provisional'}</p></aside>` : nothing}</section>`;
}

function over() {
  if (state.view?.seal) return 'Results signed';
  if (!sessionOpen()) return 'Meet over';
  return know().plan ? 'All runs made' : 'Order not drawn';
}

/** @param {string} word @param {Turn | undefined} t @param {string} person @param {string} id of the locomotive @param {unknown} more */
function row(word, t, person, id, more) {
  const loco = locomotive(id)?.name || id;
  return html`<article data-call=${word.toLowerCase()}><p class="word">${word}${t ? html`<small>run ${t.number}</small>` : nothing}</p>
    <h2 title=${person || loco}>${short(person || loco, LETTERS)}</h2>
    <p class="with">${markPicture(markOf(id))}<span>${person ? cut(loco, 22) : ''}</span>${more}${t?.run.swap_battery && word !== 'Now' ? swap() : t?.entry?.class ? html`<i>${cut(className(t.entry.class), 20)}</i>` : nothing}</p></article>`;
}

/** @param {import('./store.js').Running} r */
function lapsOf(r) {
  const laps = list(r.result?.laps).filter((l) => l.counts === 'yes');
  const last = list(r.result?.laps).at(-1);
  const goal = r.trial.ends_after_laps;
  return html`<span class="laps-of">lap <b class="num">${goal ? `${Math.min(laps.length, goal)} of ${goal}` : laps.length}</b>${last ? html`, last <b class="num">${lapTime(last.lap_time_s, last.u_s, false)}</b> s` : nothing}</span>`;
}

/** @param {ClassResult} c @param {number} most */
function classOf(c, most) {
  const rank = state.view?.meet_results?.rank ?? '';
  return html`<table><caption>${c.name || 'No class'} <small>${rankWords(rank)}, ${unit(rank)}</small></caption><tbody>${list(c.standings).filter((s) => s.place).slice(0, most).map((s) => html`<tr><td class="num">${place(s)}</td><td>${short(s.person, 14)}</td><td class="num">${figure(rank, s.value.value)}</td></tr>`)}</tbody></table>`;
}
