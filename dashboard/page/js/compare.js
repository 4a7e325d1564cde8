// Comparing: what is held against what, was it fair, what came out, and what would
// settle it. The laps are compared by the service; the page asks and shows.
/** @import {CompareAnswer, ComparedPair, ComparedTrial, FairnessRow} from '../../types/wire.js' */
import { html, nothing, live, repeat } from '../lib/lit-3.3.3.js';
import { state, circuit } from './store.js';
import { list } from './merge.js';
import { styles } from './css.js';
import { again } from './again.js';
import { choice, field, submitting } from './forms.js';
import { attempt } from './decide.js';
import { write } from './meetact.js';
import { fixed, known, DASH } from './format.js';
import { Answer, between, drawing, findingsNav, sessionPicks, toggle } from './findings.js';

await Promise.all([styles('results'), styles('sets'), styles('findings')]);

const asked = {
  /** @type {Set<string>} sessions that enter; none: the one in the book */ sessions: new Set(),
  /** on a phone: are the values of conditions unfolded? */ values: false,
  factor: '', block: '', measure: 'lap_time_s', a: '', b: '',
  /** @type {Set<string>} */ covariates: new Set(),
  /** @type {Set<string>} trials left out by hand */ leave: new Set(),
};
/** @type {Answer<CompareAnswer>} */ const came = new Answer('/api/compare');

/** Of how many pairs a drawing says in words what it shows: as many as it draws. */
const MOST_SAID = 36;

/** The question as an address takes it. */
function question() {
  const q = new URLSearchParams();
  for (const s of asked.sessions) q.append('session', s);
  for (const [name, v] of Object.entries({ factor: asked.factor, block: asked.block, measure: asked.measure, a: asked.a && asked.b ? asked.a : '', b: asked.a && asked.b ? asked.b : '' })) if (v) q.set(name, v);
  for (const c of asked.covariates) q.append('covariate', c);
  for (const t of asked.leave) q.append('leave', t);
  return q.toString();
}

export function compareView() {
  if (!state.view) return html`<div class="sheet welcome"><h1>Compare</h1><p>Calling the line…</p></div>`;
  came.wish(question());
  const c = came.is;
  return html`${findingsNav('compare')}<h1 class="aside">Compare</h1><div class="findings">
    <section class="sheet" aria-labelledby="c-ask"><div class="caption"><h2 id="c-ask">What is held against what</h2><p>trials that are over, and not void</p></div>${asking(c)}</section>
    ${came.refused ? html`<p class="refusal" role="alert">${came.refused}</p>` : nothing}
    ${c ? answered(c) : html`<p class="note" role="status">Reckoning…</p>`}</div>`;
}

/** @param {CompareAnswer | null} c */
function asking(c) {
  const factors = list(c?.factors);
  const by = factors.find((f) => f.name === (asked.factor || c?.result.factor));
  const levels = list(by?.values).map((id, i) => /** @type {[string, string]} */ ([id, by?.called?.[i] ?? id]));
  const put = (/** @type {'factor' | 'block' | 'measure' | 'a' | 'b'} */ name) => (/** @type {string} */ v) => {
    asked[name] = v;
    if (name === 'factor') Object.assign(asked, { a: '', b: '' });
    again();
  };
  return html`<div class="fields held">
    ${choice('By', 'factor', [...(asked.factor ? [] : [/** @type {[string, string]} */ (['', c?.result.factor ? words(c.result.factor) : 'what differs'])]), ...factors.map((f) => /** @type {[string, string]} */ ([f.name, `${words(f.name)}: ${list(f.values).length} values`]))], asked.factor, put('factor'))}
    ${choice('Measure', 'measure', [['lap_time_s', 'lap time'], ['speed_mm_s', 'speed']], asked.measure, put('measure'))}
    ${choice('Run in rounds of', 'block', [['', 'no rounds: in any order'], ...factors.filter((f) => f.name !== asked.factor).map((f) => /** @type {[string, string]} */ ([f.name, words(f.name)]))], asked.block, put('block'))}
    ${levels.length > 2 ? html`${choice('Only', 'a', [['', 'all'], ...levels], asked.a, put('a'))}${choice('against', 'b', [['', 'all'], ...levels], asked.b, put('b'))}` : nothing}</div>
    ${sessionPicks(asked.sessions)}${wanted(c)}`;
}

