// The laps behind a figure, lap by lap, and the raw crossings behind a lap.
/** @import {Results, TrialResult, Lap, Sector} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { at, Refused } from './api.js';
import { list } from './merge.js';
import { clock, count, fixed, known, lapTime, signed, speed, DASH } from './format.js';
import { address, asked, follow, locomotiveName, redraw } from './returns.js';
import { fetched } from './fetched.js';
import { placed } from './crossings.js';

/** @typedef {import('./crossings.js').Raw} Raw */

/** Which laps a figure is made of, and what that is called. @type {Record<string, [string, (l: Lap, t: TrialResult) => boolean]>} */
const BEHIND = {
  laps: ['all laps', () => true],
  mean: ['the mean: laps that count', (l) => l.counts === 'yes'],
  sd: ['the standard deviation: laps that count', (l) => l.counts === 'yes'],
  cv: ['the coefficient of variation: laps that count', (l) => l.counts === 'yes'],
  speed: ['the speed: laps that count', (l) => l.counts === 'yes'],
  trend: ['the trend: laps that count', (l) => l.counts === 'yes'],
  best: ['the best lap', (l, t) => l.lap === t.consistency.best_lap],
  incidents: ['incidents: laps they fell into', (l) => l.counts === 'incident'],
};

/** @param {Results} r @param {TrialResult[]} trials */
export function lapSheets(r, trials) {
  const a = asked();
  const [what, behind] = BEHIND[a.figure] ?? BEHIND.laps;
  const of = a.trials.length || !a.lap ? trials : trials.filter((t) => a.lap.startsWith(`${t.trial}:`));
  return html`<section id="behind" aria-labelledby="r-laps"><h3 id="r-laps">Laps</h3><p class="part">Behind ${what}. The others stand in brackets. <span class="off-paper">A lap leads to the crossings that the gates reported.</span></p>
    ${of.map((t) => lapTable(r, t, behind))}</section>`;
}

/** @param {Results} r @param {TrialResult} t @param {(l: Lap, t: TrialResult) => boolean} behind */
function lapTable(r, t, behind) {
  const laps = list(t.laps);
  const n = laps.filter((l) => behind(l, t)).length;
  const open = laps.find((l) => asked().lap === `${t.trial}:${l.lap}`);
  return html`<table class="ruled laps-of" data-trial=${t.trial}><caption>${locomotiveName(t.train)}, ${t.trial}: ${n} of ${laps.length} ${laps.length === 1 ? 'lap' : 'laps'}</caption>
    <thead><tr><th scope="col">lap</th><th scope="col">began</th><th scope="col">time, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">u, <span class="unit">s</span></th><th scope="col">speed, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">source</th><th scope="col">counts</th><th scope="col">sectors, <span class="unit">s</span><small>± 95 %</small></th></tr></thead>
    <tbody>${laps.map((l) => lapRow(t, l, behind(l, t)))}</tbody></table>
    ${incidentLines(t)}
    ${open ? crossings(r, t, open) : nothing}`;
}

/** @param {TrialResult} t @param {Lap} l @param {boolean} is */
function lapRow(t, l, is) {
  const to = { lap: `${t.trial}:${l.lap}` };
  const link = (/** @type {unknown} */ text) => html`<a class="fig num" href=${address(to)} @click=${follow(to, '#raw')}>${text}</a>`;
  const why = [l.counts === 'yes' ? 'counts' : l.counts === 'warmup' ? 'warm-up' : l.counts.replace('_', ' '), l.why, l.final ? '' : 'provisional'].filter(Boolean).join('; ');
  return html`<tr class=${is ? 'is' : 'other'} data-lap=${l.lap}><th scope="row">${link(l.lap)}</th><td data-label="began" class="num">${began(l.start_us)}</td><td data-label="time, s">${link(lapTime(l.lap_time_s, l.u_s, true))}</td><td data-label="u, s" class="num">${fixed(l.u_s, 6)}</td>
    <td data-label="speed, mm/s" class="num">${speed(l.speed_mm_s, l.u_speed_mm_s, true)}</td><td data-label="source">${l.source}</td><td data-label="counts">${why}</td><td data-label="sectors, s" class="sectors">${list(l.sectors).map(sector)}</td></tr>`;
}

