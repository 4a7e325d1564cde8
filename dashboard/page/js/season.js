// A locomotive's own history over the sessions: a table by date, and a picture for
// each circuit.
/** @import {History, PastTrial} from '../../types/wire.js' */
import { html, nothing, svg } from '../lib/lit-3.3.3.js';
import { at, Refused } from './api.js';
import { list } from './merge.js';
import { state } from './store.js';
import { clock, day, fixed, known, lapTime, percent, speed, DASH } from './format.js';
import { address, follow, locomotiveName, redraw, PLAIN } from './returns.js';
import { fetched } from './fetched.js';
import { uOf, words } from './sheet.js';

const past = {
  of: '',
  refused: '',
  /** @type {History | null} */ history: null,
};

/** @param {string} id @param {string} of */
async function ask(id, of) {
  Object.assign(past, { of, refused: '', history: past.history?.locomotive === id ? past.history : null });
  try {
    const history = await fetched(at(`/api/history?locomotive=${encodeURIComponent(id)}`));
    if (past.of === of) past.history = history;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    past.refused = e.message;
  }
  redraw();
}

/** @param {string} id of a locomotive */
export function season(id) {
  const of = `${id}/${state.view?.rev}`;
  if (past.of !== of) ask(id, of);
  const trials = list(past.history?.trials).toSorted((a, b) => when(a) - when(b));
  const circuits = [...new Set(trials.map((t) => t.circuit))];
  return html`<article class="sheet return" aria-labelledby="r-title"><header><h2 id="r-title">${locomotiveName(id)}</h2><p>History over the season</p></header>
    ${past.refused ? html`<p class="refusal" role="alert">${past.refused}</p>` : nothing}
    ${!past.history ? html`<p>Fetching its history…</p>` : trials.length ? html`
      <p class="part">Each picture is of one circuit, in the order of dates. Trials on different circuits, or with other loads, are not compared by it: look at the conditions beside each.</p>
      <div class="plots">${circuits.map((c) => plot(trials.filter((t) => t.circuit === c)))}</div>${table(trials)}
      <p class="acts"><a class="button" href=${at(`/api/trials.csv?session=all&locomotive=${id}`)} download>History, CSV</a><a class="button" href=${at(`/api/trials.parquet?session=all&locomotive=${id}`)} download>History, Parquet</a><a class="button" href=${at(`/api/history?locomotive=${id}`)} download="history-${id}.json">History, JSON</a></p>` : html`<p class="empty">It has run in no session yet.</p>`}
    <p class="foot"><span class="on-paper"><span class="printed-when"></span></span></p></article>`;
}

/** @param {PastTrial} t */
const when = (t) => t.about.from_us ?? 0;

/** @param {PastTrial[]} trials */
function table(trials) {
  return html`<table class="ruled past"><thead><tr><th scope="col">date</th><th scope="col">session, circuit</th><th scope="col">conditions</th><th scope="col">laps</th><th scope="col">mean lap, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">cv</th><th scope="col">best, <span class="unit">s</span></th><th scope="col">speed, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">remarks</th></tr></thead>
    <tbody>${trials.map(row)}</tbody></table>`;
}

/** @param {PastTrial} t */
function row(t) {
  const c = t.consistency;
  const to = { ...PLAIN, session: t.session, trials: [t.about.id], figure: 'mean' };
  const link = (/** @type {string} */ text, /** @type {string} */ figure) => html`<a class="fig num" href=${address({ ...to, figure })} @click=${follow({ ...to, figure }, '#behind')}>${text}</a>`;
  const consist = list(state.view?.consists).find((x) => x.id === t.about.consist)?.name || t.about.consist || 'light engine';
  const said = [t.about.void ? `void: ${t.why || 'no reason given'}` : '', t.about.outcome ?? '', t.incidents ? `${t.incidents} ${t.incidents === 1 ? 'incident' : 'incidents'}` : '', t.signed ? 'signed' : ''].filter(Boolean).join('; ');
  return html`<tr class=${t.about.void ? 'void' : ''}><th scope="row" class="num">${day(when(t))}</th><td data-label="session, circuit">${t.session_name || t.session}<small>${t.circuit_name || t.circuit}${known(t.lap_length_mm) ? `, lap ${fixed(t.lap_length_mm, 0)} mm` : ''}</small></td>
    <td data-label="conditions">${[consist, t.about.direction, ...words(t.about.conditions), t.about.battery && `battery ${t.about.battery}`].filter(Boolean).join(' · ')}</td>
    <td data-label="laps">${link(String(c.n), 'laps')}</td><td data-label="mean lap, s">${link(lapTime(c.mean_s, uOf({ lo: c.mean_lo_s, hi: c.mean_hi_s }), true), 'mean')}</td><td data-label="cv">${link(percent(c.cv), 'cv')}</td><td data-label="best, s">${link(lapTime(c.best_s, null, false), 'best')}</td>
    <td data-label="speed, mm/s">${link(speed(t.speed_mm_s.value, uOf(t.speed_mm_s), true), 'speed')}</td><td data-label="remarks" class="remarks">${said || DASH}</td></tr>`;
}

