// The sheet of a session: its head, trials, standings, notes and doubts. Every
// figure leads to the laps behind it.
/** @import {Results, TrialResult, Standing, ClassResult, Estimate, NoteRecord} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { clock, day, fixed, known, lapTime, percent, signed, speed, time, trendWord, DASH } from './format.js';
import { fieldWords, valueWords } from './fields.js';
import { address, asked, chosen, classOf, consistName, entrant, follow, live, locomotiveName, PLAIN } from './returns.js';
import { lapSheets } from './lapsheet.js';
import { setsAddress } from './setsknow.js';
import { ownRules } from './rescore.js';

/** Standard uncertainty that a 95 % interval stands for. @param {Estimate | {lo?: number | null, hi?: number | null}} e */
export function uOf(e) {
  return known(e.lo) && known(e.hi) ? (e.hi - e.lo) / 2 / 1.96 : null;
}

/** A value with half its 95 % interval. @param {number | null | undefined} v @param {number | null | undefined} u95 @param {number} d */
const plus = (v, u95, d) => (known(v) && known(u95) ? `${fixed(v, d)} ± ${fixed(u95, d)}` : fixed(v, d));

/** Signed, closed or open, in a few words. @param {Results} r */
export function standing(r) {
  if (r.seal) return `signed by ${r.seal.by}, ${day(r.seal.at_us)}, digest ${r.seal.digest.slice(0, 16)}`;
  return r.session?.closed_us ? 'not signed' : 'provisional: the session is open';
}

/** @param {Results} r */
export function sheet(r) {
  const trials = chosen(r);
  const a = asked();
  const some = a.trials.length || a.locomotive || a.class;
  return html`<article class="sheet return" aria-labelledby="r-title">
    ${head(r)}
    ${ownRules(r)}
    <section aria-labelledby="r-trials"><h3 id="r-trials">Trials</h3>
      ${some ? html`<p class="part">${part(r, trials)} <a class="off-paper" href=${address(PLAIN)} @click=${follow(PLAIN)}>the whole sheet</a></p>` : nothing}
      ${trials.length ? table(trials) : html`<p class="empty">No trial ${some ? 'is so.' : 'yet.'}</p>`}</section>
    ${standings(r)}
    ${a.trials.length || a.figure || a.lap ? lapSheets(r, trials) : nothing}
    ${notes(r, trials)}${doubts(r, trials)}
    <p class="foot">${standing(r)}${r.seal ? html`<br><span class="digest">SHA-256 ${r.seal.digest}</span>` : nothing}<span class="on-paper"><br><span class="printed-when"></span></span></p>
  </article>`;
}

/** @param {Results} r @param {TrialResult[]} trials */
function part(r, trials) {
  const a = asked();
  const of = [a.class && `class ${list(r.meet?.classes).find((c) => c.class === a.class)?.name || a.class}`, a.locomotive && locomotiveName(a.locomotive), a.trials.length && `trial ${a.trials.join(', ')}`];
  return `${of.filter(Boolean).join(', ')}: ${trials.length} of ${list(r.trials).length} trials.`;
}

/** @param {Results} r */
function head(r) {
  const s = r.session;
  const l = r.lap_length_mm;
  const gates = list(r.circuit?.gates).map((g) => ({ ...g, position_mm: r.scoring?.gates?.[g.id] ?? g.position_mm }));
  const dates = `${day(s?.opened_us)}${s?.closed_us ? ` to ${day(s.closed_us).slice(0, 10) === day(s.opened_us).slice(0, 10) ? clock(s.closed_us, false) : day(s.closed_us)}` : ', open'}`;
  const rows = [
    ['circuit', r.circuit?.circuit.name || s?.circuit || DASH],
    ['lap length', known(l?.value) ? `${known(l.u) ? `${plus(l.value, 1.96 * l.u, 1)} mm` : `${fixed(l.value, 1)} mm, uncertainty not stated`}` : 'not known'],
    ['gates', gates.map((g) => `${g.id} at ${fixed(g.position_mm, 0)} mm${g.timing ? ' (timing)' : ''}`).join(', ') || 'none'],
    ['date', dates],
    ['conditions', common(list(r.trials)) || 'differ by trial, see there'],
    ['rules', `version ${r.rules.version}${r.scoring ? ', with rules of the session’s own' : ''}`],
    ['state', standing(r)],
  ];
  return html`<header><h2 id="r-title">${s?.name || s?.id}</h2><p>Return of ${r.meet ? 'the meet' : 'the session'}${live() ? html`, as of ${clock(Date.now() * 1000)}` : nothing}</p>
    <dl>${rows.map(([k, v]) => html`<div><dt>${k}</dt><dd>${v}</dd></div>`)}</dl></header>`;
}