/** @param {Sector} s */
function sector(s) {
  return html`<span><small>${s.from}–${s.to}</small> <b class="num">${lapTime(s.time_s, s.u_s, true)}</b>${s.source === 'inferred' ? html` <small>inferred</small>` : nothing}</span> `;
}

/** Time of day to the millisecond. @param {number} us */
const began = (us) => `${clock(us)}.${String(Math.floor(us / 1000) % 1000).padStart(3, '0')}`;

/** @param {TrialResult} t */
function incidentLines(t) {
  const all = list(t.incidents);
  return all.length ? html`<ul class="notes">${all.map((i) => html`<li><time class="num">${clock(i.at_us)}</time> <b>${i.kind}</b>${known(i.position_mm) ? ` at ${fixed(i.position_mm, 0)}${known(i.position_u_mm) ? ` ± ${fixed(1.96 * i.position_u_mm, 0)}` : ''} mm` : ''}${i.text ? `: ${i.text}` : ''}</li>`)}</ul>` : nothing;
}

const raw = {
  of: '',
  refused: '',
  more: false,
  /** @type {Raw[] | null} */ list: null,
};

/** Asks for what the gates reported around a lap, once. @param {string} of @param {Lap} l */
async function fetchRaw(of, l) {
  Object.assign(raw, { of, refused: '', more: false, list: null });
  const result = { refused: '', more: false, list: /** @type {Raw[] | null} */ (null) };
  try {
    const answer = await fetched(at(`/api/crossings?from_us=${l.start_us}&to_us=${end(l)}`));
    Object.assign(result, { list: answer.crossings, more: answer.more });
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    result.refused = e.message;
  }
  if (raw.of !== of) return; // another was asked for meanwhile
  Object.assign(raw, result);
  redraw();
}

/** @param {Lap} l */
const end = (l) => Math.round(l.start_us + l.lap_time_s * 1e6);

/** @param {Results} r @param {TrialResult} t @param {Lap} l */
function crossings(r, t, l) {
  const of = `${r.session?.id}/${t.trial}:${l.lap}/${l.start_us}/${end(l)}`;
  if (raw.of !== of) fetchRaw(of, l);
  const all = raw.of === of && raw.list ? placed(raw.list, l.start_us, end(l), list(l.sectors)[0]?.from ?? list(r.circuit?.gates).find((g) => g.timing)?.id ?? '', t.about?.tag) : null;
  const within = list(all).filter((x) => x.within).length;
  return html`<div id="raw" class="raw"><h4>Crossings around lap ${l.lap} of ${t.trial}</h4>
    ${raw.refused ? html`<p class="refusal" role="alert">${raw.refused}</p>` : nothing}
    ${all ? html`<p class="part">${all.length} in the journal from 2 s before to 2 s after, <b>${within}</b> of them within the lap: what the gates reported, of whichever train. “About” is the instant as far as arrivals tell, in seconds from the lap’s beginning; the scoring knows it better.${raw.more ? ' There are more than can be listed.' : ''}</p>
      <table class="ruled crossings"><thead><tr><th scope="col">journal</th><th scope="col">gate</th><th scope="col">edge</th><th scope="col">tag</th><th scope="col">agent, boot, seq</th><th scope="col">its own instant, <span class="unit">µs</span></th><th scope="col">arrived</th><th scope="col">about, <span class="unit">s</span></th><th scope="col">in the lap</th></tr></thead>
      <tbody>${all.map(({ x, where, within }) => html`<tr class=${within ? 'is' : 'other'} data-seq=${x.journal_seq}><th scope="row" class="num">${count(x.journal_seq)}</th><td data-label="gate">${x.gate}${x.beam ? ` beam ${x.beam}` : ''}</td><td data-label="edge">${x.edge}</td><td data-label="tag">${x.tag || DASH}</td>
        <td data-label="agent, boot, seq">${[x.agent, x.boot, x.seq].filter((v) => v !== undefined && v !== '').join(' ')}</td><td data-label="its own instant, µs" class="num">${x.at_us}${known(x.u_us) ? ` ± ${fixed(1.96 * x.u_us, 0)}` : ''}</td><td data-label="arrived" class="num">${began(x.bus_us)}</td><td data-label="about, s" class="num">${signed((x.about_us - l.start_us) / 1e6, 3)}</td><td data-label="in the lap">${where}</td></tr>`)}</tbody></table>` : raw.refused ? nothing : html`<p>Fetching the crossings…</p>`}</div>`;
}
