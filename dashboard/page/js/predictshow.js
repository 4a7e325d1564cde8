// A prediction on paper: figures with their intervals beside those of the train as it
// stands, plots over the throttle, what was measured, and what had to be taken.
/** @import {Estimate, Prediction, PredictedAt, PredictedBeside, PredictedSet} from '../../types/wire.js' */
/** @import {Layer, Plot, Point} from './chart.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { at as site } from './api.js';
import { list } from './merge.js';
import { chart } from './chart.js';
import { told } from './curve.js';
import { assumed } from './pairing.js';
import { fixed, known, signed, DASH } from './format.js';

/** mm/s of a model 1:R as km/h of what it is a model of. @param {number} ratio */
const kmh = (ratio) => ratio * 0.0036;

/** @typedef {{name: string, unit: string, of: (p: Prediction) => Estimate | null | undefined, less?: Estimate | null, scale: number, key: string}} Line */

/** @param {Prediction} answer @param {number} ratio 0 not stated @param {string} consist that is asked for, '' none */
export function predicted(answer, ratio, consist) {
  const v = answer.variant ?? null;
  return html`${figures(answer, v, ratio)}<div class="plots">${plots(answer, v, consist).map(chart)}</div>${overThrottle(answer, v)}${measured(answer)}
    ${assumed(merged(list(answer.assumed), list(v?.assumed)), [...new Set([...list(answer.doubts), ...list(v?.doubts)])])}`;
}

/** Speed and lap time in a line, to stand by the hand that moves the sliders where the figures are below. @param {Prediction} answer */
export function inShort(answer) {
  const say = (/** @type {Prediction} */ p) => html`<b class="num">${told(p.speed_mm_s, 1).value}</b> mm/s, lap <b class="num">${told(p.lap_time_s, 1).value}</b> s`;
  const v = answer.variant;
  return html`${v ? html`changed so ${say(v)}; ` : nothing}${v ? 'as in the roster' : `at ${fixed(answer.duty_permille / 10, 1)} %`} ${say(answer)}`;
}

/** What was taken for either, each once. @param {import('../../types/wire.js').Assumption[]} a @param {import('../../types/wire.js').Assumption[]} b */
function merged(a, b) {
  return [...a, ...b.filter((x) => !a.some((y) => y.name === x.name && y.value === x.value))];
}

/** The table's throttle that is nearest. @param {Prediction} p @returns {PredictedAt | undefined} */
function nearest(p) {
  return list(p.at).toSorted((a, b) => Math.abs(a.duty_permille - p.duty_permille) - Math.abs(b.duty_permille - p.duty_permille))[0];
}

/** @param {Prediction} p @returns {Estimate} */
function desync(p) {
  const x = nearest(p);
  return { value: x?.desync ?? null, lo: x?.desync_lo ?? null, hi: x?.desync_hi ?? null };
}

/** @param {Prediction} p @param {Prediction | null} v @param {number} ratio @returns {Line[]} */
function linesOf(p, v, ratio) {
  const d = p.difference;
  const out = /** @type {Line[]} */ ([
    { key: 'speed', name: 'speed, mean over the lap', unit: 'mm/s', scale: 1, of: (x) => x.speed_mm_s, less: d?.speed_mm_s },
    ...(ratio ? [{ key: 'scale', name: `scale speed, 1:${ratio}`, unit: 'km/h', scale: kmh(ratio), of: (/** @type {Prediction} */ x) => x.speed_mm_s, less: d?.speed_mm_s }] : []),
    { key: 'lap', name: 'lap time', unit: 's', scale: 1, of: (x) => x.lap_time_s, less: d?.lap_time_s },
    { key: 'pull', name: 'greatest pull, standing', unit: 'N', scale: 0.001, of: (x) => x.pull_mn, less: d?.pull_mn },
  ]);
  for (const [i, s] of list(p.sets).entries()) {
    out.push({ key: `current-${s.set}`, name: `current of ${s.set}`, unit: 'mA', scale: 1, of: (x) => list(x.sets)[i]?.current_ma });
    out.push({ key: `effort-${s.set}`, name: `effort of ${s.set}`, unit: 'N', scale: 0.001, of: (x) => list(x.sets)[i]?.effort_mn });
  }
  const pair = list((v ?? p).sets);
  if (pair.length > 1) out.push({ key: 'desync', name: `desync of ${pair[0].set} and ${pair[1].set}, each alone, at ${fixed((nearest(p)?.duty_permille ?? 0) / 10, 0)} %`, unit: '%', scale: 100, of: desync });
  return out;
}