const WIDE = 640, HIGH = 200, LEFT = 62, RIGHT = 12, TOP = 12, BOTTOM = 30;

/** A picture of the mean lap times on one circuit. @param {PastTrial[]} of */
function plot(of) {
  const trials = of.filter((t) => known(t.consistency.mean_s) && when(t) > 0);
  const name = of[0].circuit_name || of[0].circuit;
  if (!trials.length) return nothing;
  const ends = trials.flatMap((t) => [t.consistency.mean_s, t.consistency.mean_lo_s, t.consistency.mean_hi_s]).filter(known);
  const [y0, y1] = widened(Math.min(...ends), Math.max(...ends), 0.01);
  const [x0, x1] = widened(when(trials[0]), when(trials[trials.length - 1]), 3.6e9);
  const x = (/** @type {number} */ us) => LEFT + ((us - x0) / (x1 - x0)) * (WIDE - LEFT - RIGHT);
  const y = (/** @type {number} */ s) => TOP + ((y1 - s) / (y1 - y0)) * (HIGH - TOP - BOTTOM);
  const steps = ticks(y0, y1);
  const short = x1 - x0 < 2 * 86_400e6;
  return html`<figure class="plot"><svg viewBox="0 0 ${WIDE} ${HIGH}" role="img" aria-label="Mean lap time on ${name}: ${trials.map((t) => `${day(when(t))} ${fixed(t.consistency.mean_s, 3)} s`).slice(-12).join(', ')}">
    ${steps.map((s) => svg`<path class="grid" d="M${LEFT} ${y(s)}H${WIDE - RIGHT}"></path><text class="end" x=${LEFT - 6} y=${y(s) + 4}>${fixed(s, decimalsOf(steps))}</text>`)}
    <path class="frame" d="M${LEFT} ${TOP}V${HIGH - BOTTOM}H${WIDE - RIGHT}"></path>
    ${[x0 + 0.06 * (x1 - x0), (x0 + x1) / 2, x1 - 0.06 * (x1 - x0)].map((us) => svg`<text class="middle" x=${x(us)} y=${HIGH - 8}>${short ? day(us) : day(us).slice(0, 10)}</text>`)}
    ${trials.map((t) => point(t, x(when(t)), y))}
  </svg><figcaption>${name}: mean lap, s, with its 95 % interval; ${trials.length} ${trials.length === 1 ? 'trial' : 'trials'}. Hollow: void or ended otherwise than planned.</figcaption></figure>`;
}

/** @param {PastTrial} t @param {number} x @param {(s: number) => number} y */
function point(t, x, y) {
  const c = t.consistency;
  const bar = known(c.mean_lo_s) && known(c.mean_hi_s) ? svg`<path class="bar" d="M${x} ${y(c.mean_lo_s)}V${y(c.mean_hi_s)}M${x - 4} ${y(c.mean_lo_s)}h8M${x - 4} ${y(c.mean_hi_s)}h8"></path>` : nothing;
  return svg`${bar}<circle class=${t.about.void || t.about.outcome ? 'hollow' : 'dot'} cx=${x} cy=${y(c.mean_s ?? 0)} r="4"><title>${t.about.id}, ${clock(when(t))}</title></circle>`;
}

/** A range with room at both ends, and never empty. @param {number} lo @param {number} hi @param {number} least @returns {[number, number]} */
export function widened(lo, hi, least) {
  const room = Math.max(0.08 * (hi - lo), least);
  return [lo - room, hi + room];
}

/** Round numbers within a range, three to six of them. @param {number} lo @param {number} hi @param {number} [about] other than four or so */
export function ticks(lo, hi, about = 4) {
  const rough = (hi - lo) / about;
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((k) => k * ten).find((s) => s >= rough) ?? 10 * ten;
  const first = Math.ceil(lo / step);
  return Array.from({ length: Math.floor(hi / step) - first + 1 }, (_, i) => (first + i) * step);
}

/** @param {number[]} steps */
export function decimalsOf(steps) {
  const step = steps.length > 1 ? steps[1] - steps[0] : 1;
  return Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
}
