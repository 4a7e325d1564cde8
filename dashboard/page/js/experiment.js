// The experiment with and without trim: planned by one button, run turn by turn, and
// what it showed, pair by pair.
/** @import {Locomotive, PairedResult, PairedDifference, PairedOrder} from '../../types/wire.js' */
/** @import {Plan} from './experimentrun.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { ask as get, at, Refused } from './api.js';
import { slug } from './slug.js';
import { attempt } from './decide.js';
import { again } from './again.js';
import { field, choice, Rows, submitting } from './forms.js';
import { readConditions } from './trialform.js';
import { fieldWords, valueWords } from './fields.js';
import { fixed, signed, known, DASH } from './format.js';
import { OWN, run, runPlan, trialsOf, left, hindrance, motorsOf, halt, interrupted, voidRun } from './experimentrun.js';
import { perCent } from './drivelive.js';

const AGAIN_MS = 2000;

const page = {
  /** @type {Plan | null} drawn, or read back from the book */ plan: null,
  /** @type {PairedResult | null} */ result: null, resultOf: '', askedMs: -Infinity, refused: '', picked: '', key: 0,
};

/** Conditions that the person gives, as rows of the form; of which form they are. */
const free = new Rows(/** @type {{name: string, value: string}[]} */ ([]), () => ({ name: '', value: '' }));
let freeOf = '';
/** Conditions that are another's business, or are read anew each time. */
const NOT_KEPT = [...OWN, 'purpose', 'wheels', 'battery_v', 'temperature_c'];

/** Begins with what the locomotive's last trial was run under. @param {string} locomotive @param {string} key */
function fillConditions(locomotive, key) {
  if (freeOf === key) return;
  freeOf = key;
  const last = [...state.trials.values()].map((r) => r.trial).filter((t) => t.locomotive === locomotive && !t.void).at(-1);
  free.set(Object.entries(last?.conditions ?? {}).filter(([k]) => !NOT_KEPT.includes(k)).map(([name, value]) => ({ name, value: String(value) })));
}

/** Those of a trial that its experiment did not give. @param {Record<string, any>} c */
const given = (c) => Object.fromEntries(Object.entries(c).filter(([k]) => !OWN.includes(k)));

/** @param {Record<string, string | number>} c */
const conditionWords = (c) => Object.entries(c).map(([k, v]) => `${fieldWords(`conditions.${k}`)} ${valueWords(`conditions.${k}`, v, (_, id) => id)}`).join(', ');

export function experimentSection() {
  const known = experiments();
  if (!page.plan && !page.picked && known.length) pick(known[known.length - 1]);
  refresh();
  return html`<section class="sheet" aria-labelledby="d-experiment" id="experiment"><div class="caption"><h2 id="d-experiment">Does trim help?</h2><p>paired trials with it and without, in balanced order</p></div>
    ${page.refused ? html`<p class="refusal" role="alert"><span>${page.refused}</span> <button @click=${() => { page.refused = ''; again(); }}>Dismiss</button></p>` : nothing}
    ${page.plan ? planned(page.plan, known) : form()}</section>`;
}

/** Experiments of the session, in order. */
function experiments() {
  return [...new Set([...state.trials.values()].map((r) => r.trial.conditions?.experiment).filter((id) => typeof id === 'string'))];
}

/** @returns {Locomotive[]} */
const twoSets = () => list(state.view?.locomotives).filter((l) => list(l.driver_sets).filter((d) => d.motor).length > 1);