/** @param {Prediction} p @param {Prediction | null} v @param {number} ratio */
function figures(p, v, ratio) {
  return html`<table class="predicted ruled"><caption>At ${fixed(p.duty_permille / 10, 1)} % of ${fixed(p.supply_mv / 1000, 1)} V, with 95 % prediction intervals</caption>
    <thead><tr><th scope="col">figure</th><th scope="col">${v ? 'as in the roster' : 'predicted'}</th>${v ? html`<th scope="col">changed so</th><th scope="col">difference</th>` : nothing}</tr></thead>
    <tbody>${linesOf(p, v, ratio).map((l) => html`<tr data-figure=${l.key}><th scope="row">${l.name}<small>${l.unit}</small></th>${cell(l.of(p), l.scale, v ? 'as in the roster' : 'predicted', 'base')}${v ? html`${cell(l.of(v), l.scale, 'changed so', 'variant')}${less(l)}` : nothing}</tr>`)}
      <tr data-figure="limit"><th scope="row">what limits the pull</th>${limits(p, v ? 'as in the roster' : 'predicted')}${v ? html`${limits(v, 'changed so')}<td data-label="difference">${DASH}</td>` : nothing}</tr></tbody></table>`;
}

/** @param {Estimate | null | undefined} e @param {number} scale @param {string} label @param {string} col */
function cell(e, scale, label, col) {
  const t = told(e, scale);
  return html`<td class="num" data-label=${label} data-col=${col} data-value=${e?.value ?? nothing}>${t.value}${t.interval ? html`<small>${t.interval}</small>` : t.value === DASH ? html`<small>cannot be told</small>` : nothing}</td>`;
}

/** @param {Line} l */
function less(l) {
  const e = l.less;
  if (!e || !known(e.value)) return html`<td class="num" data-label="difference">${DASH}</td>`;
  if (e.value === 0 && !e.lo && !e.hi) return html`<td class="num" data-label="difference" data-col="difference" data-value="0">none</td>`;
  const t = told(e, l.scale);
  const nought = known(e.lo) && known(e.hi) && e.lo < 0 && e.hi > 0;
  return html`<td class="num" data-label="difference" data-col="difference" data-value=${e.value}>${e.value > 0 && t.value !== DASH ? '+' : ''}${t.value}${t.interval ? html`<small>${t.interval}${nought ? ': not distinguishable from nought' : ''}</small>` : nothing}</td>`;
}

const LIMITS = /** @type {Record<string, string>} */ ({ adhesion: 'adhesion: the wheels slip first', motor: 'the motors: they stand first' });

/** @param {Prediction} p @param {string} label */
function limits(p, label) {
  return html`<td data-label=${label}>${LIMITS[p.limit] ?? p.limit}${list(p.sets).map((/** @type {PredictedSet} */ s) => html`<small>${s.set}: ${s.limit}, holds ${fixed((s.stall_mn.value ?? NaN) / 1000, 2)} N standing</small>`)}</td>`;
}

/** @param {Prediction} p @param {(a: PredictedAt) => Omit<Point, 'x'>} of @returns {Point[]} */
const along = (p, of) => list(p.at).map((a) => ({ x: a.duty_permille / 10, ...of(a) }));

/** Lines of the train as it stands, and changed. @param {Prediction} p @param {Prediction | null} v @param {(a: PredictedAt) => Omit<Point, 'x'>} of @returns {Layer[]} */
function both(p, v, of) {
  const main = v ?? p;
  return [
    { kind: 'band', ink: 2, points: along(main, of), name: '95 % prediction interval' }, { kind: 'line', ink: 2, points: along(main, of), name: v ? 'changed so' : 'as in the roster' },
    ...(v ? [/** @type {Layer} */ ({ kind: 'line', ink: 1, dash: 1, points: along(p, of), name: 'as in the roster' })] : []),
  ];
}

/** @param {Prediction} p @param {Prediction | null} v @param {string} consist @returns {Plot[]} */
function plots(p, v, consist) {
  const percent = (/** @type {number | null} */ x) => (known(x) ? 100 * x : null);
  const main = v ?? p;
  /** @type {Plot[]} */
  const out = [
    { id: 'speed', title: 'Speed over the throttle, predicted and measured', x: 'throttle, %', y: 'mm/s', zero: true, layers: [...both(p, v, (a) => ({ y: a.speed_mm_s, lo: a.speed_lo_mm_s, hi: a.speed_hi_mm_s })), ...dots(list(p.measured), consist)] },
    { id: 'pull', title: 'Greatest pull over the throttle, and what limits it', x: 'throttle, %', y: 'N', zero: true, layers: [
      ...both(p, v, (a) => ({ y: known(a.pull_mn) ? a.pull_mn / 1000 : null })).filter((l) => l.kind !== 'band'),
      ...(/** @type {const} */ (['motor', 'adhesion'])).map((limit) => /** @type {Layer} */ ({ kind: 'points', ink: 2, sign: limit === 'motor' ? 'dot' : 'hollow', name: `limited by ${limit === 'motor' ? 'the motors' : 'adhesion'}`, points: along({ ...main, at: list(main.at).filter((a) => a.limit === limit) }, (a) => ({ y: known(a.pull_mn) ? a.pull_mn / 1000 : null })) })).filter((l) => l.points.length)] },
  ];
  if (list(main.sets).length > 1) out.push({ id: 'desync', title: `Desync of ${main.sets?.[0].set} and ${main.sets?.[1].set}, each running alone`, x: 'throttle, %', y: '%', layers: [{ kind: 'rule', points: [{ x: 0, y: 0 }] }, ...both(p, v, (a) => ({ y: percent(a.desync), lo: percent(a.desync_lo), hi: percent(a.desync_hi) }))] });
  return out;
}

