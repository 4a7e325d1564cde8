// The board: a line of the ledger for each trial, and its laps as they fall.
/** @import {Running} from './store.js' */
/** @import {Lap, TrialResult} from '../../types/wire.js' */
import { html, svg, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, openTrials, closedTrials, locomotive, consist, markOf, incidents } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { lapTime, time, speed, fixed, signed, percent, trendWord, decimals, known, clock, DASH } from './format.js';
import { settings } from './settings.js';
import { lapMarks, lapWhy, lapCell, showLap, besideSwitch } from './lap.js';
import { closeTrial } from './decide.js';
import { again } from './again.js';
import { later } from './later.js';

const wide = matchMedia('(min-width: 900px)');
wide.addEventListener('change', again);

/** What is said of incidents comes with the first of them. */
export const needIncidents = later(() => import('./incident.js'));

export function board() {
  const open = openTrials();
  const closed = closedTrials();
  return html`<section class="sheet board" aria-labelledby="board-title">
    <div class="caption">
      <h2 id="board-title">Board</h2>
      <p>laps as they fall</p>
      ${besideSwitch()}
      ${state.view?.replay ? nothing : html`<a class="button" href="#wall">Large board</a>`}
    </div>
    ${open.length ? html`<div class="columns" aria-hidden="true">${['locomotive', 'last lap, s', 'best, s', 'mean, s', 'speed', 'spread', 'trend', 'laps'].map((t) => html`<span>${t}</span>`)}</div>` : nothing}
    ${repeat(open, (r) => r.trial.id, (r) => trialLine(r, true))}
    ${open.length ? key() : html`<p class="empty">No trial is open. ${state.me.official ? html`Open one in the ${state.view?.plan ? html`<a href="#meet">meet</a>` : html`<a href="#book">book</a>`}.` : state.view?.replay ? '' : 'An official opens one in the book.'}</p>`}
    ${closed.length ? html`<details class="closed"><summary>Closed trials of this session (${closed.length})</summary>${repeat(closed, (r) => r.trial.id, (r) => trialLine(r, false))}</details>` : nothing}
  </section>`;
}

/** @param {Running} r @param {boolean} open */
function trialLine(r, open) {
  const loco = locomotive(r.trial.locomotive);
  const name = loco?.name || r.trial.locomotive;
  const behind = consist(r.trial.consist);
  return html`<article class="trial" aria-label=${`Trial of ${name}`} data-trial=${r.trial.id}>
    <div class="who">${markPicture(markOf(r.trial.locomotive))}
      <div><h3>${name}</h3><p>${[behind ? behind.name || behind.id : 'light engine', r.trial.direction === 'reverse' ? 'reverse' : '', r.result?.state === 'settling' ? 'settling' : '', open ? '' : `closed ${clock(r.trial.to_us)}`].filter(Boolean).join(' · ')}<span class="narrow"> · ${r.result?.consistency.n ?? 0} of ${r.result?.lap_count ?? 0} laps counted</span></p></div>
    </div>
    <dl class="figures">${figures(r.result).map(figure)}</dl>
    <div class="laps">
      ${runOfLaps(list(r.result?.laps))}
      ${strip(r, open ? (wide.matches ? 8 : 7) : 4)}
      ${open && state.me.official ? html`<button class="close" @click=${() => closeTrial(r.trial)}>Close trial</button>` : nothing}
    </div>
    ${incidents(r).length ? needIncidents()?.incidentList(r, 3) : nothing}${doubts(r.result)}
  </article>`;
}

/** @typedef {{key: string, name: string, value: string, unit?: string, more?: string}} Figure */

/** @param {Figure} f */
function figure(f) {
  const [value, u] = f.value.split(' ± ');
  return html`<div class=${f.key}><dt>${f.name}</dt><dd><span class="num">${value}</span>${u || f.unit ? html`<small class="num">${u ? `± ${u} ` : ''}${f.unit}</small>` : nothing}${f.more ? html`<small class="more">${f.more}</small>` : nothing}</dd></div>`;
}

