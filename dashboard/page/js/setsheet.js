// The sheet of slip and desync: what each set did in each trial, plots and the
// table of the same figures, the verdict on regulation, and doubts.
/** @import {Results, TrialResult, SetResult} from '../../types/wire.js' */
/** @import {Row} from './setsknow.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { clock, fixed, known, DASH } from './format.js';
import { address, consistName, locomotiveName, PLAIN } from './returns.js';
import { markPicture } from './marks.js';
import { markOfSet, plot, varied } from './setplot.js';
import { desyncRows, figure, loadOf, pair, perCent, slipRows, toldWords, verdict } from './setsknow.js';

/** @typedef {{trials: TrialResult[], sets: string[], pairs: string[]}} Shown */

/** @param {Results} r @param {string} root @param {TrialResult[]} trials */
export function setSheet(r, root, trials) {
  const s = { trials, sets: [...new Set(trials.flatMap((t) => list(t.sets).map((x) => x.set)))], pairs: [...new Set(trials.flatMap((t) => list(t.desync).map(pair)))] };
  return html`<article class="sheet return" aria-labelledby="s-title"><header><h2 id="s-title">${locomotiveName(root)}</h2><p>Driver sets in ${r.session?.name || r.session?.id}, ${r.circuit?.circuit.name || r.session?.circuit}</p></header>
    <section aria-labelledby="s-slip"><h3 id="s-slip">Slip</h3><p class="part">How much faster the wheels’ surface runs than the train, as part of the train’s speed.</p>${slipTable(r, s)}</section>
    ${s.pairs.length ? html`<section aria-labelledby="s-desync"><h3 id="s-desync">Desync</h3><p class="part">How much faster one set’s wheels run than another’s, as part of their mean.</p>${desyncTable(s)}</section>` : nothing}
    ${plots('Slip', 's-plots', slipRows(trials), s.sets, s, (t) => list(t.sets).map((x) => ({ of: x.set, e: x.slip })))}
    ${s.pairs.length ? plots('Desync', 'd-plots', desyncRows(trials), s.pairs, s, (t) => list(t.desync).map((d) => ({ of: pair(d), e: d }))) : nothing}
    <section aria-labelledby="s-held"><h3 id="s-held">Regulated or not</h3><p class="part">Whether a motor holds its speed by itself: how far its speed falls as it has to pull more at one throttle.</p>${held(s)}</section>
    ${doubts(trials)}</article>`;
}

/** @param {TrialResult} t */
function about(t) {
  const load = loadOf(t);
  return [t.trial, consistName(t.consist) || 'light engine', known(load) && load > 0 ? `${fixed(load, 0)} g on the rails` : load === 0 ? 'wheels free' : '', t.about?.from_us ? clock(t.about.from_us, false) : '', t.about?.void ? 'void' : '', t.state === 'closed' ? '' : t.state].filter(Boolean).join(' · ');
}

/** @param {Results} r @param {Shown} s */
function slipTable(r, s) {
  return html`<table class="ruled set-slip"><thead><tr><th scope="col">set</th><th scope="col">trial</th><th scope="col">wheel speed, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">slip, <span class="unit">%</span><small>± 95 %</small></th><th scope="col">so that it is</th><th scope="col">wheel, <span class="unit">mm</span><small>u</small></th><th scope="col">motor</th></tr></thead>
    <tbody>${s.trials.map((t, i) => list(t.sets).map((x) => slipRow(r, s, t, i, x)))}</tbody></table>`;
}

/** @param {Results} r @param {Shown} s @param {TrialResult} t @param {number} i @param {SetResult} x */
function slipRow(r, s, t, i, x) {
  const d = list(r.locomotives).find((l) => l.id === t.train)?.driver_sets?.find((k) => k.id === x.set);
  const to = address({ ...PLAIN, trials: [t.trial], figure: 'laps' });
  return html`<tr class=${t.about?.void ? 'void' : ''} data-trial=${t.trial} data-set=${x.set}><th scope="row"><span class="set-name">${markPicture(markOfSet(s.sets.indexOf(x.set), s.sets.length, i))} ${x.set}</span></th>
    <td data-label="trial"><a class="fig" href=${to} title="its laps">${locomotiveName(t.train)}<small>${about(t)}</small></a></td>
    <td data-label="wheel speed, mm/s" class="num">${figure(x.wheel_speed_mm_s)}</td><td data-label="slip, %" class="num">${perCent(x.slip)}</td><td data-label="so that it is">${toldWords(x.slip)}</td>
    <td data-label="wheel, mm" class="num">${d?.wheel_diameter_mm ? fixed(d.wheel_diameter_mm, 3) : DASH}<small>${x.u_diameter_mm ? `u ${fixed(x.u_diameter_mm, 3)}${d?.calibration ? ', calibrated' : ''}` : 'u not known'}</small></td><td data-label="motor">${x.motor || DASH}</td></tr>`;
}