/** What was asked to be adjusted for, whether it is, and the way back: here, as a row of its own may be gone. @param {CompareAnswer | null} c */
function wanted(c) {
  if (!asked.covariates.size) return nothing;
  return html`<div class="wanted" role="status">${[...asked.covariates].map((name) => html`<p><span>Asked to adjust for ${words(name)}: ${cameOf(c, name)}</span><button type="button" aria-label="Take it back: no longer adjust for ${words(name)}" @click=${() => toggle(asked.covariates, name)}>Take it back</button></p>`)}</div>`;
}

/** @param {CompareAnswer | null} c @param {string} name */
function cameOf(c, name) {
  if (!c || !came.fresh) return '…';
  if (list(c.result.adjusted_for).some((a) => a.covariate === name)) return 'it is.';
  const why = list(c.result.doubts).find((d) => d.startsWith(`${words(name)} is not adjusted for`) || d.startsWith(`${words(name)} cannot be adjusted for`));
  return why ? `it is not, as ${why.slice(why.indexOf(': ') + 2)}.` : 'it is not, as there is nothing to compare yet.';
}

/** A condition's name as it is said: the service has the words. @param {string} name */
const words = (name) => came.is?.result.words?.[name] ?? list(came.is?.factors).find((f) => f.name === name)?.words ?? name;

/** @param {CompareAnswer} c */
function answered(c) {
  const pairs = list(c.result.pairs);
  const unit = c.result.measure === 'lap_time_s' ? 's' : 'mm/s';
  const d = c.result.measure === 'lap_time_s' ? 3 : 1;
  return html`<section class="sheet" aria-labelledby="c-fair" data-asked=${came.fresh ? 'answered' : 'asking'}><div class="caption"><h2 id="c-fair">Was it fair?</h2><p>what was the same, what was not, what nobody wrote down</p></div>${fairness(c)}</section>
    <section class="sheet" aria-labelledby="c-what"><div class="caption"><h2 id="c-what">What it shows</h2><p>${words(c.result.factor)}, by ${c.result.measure === 'lap_time_s' ? 'lap time' : 'speed'}</p></div>
      ${pairs.length ? html`<div class="verdicts" role="status">${pairs.map((p) => html`<p data-verdict=${p.verdict}>${p.says}</p>`)}</div>` : html`<p class="empty">There is nothing to compare yet: two sides are needed, each with a trial that is over. Open and close them in the <a href="#book">book</a>.</p>`}
      ${margin(c)}
      ${pairs.length ? html`${drawing(`/api/compare.svg?${came.of}&v=${state.view?.rev ?? 0}`, pairs.slice(0, MOST_SAID).map((p) => p.says).join('. '), html`Each lap a dot, each trial a row with its mean; the square is a side’s mean with its 95 % interval. Below, each difference with its 95 % interval beside no difference.`)}
      ${table(pairs, unit, d)}${sides(c, unit, d)}${adjusted(c)}` : nothing}
      ${list(c.result.doubts).length ? html`<ul class="doubts">${list(c.result.doubts).map((t) => html`<li>${t}</li>`)}</ul>` : nothing}
      ${pairs.length ? html`${trials(c, unit, d)}${came.papers()}` : nothing}</section>`;
}

/** @type {Record<string, string>} */
const STATES = { same: 'the same', differs: 'different', varies: 'varied on every side', adjusted: 'different, adjusted for', unwritten: 'not written down' };

