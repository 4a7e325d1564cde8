// Scoring a session again by other rules: shown beside the original as a
// difference, and adopted by a decision only.
/** @import {Results, Scoring, TrialResult, Lap} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
/** @import {Change, Difference} from './lapdiff.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { at, Refused } from './api.js';
import { list } from './merge.js';
import { state } from './store.js';
import { clock, count, fixed, known, lapTime, signed, speed, DASH } from './format.js';
import { field, submitting } from './forms.js';
import { locomotiveName, redraw } from './returns.js';
import { fetched, lines, posted } from './fetched.js';
import { differences } from './lapdiff.js';
import { uOf } from './sheet.js';

const trial = {
  session: '',
  /** @type {AbortController | null} */ stop: null,
  read: 0,
  said: '',
  refused: '',
  /** @type {{scoring: Scoring, was: Results, now: Results, rev: number} | null} */ result: null,
};

/** The decision by which a session is scored by rules of its own. */
const adopted = {
  of: '',
  /** @type {{id: string, seq: number, by: string, why?: string, at_us: number} | null} */ decision: null,
};

/** @param {Results} r */
async function askAdopted(r) {
  const of = key(r);
  Object.assign(adopted, { of, decision: null });
  try {
    const audit = await fetched(at(`/api/audit?session=${r.session?.id}&what=scoring`));
    if (adopted.of === of) adopted.decision = list(audit.decisions).find((/** @type {any} */ d) => !d.undone_by) ?? null;
    redraw();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
}

/** @param {Results} r */
const key = (r) => `${r.session?.id}/${JSON.stringify(r.scoring)}`;

/** What a sheet says that is scored by rules of its own. @param {Results} r */
export function ownRules(r) {
  if (!r.scoring) return nothing;
  if (adopted.of !== key(r)) askAdopted(r);
  const d = adopted.decision;
  return html`<p class="own-rules"><b>Scored by rules of its own:</b> ${inWords(r.scoring).join(', ') || 'as the circuit has it'}.${d ? html` Adopted by ${d.by}${d.why ? `: ${d.why}` : ''}.` : nothing} <a class="off-paper" href=${at(`/audit?session=${r.session?.id}`)}>The audit of it</a></p>`;
}

/** @param {Scoring} s */
function inWords(s) {
  return [
    s.lap_length_mm && `lap length ${fixed(s.lap_length_mm, 1)}${s.lap_length_u_mm ? ` ± ${fixed(1.96 * s.lap_length_u_mm, 1)}` : ''} mm`,
    ...Object.entries(s.gates ?? {}).map(([g, mm]) => `gate ${g} at ${fixed(mm, 1)} mm`), s.min_lap_s && `no lap under ${s.min_lap_s} s`,
  ].filter(Boolean);
}

/** @param {Results} r @param {() => Promise<void>} reload */
export function rescoring(r, reload) {
  const id = r.session?.id ?? '';
  if (trial.session !== id) forget(id);
  return html`<section class="sheet rescore" aria-labelledby="r-again"><div class="caption"><h2 id="r-again">Score again</h2><p>by other rules: a least lap time, gates where they really were, the lap measured again</p></div>
    ${keyed(key(r), form(r))}
    <p class="acts">${trial.stop ? html`<span role="status">${count(trial.read)} facts read</span><button @click=${() => trial.stop?.abort()}>Cancel</button>` : html`<span role="status">${trial.said}</span>`}</p>
    ${trial.refused ? html`<p class="refusal" role="alert">${trial.refused}</p>` : nothing}
    ${trial.result ? beside(r, trial.result, reload) : nothing}
    ${r.scoring && state.me.official && adopted.decision ? html`<p class="acts"><button class="back" @click=${() => takeBack(r, reload)}>Take the adopted rules back</button></p>` : nothing}</section>`;
}

/** @param {string} session */
function forget(session) {
  trial.stop?.abort();
  Object.assign(trial, { session, stop: null, read: 0, said: '', refused: '', result: null });
}

/** @param {Results} r */
function form(r) {
  const s = r.scoring;
  const gates = list(r.circuit?.gates);
  return html`<form @submit=${submitting((f) => score(r, f))}><div class="fields">
    ${field('Least lap time', 'min', { unit: 's', number: true, value: s?.min_lap_s || '', hint: 'none' })}
    ${field('Lap length', 'length', { unit: 'mm', number: true, value: round(r.lap_length_mm.value), min: 1, required: true })}
    ${field('Its standard uncertainty', 'u', { unit: 'mm', number: true, value: round(r.lap_length_mm.u) || 0 })}
    ${gates.map((g) => field(`Gate ${g.id}${g.timing ? ', timing' : ''}`, `gate.${g.id}`, { unit: 'mm along the lap', number: true, value: s?.gates?.[g.id] ?? g.position_mm, required: true }))}</div>
    <p class="acts"><button class="primary" ?disabled=${Boolean(trial.stop)}>Score again</button></p></form>`;
}

/** @param {number | null | undefined} mm */
const round = (mm) => (known(mm) ? Number(mm.toFixed(3)) : '');

/** The rules that a form asks for: only what is not as the circuit has it. @param {Results} r @param {Filled} f @returns {Scoring} */
function asked(r, f) {
  const gates = list(r.circuit?.gates).map((g) => /** @type {[string, number, number]} */ ([g.id, f.number(`gate.${g.id}`), g.position_mm])).filter(([, mm, was]) => mm !== was);
  const c = r.circuit?.circuit;
  const own = !r.scoring?.lap_length_mm;
  const length = f.number('length');
  const same = length === (own ? round(r.lap_length_mm.value) : c?.lap_length_mm) && f.number('u') === (own ? round(r.lap_length_mm.u) || 0 : c?.lap_length_u_mm ?? 0);
  return {
    ...(f.number('min') && { min_lap_s: f.number('min') }), ...(!same && { lap_length_mm: length, lap_length_u_mm: f.number('u') }),
    ...(gates.length && { gates: Object.fromEntries(gates.map(([id, mm]) => [id, mm])) }),
  };
}

/** @param {Results} r @param {Filled} f */
async function score(r, f) {
  const id = r.session?.id ?? '';
  const stop = new AbortController();
  forget(id);
  Object.assign(trial, { stop });
  const scoring = asked(r, f);
  redraw();
  try {
    // What it is held against is what the service says now, not what is on the page.
    const rev = state.rev;
    const was = await fetched(at(`/api/results?session=${id}`), { signal: stop.signal });
    const now = await streamed(await posted(at('/api/rescore'), { session: id, scoring }, stop.signal));
    if (trial.stop === stop) Object.assign(trial, { result: { scoring, was, now, rev }, said: 'Scored again. Nothing is changed by it.' });
  } catch (e) {
    if (trial.stop !== stop) return; // another session is looked at
    if (stop.signal.aborted) trial.said = 'Cancelled.';
    else if (e instanceof Refused || e instanceof TypeError) trial.refused = e instanceof Refused ? e.message : 'The line was cut. Try again.';
    else throw e;
  } finally {
    if (trial.stop === stop) trial.stop = null;
    redraw();
  }
}

/** @param {Response} response @returns {Promise<Results>} */
async function streamed(response) {
  for await (const line of lines(response)) {
    const said = JSON.parse(line);
    if (said.results) return said.results;
    if (said.reason) throw new Refused(400, said.reason);
    trial.read = said.done;
    redraw();
  }
  throw new Refused(0, 'The service ended before it was done.');
}

/** @param {Results} r @param {NonNullable<typeof trial.result>} result @param {() => Promise<void>} reload */
function beside(r, result, reload) {
  const all = differences(result.was, result.now);
  const moved = all.filter((d) => d.laps.length || d.figures || d.sectors);
  const same = all.filter((d) => !moved.includes(d));
  const rules = inWords(result.scoring);
  return html`<div class="beside"><h3>By ${rules.length ? `these rules: ${rules.join(', ')}` : 'the circuit’s own measures'}</h3>
    ${moved.length ? html`<table class="ruled differences"><thead><tr><th scope="col">trial</th><th scope="col">laps<small>then, now</small></th><th scope="col">mean lap then, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">now, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">difference, <span class="unit">s</span></th><th scope="col">speed then, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">now, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">difference, <span class="unit">mm/s</span></th></tr></thead>
      <tbody>${moved.map(differenceRow)}</tbody></table>
      <p class="note">A difference has no interval of its own here: both figures are made of the same passages.</p>
      ${moved.map(lapLines)}` : nothing}
    <p class="unchanged">${same.length ? `Unchanged: ${same.map((d) => `${nameOf(d)} (${d.trial})`).join(', ')}.` : 'No trial is unchanged.'}</p>
    ${state.me.official ? adopting(r, result, reload) : html`<p class="note">An official may adopt these rules.</p>`}</div>`;
}

/** @param {Difference} d */
const nameOf = (d) => locomotiveName((d.was ?? d.now)?.train);

/** @param {Difference} d */
function differenceRow(d) {
  const a = d.was?.consistency;
  const b = d.now?.consistency;
  const mean = (/** @type {typeof a} */ c) => lapTime(c?.mean_s, c && uOf({ lo: c.mean_lo_s, hi: c.mean_hi_s }), true);
  const rate = (/** @type {TrialResult | null} */ t) => (t ? speed(t.speed_mm_s.value, uOf(t.speed_mm_s), true) : DASH);
  const minus = (/** @type {number | null | undefined} */ x, /** @type {number | null | undefined} */ y, /** @type {number} */ n) => (known(x) && known(y) ? (Math.abs(x - y) < 0.5 * 10 ** -n ? 'none' : signed(x - y, n)) : DASH);
  return html`<tr data-trial=${d.trial}><th scope="row">${nameOf(d)}<small>${d.trial}</small></th><td data-label="laps then, now" class="num">${a?.n ?? DASH} of ${d.was?.lap_count ?? DASH}, ${b?.n ?? DASH} of ${d.now?.lap_count ?? DASH}</td>
    <td data-label="mean then, s" class="num">${mean(a)}</td><td data-label="mean now, s" class="num">${mean(b)}</td><td data-label="difference, s" class="num">${minus(b?.mean_s, a?.mean_s, 4)}</td>
    <td data-label="speed then, mm/s" class="num">${rate(d.was)}</td><td data-label="speed now, mm/s" class="num">${rate(d.now)}</td><td data-label="difference, mm/s" class="num">${minus(d.now?.speed_mm_s.value, d.was?.speed_mm_s.value, 2)}</td></tr>`;
}

/** @param {Difference} d */
function lapLines(d) {
  const n = (/** @type {Change['kind']} */ kind) => d.laps.filter((c) => c.kind === kind).length;
  const sum = d.laps.length ? `${n('came')} came, ${n('went')} went, ${n('changed')} changed` : 'no lap came, went or changed';
  return html`<details ?open=${d.laps.length > 0 && d.laps.length <= 12}><summary>${nameOf(d)}, ${d.trial}: ${sum}${d.sectors ? '; sectors are others' : ''}</summary>
    ${d.laps.length ? html`<ul class="notes">${d.laps.map((c) => html`<li><b>${c.kind}:</b> ${lapWords(c)}</li>`)}</ul>` : nothing}</details>`;
}

/** @param {Change} c */
function lapWords({ was, now }) {
  const one = (/** @type {Lap} */ l) => `lap ${l.lap} of ${clock(l.start_us)}, ${lapTime(l.lap_time_s, l.u_s, true)} s, ${l.source}, ${l.counts === 'yes' ? 'counts' : l.counts}`;
  if (!was || !now) return one(/** @type {Lap} */ (was ?? now));
  return `${one(was)}; now ${one(now)}`;
}

/** @param {Results} r @param {NonNullable<typeof trial.result>} result @param {() => Promise<void>} reload */
function adopting(r, result, reload) {
  if (r.seal) return html`<p class="refusal">These results were signed by ${r.seal.by}: other rules cannot be adopted until the signature is taken back.</p>`;
  if (JSON.stringify(r.scoring ?? {}) === JSON.stringify(result.scoring)) return html`<p class="note">The session is scored by these rules.</p>`;
  return html`<form class="adopt" @submit=${submitting((f) => decide(r, 'scoring', result.scoring, f.text('why'), result.rev, reload))}><div class="fields">
    ${field('Why these rules', 'why', { required: true })}<button class="primary">Adopt these rules</button></div></form>`;
}

/** @param {Results} r @param {() => Promise<void>} reload */
function takeBack(r, reload) {
  return decide(r, 'undo', { decision: adopted.decision?.id }, '', Math.max(state.rev, adopted.decision?.seq ?? 0), reload);
}

/** @param {Results} r @param {string} what @param {unknown} value @param {string} why @param {number} rev @param {() => Promise<void>} reload */
async function decide(r, what, value, why, rev, reload) {
  const session = r.session?.closed_us ? r.session.id : '';
  trial.refused = '';
  try {
    await posted(at('/api/decision'), { what, value, why, session, base_seq: rev });
    forget(r.session?.id ?? '');
    trial.said = what === 'undo' ? 'Taken back.' : 'Adopted.';
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    trial.refused = e.message;
  }
  await reload();
}