function form() {
  const locos = twoSets();
  if (!locos.length) return html`<p class="empty">No locomotive of the roster has two driver sets with motors.</p>`;
  const armed = list(state.driving?.motors).find((m) => m.locomotive && locos.some((l) => l.id === m.locomotive))?.locomotive;
  const picked = locos.find((l) => l.id === page.picked.slice(1)) ?? locos.find((l) => l.id === armed) ?? locos[0];
  const sets = list(picked.driver_sets).filter((d) => d.motor).map((d) => /** @type {[string, string]} */ ([d.id, d.id]));
  fillConditions(picked.id, `${picked.id} ${page.key}`);
  const plan = submitting((f) => draw({
    conditions: readConditions(f.texts('cond.name'), f.texts('cond.value')),
    id: '', locomotive: picked.id, sets: [f.text('a'), f.text('b')], pairs: Math.round(f.number('pairs')), seed: f.text('seed') ? Number(f.text('seed')) : NaN,
    laps: Math.round(f.number('laps')), warmup: Math.round(f.number('warmup')), permille: Math.round(f.number('throttle') * 10), most: Math.round(f.number('most') * 10), turns: [],
  }));
  return keyed(`${picked.id} ${page.key}`, html`<form class="entry" id="experiment-form" @submit=${plan}>
    <p>In half of the pairs the run with trim comes first, in half the one without, as a seed has it: so neither has the warm rails and the full battery to itself. All runs have the same throttle and laps, and the cars, battery and direction of the locomotive’s last trial. Each is a trial in the book, with its conditions.</p>
    <div class="fields">${choice('Locomotive', 'locomotive', locos.map((l) => [l.id, l.name || l.id]), picked.id, (v) => { page.picked = `:${v}`; again(); })}
      ${choice('Set', 'a', sets, sets[0][0])}${choice('and set', 'b', sets, sets[1][0])}
      ${field('Pairs', 'pairs', { number: true, min: 1, max: 1000, value: 4, required: true })}${field('Laps that count, a run', 'laps', { number: true, min: 1, max: 10000, value: 4, required: true })}
      ${field('Warm-up laps before', 'warmup', { number: true, max: 1000, value: 1 })}${field('Throttle', 'throttle', { unit: '%', number: true, min: 1, max: 100, value: 50, required: true })}
      ${field('Trim may take off', 'most', { unit: '% at most', number: true, min: 1, max: 100, value: 20, required: true })}
      <label><span>Seed <small>any, when not stated</small></span><input name="seed" inputmode="numeric" pattern="[0-9]{1,15}" title="a whole number of 0 or more" autocomplete="off"></label></div>
    ${free.show('Conditions of all runs', 'condition', (c) => html`${field('Condition', 'cond.name', { value: c.name, hint: 'lubrication' })}${field('is', 'cond.value', { value: c.value })}`)}
    <p class="acts"><button class="primary" id="plan-experiment">Plan the experiment</button></p></form>`);
}

/** @param {Plan} plan with a seed, or NaN for a fresh one */
async function draw(plan) {
  refuse('');
  if (plan.sets[0] === plan.sets[1]) return refuse('Choose two sets that are not the same.');
  const own = Object.keys(plan.conditions).find((k) => OWN.includes(k));
  if (own) return refuse(`The experiment writes the condition ${own} itself: give yours another name.`);
  const order = await asked(`/api/paired-order?pairs=${plan.pairs}${Number.isNaN(plan.seed) ? '' : `&seed=${plan.seed}`}`);
  if (!order) return;
  const drawn = /** @type {PairedOrder} */ (order);
  page.refused = '';
  page.plan = { ...plan, id: slug(`${plan.locomotive.slice(0, 20)}-trim`, experiments(), 'trim'), seed: drawn.seed, turns: list(drawn.runs) };
  again();
}

/** @param {string} text */
function refuse(text) {
  page.refused = text;
  again();
}

/** What the gateway answers; null when it refuses, which is shown. @param {string} path @returns {Promise<any>} */
async function asked(path) {
  try {
    return await get(path);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    refuse(e.message);
    return null;
  }
}

/** An experiment of the book is taken up again: its plan is in the conditions of its trials. @param {string} id */
async function pick(id) {
  page.picked = id;
  const t = trialsOf(id)[0];
  const c = t.conditions ?? {};
  const order = await asked(`/api/paired-order?pairs=${c.pairs}&seed=${c.seed}`);
  if (!order || page.plan) return;
  page.plan = {
    id, locomotive: t.locomotive, sets: [String(c.set_a), String(c.set_b)], pairs: Number(c.pairs), seed: Number(c.seed), laps: t.ends_after_laps ?? 0, warmup: t.warmup_laps ?? 0,
    permille: Number(c.throttle_permille), most: Number(c.trim_most_permille), conditions: given(c), turns: order.runs,
  };
  again();
}