/** @param {CompareAnswer} c */
function fairness(c) {
  const rows = list(c.result.fairness);
  const levels = list(c.result.sides).map((s) => s.level);
  if (!rows.length) return html`<p class="empty">No condition is written down.</p>`;
  const some = rows.some(adjustable);
  const fold = () => {
    asked.values = !asked.values;
    again();
  };
  return html`<button type="button" class="fold" aria-expanded=${asked.values ? 'true' : 'false'} @click=${fold}>${asked.values ? 'Fold away' : 'Show'} what each side had</button><table class="ruled fair ${asked.values ? 'open' : ''}"><thead><tr><th scope="col">condition</th><th scope="col">is</th>${levels.map((l) => html`<th scope="col">${l}</th>`)}${some ? html`<th scope="col">adjust for it</th>` : nothing}</tr></thead>
    <tbody>${rows.map((r) => html`<tr class=${r.state}><th scope="row">${words(r.condition)}</th><td data-label="is">${STATES[r.state] ?? r.state}</td>${list(r.values).map((v, i) => html`<td class="had" data-label=${levels[i] ?? ''}>${v || DASH}</td>`)}${some ? html`<td class="to-adjust" data-label="adjust for it">${adjustable(r) ? html`<label class="check"><input type="checkbox" aria-label="Adjust for ${words(r.condition)}" .checked=${live(asked.covariates.has(r.condition))} @change=${() => toggle(asked.covariates, r.condition)}></label>` : DASH}</td>` : nothing}</tr>`)}</tbody></table>`;
}

/** Can the measure be adjusted for it, or was that asked? @param {FairnessRow} r */
const adjustable = (r) => asked.covariates.has(r.condition) || ((r.state === 'differs' || r.state === 'varies') && list(r.values).every((v) => /^[-−\d.,; to–()]+$/.test(v)));

/** What difference matters is asked once for a circuit. @param {CompareAnswer} c */
function margin(c) {
  const on = list(c.circuits);
  if (on.length !== 1) return nothing;
  const name = list(state.view?.circuits).find((x) => x.circuit.id === on[0])?.circuit.name || circuit()?.circuit.name || on[0];
  const said = c.margin_s;
  const form = html`<form class="fields margin" @submit=${submitting((f) => attempt(() => write('margin', { circuit: on[0], lap_time_s: f.number('margin') })))}>${field(`Least difference of lap times that matters on ${name}`, 'margin', { unit: 's', number: true, value: said ?? '', min: 0.001, max: 3600, required: true })}<button>${known(said) ? 'Change it' : 'Write it down'}</button></form>`;
  if (!known(said)) return html`<div class="note">What difference matters here has not been said: without it, two can never be called the same.${form}</div>`;
  return html`<details class="note"><summary>A difference below ${fixed(said, 3)} s a lap does not matter on ${name}.</summary>${form}</details>`;
}

/** @param {ComparedPair[]} pairs @param {string} unit @param {number} d */
function table(pairs, unit, d) {
  const adjusted = pairs.some((p) => p.unadjusted);
  return html`<table class="ruled compared"><thead><tr><th scope="col">pair</th><th scope="col">difference, <span class="unit">${unit}</span><small>95 %</small></th><th scope="col">ratio<small>95 %</small></th><th scope="col">effect size<small>95 %</small></th><th scope="col">p</th>${adjusted ? html`<th scope="col">not adjusted<small>95 %</small></th>` : nothing}<th scope="col">more trials a side</th></tr></thead>
    <tbody>${pairs.map((p) => html`<tr><th scope="row">${p.b} less ${p.a}</th><td data-label="difference, ${unit}" class="num">${between(p.difference, d)}</td><td data-label="ratio" class="num">${between(p.ratio, 4)}</td><td data-label="effect size" class="num">${between(p.effect_size, 2)}</td><td data-label="p" class="num">${probability(p.p)}</td>${adjusted ? html`<td data-label="not adjusted" class="num">${between(p.unadjusted, d)}</td>` : nothing}<td data-label="more trials a side">${known(p.more_trials) ? p.more_trials : DASH}</td></tr>`)}</tbody></table>`;
}

