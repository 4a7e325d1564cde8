// One lap on its own slip, and all laps of a trial in a list. An official voids
// a lap here with a reason, or restores it.
/** @import {Lap} from '../../types/wire.js' */
/** @import {Running} from './store.js' */
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state, nameOf, incidents } from './store.js';
import { list } from './merge.js';
import { lapTime, speed, fixed, percent, known, clock } from './format.js';
import { lapMarks, lapWhy, lapCell, finalWhen, showLap, besideSwitch } from './lap.js';
import { settings } from './settings.js';
import { needIncidents } from './board.js';
import { voidLap, notice, attempt } from './decide.js';
import { submitting } from './forms.js';
import { results } from './api.js';
import { again } from './again.js';
import { mergeResult } from './merge.js';

const shown = { trial: '', lap: 0 };
const box = document.createElement('dialog');
box.className = 'slip';
box.setAttribute('aria-labelledby', 'slip-title');
document.body.append(box);

/** Opens the slip of a lap; lap 0 is the list of all. @param {string} trial @param {number} lap */
export function openLap(trial, lap) {
  Object.assign(shown, { trial, lap });
  fetchRest(trial);
  drawLap();
  if (!box.open) box.showModal();
  box.scrollTop = 0;
}

/** What a replay does otherwise: it has the laps of its own instant, and can go to where one began. */
export const replayed = {
  /** @type {((trial: string) => void) | null} */ rest: null,
  /** @type {((atUs: number) => void) | null} */ jump: null,
};

/** A long trial came without its first laps: they are fetched when asked for. @param {string} trial */
function fetchRest(trial) {
  const have = state.trials.get(trial)?.result;
  if (!have || list(have.laps).length >= have.lap_count) return;
  if (replayed.rest) return replayed.rest(trial);
  attempt(async () => {
    const whole = list((await results()).trials).find((t) => t.trial === trial);
    const running = state.trials.get(trial);
    if (whole && running?.result) running.result = mergeResult(whole, running.result);
    again();
  });
}

export function drawLap() {
  const r = state.trials.get(shown.trial);
  if (!r) return box.close();
  const lap = list(r.result?.laps).find((l) => l.lap === shown.lap);
  render(html`<div class="slip-head"><h2 id="slip-title">${title(r, lap)}</h2><button @click=${() => box.close()}>Close</button></div>${besideSwitch()}${lap ? slip(r, lap) : all(r)}`, box);
}

/** @param {Running} r @param {Lap | undefined} lap */
function title(r, lap) {
  const name = nameOf(r.trial.id);
  return lap ? `${name}, lap ${lap.lap}` : `${name}, all laps`;
}

/** @param {Running} r @param {Lap} lap */
function slip(r, lap) {
  const why = lapWhy(r.trial.id, lap);
  const rows = [
    ['lap time', `${lapTime(lap.lap_time_s, lap.u_s, settings.beside)} s`],
    ['speed', `${speed(lap.speed_mm_s, lap.u_speed_mm_s, settings.beside)} mm/s${known(lap.scale_km_h) ? `, scale ${fixed(lap.scale_km_h, 0)} km/h` : ''}`],
    ['began', clock(lap.start_us)],
    ['written as', lapMarks(lap).join(', ') || 'measured, counts, final'],
    ...(lap.final ? [] : [['final', finalWhen()]]),
    ['evenness', known(lap.evenness_cv) ? `${percent(lap.evenness_cv)} scatter of sector speeds` : 'not to be had'],
    ['wheel ripple', known(lap.wheel_cv) ? percent(lap.wheel_cv) : 'not to be had'],
    ...(why ? [['reason', why]] : []),
  ];
  return html`<dl class="facts">${rows.map(([k, v]) => html`<div><dt>${k}</dt><dd>${v}</dd></div>`)}</dl>
    ${sectors(lap)}
    ${state.me.official ? official(r, lap) : nothing}${jump(lap)}
    <p><button @click=${() => showLap(r.trial.id, 0)}>All laps of this trial</button></p>`;
}

/** @param {Lap} lap */
function jump(lap) {
  const go = replayed.jump;
  return go ? html`<p><button @click=${() => { box.close(); go(lap.start_us); }}>Go to where this lap began</button></p>` : nothing;
}

/** @param {Lap} lap */
function sectors(lap) {
  if (!list(lap.sectors).length) return nothing;
  return html`<table><caption>Sectors</caption><thead><tr><th>from</th><th>to</th><th>time, s</th><th>mm/s</th></tr></thead>
    <tbody>${list(lap.sectors).map((s) => html`<tr class=${s.source}><td>${s.from}</td><td>${s.to}</td><td class="num">${lapTime(s.time_s, s.u_s, settings.beside)}</td><td class="num">${speed(s.speed_mm_s, s.u_speed_mm_s, settings.beside)}</td></tr>`)}</tbody></table>`;
}

/** @param {Running} r @param {Lap} lap */
function official(r, lap) {
  const voided = lap.counts === 'void';
  return html`<form class="void" @submit=${voiding(r.trial.id, lap.lap, !voided)}>
    <label>Reason to ${voided ? 'restore' : 'void'} this lap<input name="why" ?required=${!voided} maxlength="200" autocomplete="off"></label>
    <button class="primary">${voided ? 'Restore' : 'Void'} this lap</button></form>${refusal()}`;
}

function refusal() {
  return notice.text ? html`<p class="refusal" role="alert">${notice.text}</p>` : nothing;
}

/** @param {string} trial @param {number} lap @param {boolean} voided */
const voiding = (trial, lap, voided) => submitting(async (f, form) => {
  const why = f.text('why');
  if ((why || !voided) && (await voidLap(trial, lap, voided, why || 'restored'))) form.reset();
});

/** @param {Running} r */
function all(r) {
  const left = list(r.result?.laps).filter((l) => l.counts === 'incident' || l.counts === 'void');
  return html`<ol class="strip every">${list(r.result?.laps).toReversed().map((l) => html`<li>${lapCell(r.trial.id, l)}</li>`)}</ol>
    ${left.length ? html`<h3>Laps left out</h3><ul class="left-out">${left.map((l) => html`<li>lap ${l.lap}, ${l.counts}: ${lapWhy(r.trial.id, l) || 'no reason is given'}</li>`)}</ul>` : nothing}
    ${incidents(r).length ? needIncidents()?.incidentList(r, Infinity) : nothing}`;
}