/** @param {string} id */
const linkTo = (id) => site(`/results?trial=${encodeURIComponent(id)}`);

/** Trials that were run: those with the cars asked for, and others. @param {PredictedBeside[]} all @param {string} consist @returns {Layer[]} */
function dots(all, consist) {
  const same = (/** @type {PredictedBeside} */ m) => (state.trials.get(m.trial)?.trial.consist ?? '') === consist;
  const of = (/** @type {PredictedBeside[]} */ some) => some.map((m) => ({ x: m.duty_permille / 10, y: m.speed_mm_s.value, lo: m.speed_mm_s.lo, hi: m.speed_mm_s.hi, href: linkTo(m.trial), title: `trial ${m.trial}: measured ${told(m.speed_mm_s).value} mm/s, predicted ${told(m.predicted_mm_s).value}` }));
  return /** @type {Layer[]} */ ([
    { kind: 'points', sign: 'square', ink: 3, name: 'measured, with these cars', points: of(all.filter(same)) },
    { kind: 'points', sign: 'hollow', ink: 3, name: 'measured, with other cars', points: of(all.filter((m) => !same(m))) },
  ]).filter((l) => l.points.length);
}

/** @param {Prediction} p */
function measured(p) {
  const all = list(p.measured);
  if (!all.length) return html`<p class="note">No trial of this session can be set beside it: a trial counts that has laps, and whose throttle is known from its readings or its conditions.</p>`;
  return html`<table class="ruled beside-measured"><caption>Predicted and measured, each at its own throttle and with its own cars</caption><thead><tr><th scope="col">trial</th><th scope="col">throttle</th><th scope="col">measured, <span class="unit">mm/s</span></th><th scope="col">predicted, <span class="unit">mm/s</span></th><th scope="col">predicted less measured</th></tr></thead>
    <tbody>${all.map((m) => {
      const [a, b] = [m.speed_mm_s.value, m.predicted_mm_s.value];
      const off = known(a) && known(b) && a !== 0 ? (100 * (b - a)) / a : null;
      const { lo, hi } = m.predicted_mm_s;
      const words = known(a) && known(lo) && known(hi) ? (a >= lo && a <= hi ? 'measured lies within the prediction’s interval' : 'measured lies outside the prediction’s interval') : '';
      return html`<tr data-measured=${m.trial}><th scope="row"><a class="engine" href=${linkTo(m.trial)}>${m.trial}</a></th><td class="num" data-label="throttle">${fixed(m.duty_permille / 10, 1)} %</td>${cell(m.speed_mm_s, 1, 'measured, mm/s', 'measured')}${cell(m.predicted_mm_s, 1, 'predicted, mm/s', 'predicted')}<td class="num" data-label="predicted less measured">${signed(off, 1)} %<small>${words}</small></td></tr>`;
    })}</tbody></table>`;
}

/** @param {Prediction} p @param {Prediction | null} v */
function overThrottle(p, v) {
  const main = v ?? p;
  return html`<details><summary>The same in figures over the throttle${v ? ', changed so' : ''}</summary><table class="ruled"><thead><tr><th scope="col">throttle</th><th scope="col">speed, <span class="unit">mm/s</span><small>95 %</small></th>${v ? html`<th scope="col">difference, <span class="unit">mm/s</span><small>95 %</small></th>` : nothing}<th scope="col">lap, <span class="unit">s</span></th><th scope="col">pull, <span class="unit">N</span></th><th scope="col">limited by</th><th scope="col">desync, <span class="unit">%</span><small>95 %</small></th></tr></thead>
    <tbody>${list(main.at).map((a) => {
      const d = list(p.difference?.at).find((x) => x.duty_permille === a.duty_permille)?.speed_mm_s;
      return html`<tr><th scope="row" class="num">${fixed(a.duty_permille / 10, 0)} %</th>${cell({ value: a.speed_mm_s, lo: a.speed_lo_mm_s, hi: a.speed_hi_mm_s }, 1, 'speed, mm/s', 'at')}${v ? cell(d, 1, 'difference, mm/s', 'at') : nothing}
        <td class="num" data-label="lap, s">${fixed(a.lap_time_s, 2)}</td><td class="num" data-label="pull, N">${fixed((a.pull_mn ?? NaN) / 1000, 2)}</td><td data-label="limited by">${a.limit}</td>${cell({ value: a.desync, lo: a.desync_lo, hi: a.desync_hi }, 100, 'desync, %', 'at')}</tr>`;
    })}</tbody></table></details>`;
}