/** @param {number | null | undefined} p */
const probability = (p) => (!known(p) ? DASH : p < 0.0001 ? 'below 0.0001' : fixed(p, 4));

/** @param {CompareAnswer} c @param {string} unit @param {number} d */
function sides(c, unit, d) {
  const letters = list(c.result.sides).some((s) => s.letters);
  return html`<table class="ruled sides"><thead><tr><th scope="col">side</th><th scope="col">trials</th><th scope="col">laps</th><th scope="col">mean, <span class="unit">${unit}</span><small>95 %</small></th><th scope="col">scatter of trials, <span class="unit">${unit}</span></th>${letters ? html`<th scope="col">may be alike<small>those that share a letter</small></th>` : nothing}</tr></thead>
    <tbody>${list(c.result.sides).map((s) => html`<tr><th scope="row">${s.level}</th><td data-label="trials">${s.trials}</td><td data-label="laps">${s.laps}</td><td data-label="mean, ${unit}" class="num">${between(s.mean, d)}</td><td data-label="scatter of trials, ${unit}" class="num">${known(s.sd) ? fixed(s.sd, d) : DASH}</td>${letters ? html`<td data-label="may be alike">${s.letters}</td>` : nothing}</tr>`)}</tbody></table>`;
}

/** @param {CompareAnswer} c */
function adjusted(c) {
  const of = list(c.result.adjusted_for);
  return of.length ? html`<ul class="doubts">${of.map((a) => html`<li>Adjusted for ${words(a.covariate)}: one more of it goes with ${between(a.slope, 4)} ${c.result.measure === 'lap_time_s' ? 's' : 'mm/s'}; ${a.why}.</li>`)}</ul>` : nothing;
}

/** How a trial is told apart from one of the same id in another session. @param {ComparedTrial} t */
const leaveId = (t) => (t.session ? `${t.session}/` : '') + (t.trial.split(' ').at(-1) ?? '');

/** @param {CompareAnswer} c @param {string} unit @param {number} d */
function trials(c, unit, d) {
  const left = [...asked.leave];
  const name = (/** @type {string} */ id) => (list(c.sessions).length > 1 ? id.replace(/^(.*)\//, (_, s) => `${list(c.sessions).find((x) => x.id === s)?.name || s} `) : id.split('/').at(-1));
  return html`<details class="of-trials-in"><summary>Trials that entered: ${list(c.result.trials).length}${left.length ? `, left out by hand: ${left.length}` : ''}</summary>
    <table class="ruled"><thead><tr><th scope="col">trial</th><th scope="col">side</th><th scope="col">laps</th><th scope="col">mean, <span class="unit">${unit}</span></th><th scope="col">laps worth<small>independent ones</small></th><th scope="col">enters</th></tr></thead>
    <tbody>${repeat(list(c.result.trials), (t) => t.trial, (t) => html`<tr><th scope="row">${t.trial}</th><td data-label="side">${t.level}</td><td data-label="laps">${list(t.laps).length}${t.left ? html` <small>${t.left} left out</small>` : nothing}</td><td data-label="mean, ${unit}" class="num">${fixed(t.mean, d)}</td><td data-label="laps worth" class="num">${known(t.effective_laps) ? fixed(t.effective_laps, 1) : DASH}</td><td data-label="enters"><label class="check"><input type="checkbox" aria-label="${t.trial} enters" .checked=${live(true)} @change=${() => toggle(asked.leave, leaveId(t))}></label></td></tr>`)}
    ${repeat(left, (t) => t, (t) => html`<tr><th scope="row">${name(t)}</th><td colspan="4" data-label="side">left out by hand</td><td data-label="enters"><label class="check"><input type="checkbox" aria-label="${name(t)} enters" .checked=${live(false)} @change=${() => toggle(asked.leave, t)}></label></td></tr>`)}</tbody></table></details>`;
}