/** @param {Shown} s */
function desyncTable(s) {
  return html`<table class="ruled set-desync"><thead><tr><th scope="col">pair</th><th scope="col">trial</th><th scope="col">desync, <span class="unit">%</span><small>± 95 %</small></th><th scope="col">so that it is</th></tr></thead>
    <tbody>${s.trials.map((t, i) => list(t.desync).map((d) => html`<tr data-trial=${t.trial} data-pair=${pair(d)}><th scope="row"><span class="set-name">${markPicture(markOfSet(s.pairs.indexOf(pair(d)), s.pairs.length, i))} ${pair(d)}</span></th>
      <td data-label="trial">${locomotiveName(t.train)}<small>${about(t)}</small></td><td data-label="desync, %" class="num">${perCent(d)}</td><td data-label="so that it is">${toldWords(d)}</td></tr>`))}</tbody></table>`;
}

/**
 * One quantity against speed, throttle, load and place, and the table behind.
 * @param {string} what @param {string} id @param {Row[]} rows @param {string[]} ofs @param {Shown} s
 * @param {(t: TrialResult) => {of: string, e: {value: number | null, lo?: number | null, hi?: number | null}}[]} whole
 */
function plots(what, id, rows, ofs, s, whole) {
  const everywhere = rows.filter((b) => b.place === 'all');
  const places = ['straight', 'curve'];
  /** @param {(of: string, trial: number) => {x: number, e: {value: number | null}, words: string}[]} points */
  const series = (points) => s.trials.flatMap((t, trial) => ofs.map((of, k) => ({ of, mark: markOfSet(k, ofs.length, trial), points: points(of, trial) })));
  /** @param {Row[]} some @param {(b: Row) => number | null} x */
  const against = (some, x) => series((of, trial) => some.filter((b) => b.of === of && b.trial === trial && known(x(b))).map((b) => ({ x: x(b) ?? 0, e: b.e, words: rowWords(b, s) })));
  const loads = series((of, trial) => whole(s.trials[trial]).filter((w) => w.of === of && (loadOf(s.trials[trial]) ?? 0) > 0).map((w) => ({ x: loadOf(s.trials[trial]) ?? 0, e: w.e, words: `${of}, ${s.trials[trial].trial}: ${perCent(w.e)} %` })));
  const blurred = s.trials.flatMap((t) => list(t.doubts)).some((d) => d.includes('cannot be told apart'));
  const y = `${what.toLowerCase()}, %`;
  const all = [
    { name: 'speed', unit: 'mm/s', digits: 0, x: 'speed, mm/s', series: against(everywhere, (b) => b.speed) },
    { name: 'throttle', unit: '%', digits: 1, x: 'throttle, %', series: against(everywhere, (b) => (known(b.duty) ? b.duty / 10 : null)), why: 'no board told its throttle' },
    { name: 'load', unit: 'g on the rails', digits: 0, x: 'mass on the rails, g', series: loads, why: 'masses are not stated in the roster, or no trial tells it' },
    { name: 'place', unit: '', digits: 0, x: 'where the locomotive stood', places, series: against(rows.filter((b) => places.includes(b.place)), (b) => places.indexOf(b.place)), why: blurred ? 'every stretch between gates has about the same share of curve, so straights and curves cannot be told apart; a gate where a curve begins would tell them' : 'the circuit’s pieces do not tell straights from curves' },
  ];
  const drawn = all.filter(varied);
  if (!rows.length) return html`<section aria-labelledby=${id}><h3 id=${id}>${what} by circumstances</h3><p class="part">Nothing can be told yet: the doubts say why.</p></section>`;
  return html`<section aria-labelledby=${id}><h3 id=${id}>${what} by circumstances</h3>
    <ul class="set-key" aria-label="Marks">${s.trials.flatMap((t, trial) => ofs.filter((of) => whole(t).some((w) => w.of === of)).map((of) => html`<li>${markPicture(markOfSet(ofs.indexOf(of), ofs.length, trial))} ${of}, ${t.train === s.trials[0].train ? '' : `${locomotiveName(t.train)}, `}${t.trial}</li>`))}</ul>
    <div class="plots">${drawn.map((p) => plot({ title: `${what} ${p.places ? 'by' : 'against'} ${p.name}`, y, k: 100, ...p }))}${drawn.length < all.length ? atOne(what, all.filter((p) => !drawn.includes(p))) : nothing}</div>
    ${drawn.length ? html`<p class="note">A bar is the 95 % interval; where points would cover each other they stand side by side. Against load each point is a whole trial.</p>` : nothing}
    <details><summary>The same figures in a table (${rows.length} ${rows.length === 1 ? 'row' : 'rows'})</summary>${byTable(what, rows, s)}</details></section>`;
}

/** @typedef {{name: string, unit: string, digits: number, x: string, series: import('./setplot.js').Series[], places?: string[], why?: string}} Circumstance */