/** The figures of a trial as written on the board. @param {TrialResult | null} result @returns {Figure[]} */
export function figures(result) {
  const laps = list(result?.laps).filter((l) => l.counts !== 'void');
  const last = laps[laps.length - 1];
  const c = result?.consistency;
  const u = last?.u_s;
  const best = laps.find((l) => l.lap === c?.best_lap);
  const beside = settings.beside;
  const d = Math.max(1, decimals(c?.mean_u_s ?? u, false));
  const trend = c?.trend_s_per_lap;
  const v = result?.speed_mm_s;
  /** What 1.96 makes the half width of an interval. @param {number | null | undefined} lo @param {number | null | undefined} hi @param {number | null | undefined} u */
  const width = (lo, hi, u) => known(lo) && known(hi) ? (hi - lo) / 3.92 : u;
  return [
    { key: 'last', name: 'last lap', value: lapTime(last?.lap_time_s, u, beside), unit: known(last?.lap_time_s) ? 's' : '', more: last ? [`lap ${last.lap}`, ...lapMarks(last)].join(', ') + (last.counts === 'incident' ? `: ${lapWhy(result?.trial ?? '', last)}` : '') : 'no lap yet' },
    { key: 'best', name: 'best', value: lapTime(c?.best_s, best?.u_s ?? u, beside), unit: known(c?.best_s) ? 's' : '', more: c?.best_lap ? `lap ${c.best_lap}` : '' },
    { key: 'mean', name: 'mean', value: lapTime(c?.mean_s, width(c?.mean_lo_s, c?.mean_hi_s, c?.mean_u_s ?? u), beside), unit: known(c?.mean_s) ? 's' : '', more: known(c?.mean_s) ? `median ${time(c.median_s, d)}` : '' },
    { key: 'speed', name: 'speed', value: speed(v?.value, width(v?.lo, v?.hi, v?.u), beside), unit: known(v?.value) ? 'mm/s' : '', more: known(result?.scale_km_h) ? `scale ${fixed(result.scale_km_h, 0)} km/h` : '' },
    { key: 'spread', name: 'spread', value: fixed(c?.sd_s, known(c?.sd_s) && c.sd_s < 0.1 ? 3 : 2), unit: known(c?.sd_s) ? 's SD' : '', more: known(c?.cv) ? `CV ${percent(c.cv)}` : '' },
    { key: 'trend', name: 'trend', value: trendWord(trend) || DASH, more: known(trend?.value) ? `${signed(trend.value, 3)} s/lap${known(trend.lo) && known(trend.hi) ? ` (${signed(trend.lo, 3)} to\u00a0${signed(trend.hi, 3)})` : ''}` : 'more laps needed' },
    { key: 'n', name: 'laps counted', value: String(c?.n ?? 0), more: `of ${result?.lap_count ?? 0}` },
  ];
}

/** The newest laps, newest first. @param {Running} r @param {number} n */
function strip(r, n) {
  const laps = list(r.result?.laps);
  const shown = laps.slice(-n).reverse();
  return html`<ol class="strip" aria-label="Newest laps">${repeat(shown, (l) => l.lap, (l) => html`<li>${lapCell(r.trial.id, l)}</li>`)}
    ${(r.result?.lap_count ?? 0) > shown.length ? html`<li><button class="lap all" @click=${() => showLap(r.trial.id, 0)}><small>all</small><b class="num">${r.result?.lap_count}</b><small>laps</small></button></li>` : nothing}</ol>`;
}

const SHOWN = 60;

/** Lap times in order as a small picture: mean, spread and trend at a glance. @param {Lap[]} all */
export function runOfLaps(all) {
  const laps = all.filter((l) => l.counts !== 'void').slice(-SHOWN);
  const counted = laps.filter((l) => l.counts === 'yes').map((l) => l.lap_time_s);
  const times = laps.map((l) => l.lap_time_s);
  if (times.length < 2) return nothing;
  const [lo, hi] = [Math.min(...times), Math.max(...times)];
  const y = (/** @type {number} */ t) => 54 - ((t - lo) / Math.max(hi - lo, 1e-3)) * 44;
  const x = (/** @type {number} */ i) => 10 + (i * 220) / Math.max(11, laps.length - 1);
  const mean = counted.length ? counted.reduce((a, b) => a + b, 0) / counted.length : null;
  return html`<svg class="run" viewBox="0 0 240 64" role="img" aria-label=${`Run of the last ${laps.length} laps, from ${fixed(lo, 2)} to ${fixed(hi, 2)} s; slower is higher`}>
    <path class="base" d="M6 60H234"></path>
    ${mean === null ? nothing : svg`<path class="mean" d="M6 ${y(mean)}H234"></path>`}
    <path class="thread" d=${laps.map((l, i) => `${i ? 'L' : 'M'}${x(i).toFixed(1)} ${y(l.lap_time_s).toFixed(1)}`).join('')}></path>
    ${laps.map((l, i) => svg`<circle class="dot ${lapMarks(l).join(' ')}" cx=${x(i).toFixed(1)} cy=${y(l.lap_time_s).toFixed(1)} r="2.8"></circle>`)}
  </svg>`;
}

function key() {
  const sample = (/** @type {string} */ c, /** @type {string} */ words) => html`<li><span class="lap sample ${c}"><b class="num">9.87</b></span>${words}</li>`;
  return html`<ul class="key" aria-label="How laps are written">
    ${sample('', 'counts, final: it is on disk')}${sample('warm-up', 'warm-up, shown and left out')}${sample('provisional', 'provisional, may still change')}${sample('inferred', 'inferred, a missed crossing bridged')}${sample('void', 'void or incident, left out')}</ul>`;
}

/** @param {TrialResult | null} result */
function doubts(result) {
  const all = list(result?.doubts);
  return all.length ? html`<details class="doubted"><summary>${all.length === 1 ? 'A note' : `${all.length} notes`} on this trial</summary><ul class="doubts">${all.map((d) => html`<li>${d}</li>`)}</ul></details>` : nothing;
}
