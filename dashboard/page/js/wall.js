// The large board, to be read from ten metres: four rows, one time a row.
/** @import {Running} from './store.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { openTrials, closedTrials, locomotive, markOf } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { lapTime, fixed, known, trendWord } from './format.js';
import { lapMarks, lapWhy, lapWords } from './lap.js';

const ROWS = 4;
const LETTERS = 9;

/** At most nine characters: earlier words become initials, the last is cut. @param {string} name */
export function shortName(name) {
  if (name.length <= LETTERS) return name;
  const words = name.split(/\s+/);
  const last = words.pop() ?? '';
  const short = [...words.map((w) => w[0] + '.'), last].join(' ');
  return short.length <= LETTERS ? short : short.slice(0, LETTERS - 1) + '.';
}

export function wallView() {
  const open = openTrials();
  const shown = (open.length ? open : closedTrials()).slice(0, ROWS);
  return html`<h1 class="aside">Large board</h1><div class="wall sheet rows${shown.length}">${repeat(shown, (r) => r.trial.id, row)}
    ${shown.length ? nothing : html`<p class="empty">No trial is open.</p>`}
    ${shown.length > 2 ? nothing : html`<train-graph></train-graph>`}</div>`;
}

/** @param {Running} r */
function row(r) {
  const laps = list(r.result?.laps).filter((l) => l.counts !== 'void');
  const last = laps[laps.length - 1];
  const c = r.result?.consistency;
  return html`<article data-trial=${r.trial.id} class=${last ? lapMarks(last).join(' ') : ''}>
    ${markPicture(markOf(r.trial.locomotive))}
    <h2>${shortName(locomotive(r.trial.locomotive)?.name || r.trial.locomotive)}</h2>
    <p class="num time">${lapTime(last?.lap_time_s, last?.u_s, false)}</p>
    <p class="rest"><span title=${last ? lapWords(r.trial.id, last) : nothing}>lap ${last?.lap ?? 0}${last && lapMarks(last).length ? html` <i>${lapMarks(last).join(', ')}${last.counts === 'incident' ? `: ${lapWhy(r.trial.id, last)}` : ''}</i>` : nothing}</span>
      <span>mean <b class="num">${lapTime(c?.mean_s, c?.mean_u_s, false)}</b></span>
      <span>SD <b class="num">${fixed(c?.sd_s, 2)}</b></span>
      <span>${known(c?.trend_s_per_lap?.value) ? `trend ${trendWord(c?.trend_s_per_lap)}` : '\u00a0'}</span></p>
  </article>`;
}