/** @param {Plan} plan @param {string[]} known */
function planned(plan, known) {
  const name = list(state.view?.locomotives).find((l) => l.id === plan.locomotive)?.name || plan.locomotive;
  const rest = left(plan);
  const other = (/** @type {string} */ id) => { Object.assign(page, { plan: null, result: null, resultOf: '', picked: id }); page.key++; if (id && id[0] !== ':') pick(id); again(); };
  return html`<p><b>${name}</b>, ${plan.sets.join(' and ')}: ${plan.pairs} ${plan.pairs === 1 ? 'pair' : 'pairs'}, ${plan.laps} ${plan.laps === 1 ? 'lap' : 'laps'} after ${plan.warmup} to warm up, throttle ${perCent(plan.permille)}, trim within ${perCent(plan.most)}. Seed <b class="num seed-shown">${plan.seed}</b>; experiment <b>${plan.id}</b>.${Object.keys(plan.conditions).length ? html` All with ${conditionWords(plan.conditions)}.` : nothing}</p>
    <ol class="pair-order" aria-label="Order of the runs">${plan.turns.map((x) => html`<li class=${rest.includes(x) ? (run.turn === x ? 'now' : '') : 'made'} data-trim=${x.trim}><span class="num">${x.pair}.${x.place}</span> ${x.trim === 'on' ? 'with trim' : 'without'}${rest.includes(x) ? (run.turn === x ? html` <b>${run.doing}</b>` : nothing) : ' ✓'}</li>`)}</ol>
    ${run.turn ? underWay(plan, rest.length) : acts(plan, rest.length, known, other)}
    ${run.halted && !run.turn ? html`<p class="refusal" role="alert" id="halted"><span>The experiment stands still: ${run.halted}.</span></p>` : nothing}
    ${page.result && page.resultOf === plan.id ? summary(page.result) : nothing}`;
}

/** @param {Plan} plan @param {number} rest */
function underWay(plan, rest) {
  const r = state.trials.get(run.trial)?.result;
  const laps = list(r?.laps).filter((l) => l.counts === 'yes').length;
  return html`<p role="status">Run ${plan.turns.length - rest + 1} of ${plan.turns.length}: ${run.turn?.trim === 'on' ? 'with trim' : 'without trim'}, ${run.doing}${run.trial ? html`, lap <b class="num">${laps} of ${plan.laps}</b>` : nothing}.</p>
    <progress max=${plan.turns.length} value=${plan.turns.length - rest} aria-label="Runs of the experiment"></progress>
    <p class="acts"><button id="halt-after" @click=${() => halt('after')}>${run.wish === 'after' ? 'Ends after this run' : 'End after this run'}</button><button id="halt-now" @click=${() => halt('now')}>Abort: close the throttle, void this run</button></p>`;
}

/** @param {Plan} plan @param {number} rest @param {string[]} known @param {(id: string) => void} other */
function acts(plan, rest, known, other) {
  const why = rest ? hindrance(plan.locomotive, motorsOf(plan)) : '';
  const cut = interrupted(plan);
  return html`${why ? html`<p class="note" id="hindrance">${why}</p>` : nothing}<p class="acts">
    ${rest ? html`<button class="primary" id="run-experiment" ?disabled=${Boolean(why)} @click=${() => runPlan(plan)}>${rest === plan.turns.length ? `Run it: ${rest} runs` : `Go on: ${rest} of ${plan.turns.length} runs left`}</button>` : nothing}
    ${cut && state.me.official ? html`<button id="void-cut" @click=${() => attempt(() => voidRun(cut, 'it was interrupted'))}>Void the run that was interrupted, and make it again</button>` : nothing}
    <button @click=${() => other(`:${plan.locomotive}`)}>${trialsOf(plan.id).length ? 'Plan another' : 'Plan it anew'}</button></p>
    ${known.filter((id) => id !== plan.id).length ? choice('Experiments of this session', 'experiment', [['', 'another of this session…'], ...known.filter((id) => id !== plan.id).map((id) => /** @type {[string, string]} */ ([id, id]))], '', (id) => id && other(id)) : nothing}`;
}