/** What did not change cannot be plotted against: its one value, with the figures there. @param {string} what @param {Circumstance[]} of */
function atOne(what, of) {
  return html`<table class="ruled set-one"><caption>What stayed the same, or is not known</caption><thead><tr><th scope="col">circumstance</th><th scope="col">it was</th><th scope="col">${what.toLowerCase()} there, <span class="unit">%</span><small>± 95 %</small></th></tr></thead>
    <tbody>${of.map((p) => {
      const points = p.series.flatMap((x) => x.points.filter((q) => known(q.e.value)).map((q) => ({ q, mark: x.mark })));
      return html`<tr data-circumstance=${p.name}><th scope="row">${p.name}</th>${points.length
        ? html`<td data-label="it was">${valueAt(p, points.map((x) => x.q.x))}</td><td data-label="${what.toLowerCase()} there, %"><ul class="set-at">${points.map((x) => html`<li>${markPicture(x.mark)} <span class="num">${perCent(x.q.e)}</span></li>`)}</ul></td>`
        : html`<td colspan="2" class="remarks">${p.why ?? 'nothing can be told yet'}</td>`}</tr>`;
    })}</tbody></table>`;
}

/** @param {Circumstance} p @param {number[]} xs */
function valueAt(p, xs) {
  if (p.places) return p.places[xs[0]];
  return `${[...new Set(xs.map((v) => fixed(v, p.digits)))].join(', ')} ${p.unit}`;
}

/** @param {Row} b @param {Shown} s */
function rowWords(b, s) {
  return `${b.of}, ${s.trials[b.trial].trial}, ${b.place === 'all' ? '' : `${b.place}, `}${fixed(b.speed, 0)} mm/s: ${perCent(b.e)} %, ${toldWords(b.e)}`;
}

/** @param {string} what @param {Row[]} rows @param {Shown} s */
function byTable(what, rows, s) {
  return html`<table class="ruled set-by" data-of=${what.toLowerCase()}><thead><tr><th scope="col">of</th><th scope="col">trial</th><th scope="col">place</th><th scope="col">speed, <span class="unit">mm/s</span></th><th scope="col">throttle, <span class="unit">%</span></th><th scope="col">load, <span class="unit">g</span></th><th scope="col">stretches</th><th scope="col">${what.toLowerCase()}, <span class="unit">%</span><small>± 95 %</small></th><th scope="col">so that it is</th></tr></thead>
    <tbody>${rows.map((b) => html`<tr data-trial=${s.trials[b.trial].trial} data-place=${b.place}><th scope="row">${b.of}</th><td data-label="trial">${s.trials[b.trial].trial}</td><td data-label="place">${b.place === 'all' ? 'everywhere' : b.place}</td><td data-label="speed, mm/s" class="num">${fixed(b.speed, 0)}</td><td data-label="throttle, %" class="num">${known(b.duty) ? fixed(b.duty / 10, 1) : DASH}</td><td data-label="load, g" class="num">${b.load > 0 ? fixed(b.load, 0) : DASH}</td><td data-label="stretches" class="num">${b.n}</td><td data-label="${what.toLowerCase()}, %" class="num">${perCent(b.e)}</td><td data-label="so that it is">${toldWords(b.e)}</td></tr>`)}</tbody></table>`;
}

/** @param {Shown} s */
function held(s) {
  return html`<table class="ruled set-held"><thead><tr><th scope="col">set</th><th scope="col">trial</th><th scope="col">verdict</th><th scope="col">droop, <span class="unit">mm/s a newton</span><small>± 95 %</small></th><th scope="col">droop, <span class="unit">mm/s an ampere</span><small>± 95 %</small></th><th scope="col">what speaks for it</th></tr></thead>
    <tbody>${s.trials.map((t, i) => list(t.sets).map((x) => html`<tr data-trial=${t.trial} data-set=${x.set}><th scope="row"><span class="set-name">${markPicture(markOfSet(s.sets.indexOf(x.set), s.sets.length, i))} ${x.set}</span></th><td data-label="trial">${locomotiveName(t.train)}<small>${about(t)}</small></td>
      <td data-label="verdict"><b>${verdict(x)}</b></td><td data-label="droop, mm/s a newton" class="num">${figure(x.regulated.droop_mm_s_per_n)}</td><td data-label="droop, mm/s an ampere" class="num">${figure(x.regulated.droop_mm_s_per_a)}</td>
      <td data-label="what speaks for it" class="remarks">${evidence(list(x.regulated.evidence))}</td></tr>`))}</tbody></table>`;
}

/** One sentence; several when asked for, since the figures beside it are of them. @param {string[]} of */
function evidence(of) {
  return of.length < 2 ? of[0] ?? DASH : html`<details><summary>${of.length} findings</summary><ul>${of.map((e) => html`<li>${e}</li>`)}</ul></details>`;
}

/** @param {TrialResult[]} trials */
function doubts(trials) {
  /** @type {Map<string, string[]>} */ const of = new Map();
  for (const t of trials) for (const d of list(t.doubts)) of.set(d, [...(of.get(d) ?? []), t.trial]);
  return of.size ? html`<section aria-labelledby="s-doubts"><h3 id="s-doubts">Doubts</h3><ul class="notes">${[...of].map(([d, ids]) => html`<li>${ids.length === trials.length ? '' : `${ids.join(', ')}: `}${d}</li>`)}</ul></section>` : nothing;
}