/** Conditions in words. @param {Record<string, unknown> | undefined} c */
export const words = (c) => Object.entries(c ?? {}).map(([k, v]) => `${fieldWords(`conditions.${k}`)} ${valueWords(`conditions.${k}`, v, (_, id) => id)}`);

/** The conditions that all trials share. @param {TrialResult[]} trials */
function common(trials) {
  const all = trials.map((t) => words(t.about?.conditions));
  return list(all[0]).filter((c) => all.every((of) => of.includes(c))).join(', ');
}

/** @param {TrialResult} t @param {string} figure @param {unknown} text @param {string} [more] */
function fig(t, figure, text, more) {
  const to = { trials: [t.trial], figure, lap: '' };
  return html`<a class="fig num" data-figure=${figure} href=${address(to)} @click=${follow(to, '#behind')}>${text}${more ? html` <small>${more}</small>` : nothing}</a>`;
}

/** @param {TrialResult[]} trials */
function table(trials) {
  return html`<table class="ruled trials"><thead><tr><th scope="col">train</th><th scope="col">laps<small>count of all</small></th><th scope="col">mean lap, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">sd, <span class="unit">s</span></th><th scope="col">cv</th>
    <th scope="col">best, <span class="unit">s</span></th><th scope="col">speed, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">trend, <span class="unit">s a lap</span><small>± 95 %</small></th><th scope="col">remarks</th></tr></thead>
    <tbody>${trials.map(row)}</tbody></table>`;
}

/** @param {TrialResult} t */
function row(t) {
  const c = t.consistency;
  const best = list(t.laps).find((l) => l.lap === c.best_lap);
  const word = trendWord(c.trend_s_per_lap);
  const trend = c.trend_s_per_lap;
  const half = known(trend.lo) && known(trend.hi) ? (trend.hi - trend.lo) / 2 : null;
  const d = known(half) && half > 0 ? Math.min(6, Math.max(2, 1 - Math.floor(Math.log10(half)))) : 3;
  return html`<tr class=${t.about?.void ? 'void' : ''} data-trial=${t.trial}>
    <th scope="row">${who(t)}</th>
    <td data-label="laps">${fig(t, 'laps', `${c.n} of ${t.lap_count}`)}</td>
    <td data-label="mean lap, s">${fig(t, 'mean', lapTime(c.mean_s, uOf({ lo: c.mean_lo_s, hi: c.mean_hi_s }), true))}</td>
    <td data-label="sd, s">${fig(t, 'sd', three(c.sd_s))}</td>
    <td data-label="cv">${fig(t, 'cv', percent(c.cv))}</td>
    <td data-label="best, s">${fig(t, 'best', lapTime(c.best_s, best?.u_s, true), c.best_lap ? `lap ${c.best_lap}${best?.source === 'inferred' ? ', inferred' : ''}` : '')}</td>
    <td data-label="speed, mm/s">${fig(t, 'speed', speed(t.speed_mm_s.value, uOf(t.speed_mm_s), true), known(t.scale_km_h) ? `scale ${fixed(t.scale_km_h, 0)} km/h` : '')}</td>
    <td data-label="trend, s a lap">${fig(t, 'trend', known(trend.value) && known(half) ? `${signed(trend.value, d)} ± ${fixed(half, d)}` : DASH, word)}</td>
    <td data-label="remarks" class="remarks">${remarks(t)}</td></tr>`;
}

/** Three digits of a spread. @param {number | null | undefined} s */
function three(s) {
  return known(s) ? fixed(s, s > 0 ? Math.min(6, Math.max(1, 2 - Math.floor(Math.log10(s)))) : 3) : DASH;
}

/** @param {TrialResult} t */
function who(t) {
  const a = t.about;
  const season = { ...PLAIN, season: t.train };
  const rest = [entrant(t), classOf(t)?.name, consistName(t.consist) || 'light engine', a?.direction, ...words(a?.conditions), a?.battery && `battery ${a.battery}`];
  return html`<a class="engine" href=${address(season)} title="its history over the season" @click=${follow(season)}>${locomotiveName(t.train)}</a>
    <small>${t.trial} · ${rest.filter(Boolean).join(' · ')}${a?.from_us ? ` · ${clock(a.from_us, false)}` : ''}</small>`;
}

/** @param {number} n */
const times = (n) => (n > 1 ? ` × ${n}` : '');