/** Asks what it showed, now and then while it goes on. */
function refresh() {
  const id = page.plan?.id;
  if (!id || !trialsOf(id).length || performance.now() - page.askedMs < AGAIN_MS) return;
  const settled = page.resultOf === id && page.result && list(page.result.runs).length === trialsOf(id).length && !list(page.result.runs).some((r) => r.left === 'not over yet');
  if (settled) return;
  page.askedMs = performance.now();
  get(`/api/paired?experiment=${id}`).then((r) => { Object.assign(page, { result: r, resultOf: id }); again(); }, () => {});
  setTimeout(again, AGAIN_MS + 50);
}

/** @param {PairedResult} r */
function summary(r) {
  const csv = at(`/api/paired-laps.csv?session=${r.session}&experiment=${r.experiment}`);
  const none = ![r.lap_time_s, r.speed_mm_s, r.desync].some((d) => d.n);
  return html`${none ? html`<p class="note">No pair has both its runs yet: there is nothing to compare.</p>` : html`<div class="scroll"><table class="paired cards" id="paired"><caption>With trim less without, mean over the pairs with its 95 % interval (Student’s t, pairs less one)</caption>
      <thead><tr><th scope="col">figure</th><th scope="col" class="num">pairs</th><th scope="col" class="num">without</th><th scope="col" class="num">with trim</th><th scope="col">difference</th></tr></thead>
      <tbody>${line('mean lap time', 's', r.lap_time_s, 1, 3)}${line('speed', 'mm/s', r.speed_mm_s, 1, 1)}${line('desync, its size', '%', r.desync, 100, 2)}</tbody></table></div>`}
    ${list(r.doubts).length ? html`<ul class="doubts">${list(r.doubts).map((d) => html`<li>${d}</li>`)}</ul>` : nothing}
    <details><summary>The runs</summary><div class="scroll"><table class="cards"><thead><tr><th scope="col">pair</th><th scope="col">trim</th><th scope="col">trial</th><th scope="col" class="num">laps</th><th scope="col" class="num">mean lap time</th><th scope="col" class="num">speed</th><th scope="col" class="num">desync</th><th scope="col">left out</th></tr></thead>
      <tbody>${list(r.runs).map((x) => html`<tr><td class="num" data-name="pair">${x.pair}.${x.place}</td><td data-name="trim">${x.trim}</td><td data-name="trial">${x.trial}</td><td class="num" data-name="laps">${x.laps}</td><td class="num" data-name="mean lap time">${figure(x.lap_time_s, 1, 3, 's')}</td><td class="num" data-name="speed">${figure(x.speed_mm_s, 1, 1, 'mm/s')}</td><td class="num" data-name="desync">${figure(x.desync, 100, 2, '%')}</td><td data-name="left out">${x.left ?? ''}</td></tr>`)}</tbody></table></div></details>
    <p class="acts"><a class="button" id="paired-csv" href=${csv} download>Take the laps away, with trim and pair as columns (CSV)</a></p>`;
}

/** @param {number | null | undefined} v @param {number} times @param {number} d decimals @param {string} unit */
const figure = (v, times, d, unit) => (known(v) ? `${fixed(v * times, d)} ${unit}` : DASH);

/** @param {string} name @param {string} unit @param {PairedDifference} p @param {number} times @param {number} d decimals */
function line(name, unit, p, times, d) {
  const e = p.difference;
  const told = known(e.lo) && known(e.hi);
  const none = told && /** @type {number} */ (e.lo) <= 0 && /** @type {number} */ (e.hi) >= 0;
  const at2 = (/** @type {number | null} */ v) => (known(v) ? signed(v * times, d) : DASH);
  return html`<tr data-figure=${name}><th scope="row">${name}</th><td class="num" data-name="pairs">${p.n}</td><td class="num" data-name="without">${figure(p.off, times, d, unit)}</td><td class="num" data-name="with trim">${figure(p.on, times, d, unit)}</td>
    <td class="wide" data-name="difference">${told ? html`<span class="num">${at2(e.value)}</span> (<span class="num">${at2(e.lo)}</span> to <span class="num">${at2(e.hi)}</span>) ${unit}${none ? html`: <i>not distinguishable from none</i>` : nothing}` : p.n ? html`<span class="num">${at2(e.value)}</span> ${unit} of one pair: <i>cannot tell yet</i>` : html`<i>cannot tell yet</i>`}</td></tr>`;
}