/** @param {TrialResult} t */
function remarks(t) {
  const all = list(t.incidents);
  const kinds = [...new Set(all.map((i) => i.kind))].map((k) => `${k}${times(all.filter((i) => i.kind === k).length)}`);
  const provisional = list(t.laps).filter((l) => !l.final).length;
  const inferred = list(t.laps).filter((l) => l.source === 'inferred').length;
  const said = [
    t.about?.void ? `void: ${t.why || 'no reason given'}` : '',
    t.about?.outcome ? `${t.about.outcome}${t.why && !t.about.void ? `: ${t.why}` : ''}` : '',
    /^(yes|true)$/.test(String(t.about?.conditions?.coast)) ? 'cars rolling by themselves' : '', t.state === 'closed' ? '' : t.state,
    inferred ? `${inferred} inferred` : '', provisional ? `${provisional} provisional` : '',
  ].filter(Boolean);
  return html`${kinds.length ? fig(t, 'incidents', kinds.join(', ')) : nothing}${said.length ? html`<span>${said.join('; ')}</span>` : nothing}${kinds.length || said.length ? nothing : DASH}${list(t.sets).length ? html`<a class="fig off-paper" href=${setsAddress({ trials: [t.trial], locomotive: '' })}>driver sets</a>` : nothing}`;
}

/** @type {Record<string, string>} */
const RANKS = { mean_time: 'mean lap, s', best_time: 'best lap, s', evenness: 'CV of lap time' };

/** @param {Results} r */
function standings(r) {
  const a = asked();
  const m = r.meet;
  if (!m || a.trials.length || a.lap) return nothing;
  const classes = list(m.classes).filter((c) => !a.class || c.class === a.class);
  return html`<section aria-labelledby="r-classes"><h3 id="r-classes">Classes</h3><p class="part">${m.runs ? `${m.done} of ${m.runs} runs made. ` : ''}Void trials, and those that ended otherwise than planned, do not count. An interval is that of an entry’s trials: of one trial there is none.</p>
    ${classes.map((c) => classTable(c, m.rank))}</section>`;
}

/** @param {ClassResult} c @param {string} rank */
function classTable(c, rank) {
  return html`<table class="ruled placings"><caption>${c.name || c.class || 'without a class'}</caption><thead><tr><th scope="col">place</th><th scope="col">entrant</th><th scope="col">locomotive</th>
    <th scope="col">${rank === 'evenness' ? 'cv of lap time' : html`${rank === 'best_time' ? 'best lap' : 'mean lap'}, <span class="unit">s</span>`}<small>± 95 %</small></th><th scope="col">best, <span class="unit">s</span></th><th scope="col">laps</th></tr></thead>
    <tbody>${list(c.standings).map((s) => standingRow(s, rank, c.class))}</tbody></table>`;
}

/** @param {Standing} s @param {string} rank @param {string} cls */
function standingRow(s, rank, cls) {
  const v = s.value;
  const u = uOf(v);
  const value = rank === 'evenness' ? (known(v.value) ? `${percent(v.value)}${known(u) ? ` ± ${percent(1.96 * u)}` : ''}` : DASH) : known(u) ? lapTime(v.value, u, true) : time(v.value, 3);
  const to = { trials: list(s.trials), figure: rank === 'best_time' ? 'best' : 'mean', lap: '', class: cls, locomotive: '' };
  const link = (/** @type {string} */ text) => (list(s.trials).length ? html`<a class="fig num" href=${address(to)} @click=${follow(to, '#behind')}>${text}</a>` : text);
  return html`<tr><td data-label="place" class="num">${s.withdrawn ? 'withdrawn' : s.place ? `${s.place}${s.tied ? ' =' : ''}` : DASH}</td><th scope="row">${s.person}</th><td data-label="locomotive">${locomotiveName(s.locomotive)}</td>
    <td data-label=${RANKS[rank]}>${link(value)}</td><td data-label="best, s">${link(time(s.best_s, 3))}</td><td data-label="laps">${link(String(s.laps))}</td></tr>`;
}

/** @param {Results} r @param {TrialResult[]} trials */
function notes(r, trials) {
  const of = list(r.notes).filter((n) => !n.trial || trials.some((t) => t.trial === n.trial));
  return of.length ? html`<section aria-labelledby="r-notes"><h3 id="r-notes">Notes</h3><ol class="notes">${of.map((/** @type {NoteRecord} */ n) => html`<li><time class="num">${day(n.at_us)}</time> ${n.trial ? html`<b>${n.trial}:</b> ` : nothing}${n.text} <small>${n.by}</small></li>`)}</ol></section>` : nothing;
}

/** @param {Results} r @param {TrialResult[]} trials */
function doubts(r, trials) {
  const of = new Map(/** @type {[string, string[]][]} */ (list(r.doubts).map((d) => [d, []])));
  for (const t of trials) for (const d of list(t.doubts)) of.set(d, [...(of.get(d) ?? []), t.trial]);
  const whose = (/** @type {string[]} */ ids) => (!ids.length || ids.length === trials.length ? '' : ids.length > 6 ? `${ids.length} trials: ` : `${ids.join(', ')}: `);
  return of.size ? html`<section aria-labelledby="r-doubts"><h3 id="r-doubts">Doubts</h3><ul class="notes">${[...of].map(([d, ids]) => html`<li>${whose(ids)}${d}</li>`)}</ul></section>` : nothing;
}
