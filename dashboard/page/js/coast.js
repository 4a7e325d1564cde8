// Coasting: how to let cars roll through the gates, what it says of their resistance,
// and keeping it with them, so that predictions draw on it.
/** @import {CoastResult, CoastTerms} from '../../types/wire.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, consist, openTrials, sessionOpen } from './store.js';
import { list } from './merge.js';
import { styles } from './css.js';
import { again } from './again.js';
import { choice, submitting } from './forms.js';
import { attempt, closeTrial } from './decide.js';
import { openTrial } from './trialform.js';
import { write } from './meetact.js';
import { fixed, known, DASH } from './format.js';
import { Answer, between, drawing, findingsNav, sessionPicks } from './findings.js';

await Promise.all([styles('results'), styles('sets'), styles('findings')]);

const asked = { /** @type {Set<string>} */ sessions: new Set(), rotating: 1, placeMm: 0 };
/** @type {Answer<CoastResult>} */ const came = new Answer('/api/coast');
const kept = new Set();

function question() {
  const q = new URLSearchParams();
  for (const s of asked.sessions) q.append('session', s);
  if (asked.rotating > 1) q.set('rotating', String(asked.rotating));
  if (asked.placeMm > 0) q.set('place_u_mm', String(asked.placeMm));
  return q.toString();
}

export function coastView() {
  if (!state.view) return html`<div class="sheet welcome"><h1>Coasting</h1><p>Calling the line…</p></div>`;
  came.wish(question());
  return html`${findingsNav('coast')}<h1 class="aside">Coasting</h1><div class="findings">${guide()}
    ${came.is ? shown(came.is) : came.refused ? html`<p class="empty" role="status">${came.refused.charAt(0).toUpperCase() + came.refused.slice(1)}</p>` : html`<p class="note" role="status">Reckoning…</p>`}</div>`;
}

function guide() {
  const put = (/** @type {Event} */ e) => {
    asked.rotating = Math.min(10, Math.max(1, Number(/** @type {HTMLInputElement} */ (e.target).value) || 1));
    again();
  };
  const place = (/** @type {Event} */ e) => {
    asked.placeMm = Math.min(1000, Math.max(0, Number(/** @type {HTMLInputElement} */ (e.target).value) || 0));
    again();
  };
  return html`<section class="sheet" aria-labelledby="o-how"><div class="caption"><h2 id="o-how">How to coast</h2><p>cars alone, rolling through the gates until they stand</p></div>
    <ol class="steps"><li>Open a push below: it is a trial of the cars with the condition <b>coast: yes</b>, one for each push. The <a href="#book">book</a> can open it too.</li>
      <li>Push the cars off and let go before the first gate: nothing pulls or holds them from there on. Three pushes and more, some quick and some slow, tell the terms apart.</li>
      <li>Let them roll past as many gates as they reach; further laps count on. For the curve term some gates should lie on straights and some behind curves.</li>
      <li>Close the push when the cars stand or are caught. Cars with other bearings are a consist of their own, and are held against these below.</li></ol>
    <div class="fields"><label><span>Effective mass over mass <small>what turns with the wheels; 1 leaves it out</small></span><input type="number" name="rotating" min="1" max="10" step="0.01" .value=${String(asked.rotating)} @change=${put}></label>
      <label><span>Each gate’s place is known to <small>mm, standard uncertainty; 0 takes places as exact</small></span><input type="number" name="place" min="0" max="1000" step="any" inputmode="decimal" .value=${String(asked.placeMm)} @change=${place}></label></div>${sessionPicks(asked.sessions)}${guided()}</section>`;
}

/** One push after the other, each a trial of its own. */
function guided() {
  if (!state.me.official || !sessionOpen()) return html`<p class="note">${state.me.official ? 'A session has to be open: open the book first.' : 'Pushes are opened by an official: sign in.'}</p>`;
  const running = openTrials().find((r) => r.trial.conditions?.coast === 'yes');
  if (running) {
    const seen = running.result?.passages ?? 0;
    return html`<div class="push" role="status" data-push=${running.trial.id}><p><b>${consist(running.trial.consist ?? '')?.name || running.trial.consist || 'The cars'}</b>: push them off and let go before the first gate. ${seen === 1 ? '1 passage' : `${seen} passages`} so far.</p>
      <p class="acts"><button class="primary" @click=${() => closeTrial(running.trial)}>They stand: close this push</button></p></div>`;
  }
  const consists = list(state.view?.consists);
  const engines = list(state.view?.locomotives);
  if (!consists.length || !engines.length) return html`<p class="note">Write the cars down as a consist in the <a href="#roster">roster</a>, and the locomotive they belong to.</p>`;
  const open = submitting((f) => attempt(() => openTrial({ locomotive: f.text('locomotive'), consist: f.text('consist'), direction: 'forward', conditions: { coast: 'yes' } })));
  return html`<form class="fields push" @submit=${open}>${choice('Cars', 'consist', consists.map((c) => [c.id, c.name || c.id]))}${choice('Of locomotive', 'locomotive', engines.map((l) => [l.id, l.name || l.id]))}<button class="primary">Open a push</button></form>`;
}

/** @param {CoastResult} r */
function shown(r) {
  const consists = list(r.consists);
  const q = `${came.of}&v=${came.rev}`;
  return html`<section class="sheet" aria-labelledby="o-what"><div class="caption"><h2 id="o-what">What holds the cars back</h2><p>slowing = a + b v + c v² + on curves, v in m/s</p></div>
    ${list(r.against).length ? html`<div class="verdicts" role="status">${list(r.against).map((a) => html`<p data-verdict=${a.verdict}>${saysAgainst(a)}</p>`)}</div>` : nothing}
    ${drawing(`/api/coast.svg?${q}`, consists.map((c) => `${nameOf(c)}: a ${between(c.a_m_s2, 4)}, b ${between(c.b_per_s, 4)}, c ${between(c.c_per_m, 4)}`).join('; '), 'Resistance as slowing over speed on the straight with its 95 % band; below, each instant less what the fit gives for its place.')}
    <table class="ruled coasted"><thead><tr><th scope="col">consist</th><th scope="col">runs</th><th scope="col">a, <span class="unit">m/s²</span></th><th scope="col">b, <span class="unit">1/s</span></th><th scope="col">c, <span class="unit">1/m</span></th><th scope="col">on curves, <span class="unit">m/s²</span></th><th scope="col">keep</th></tr></thead>
      <tbody>${repeat(consists, nameOf, row)}</tbody></table>
    ${consists.map((c) => [...list(c.held), ...list(c.doubts), ...list(c.run_list).filter((x) => x.left).map((x) => `run ${x.run} did not enter: ${x.left}`)].filter((t) => !list(r.doubts).includes(t)).map((t) => html`<p class="note">${nameOf(c)}: ${t}</p>`))}
    ${list(r.doubts).length ? html`<ul class="doubts">${list(r.doubts).map((d) => html`<li>${d}</li>`)}</ul>` : nothing}
    ${came.papers()}</section>`;
}

/** @param {CoastTerms} c */
const nameOf = (c) => c.name || 'the cars';

/** @param {CoastTerms} c */
function row(c) {
  const known = consist(c.consist);
  const keep = async () => {
    if (known && (await attempt(() => write('consist', { ...known, resistance: c.resistance })))) {
      kept.add(c.name);
      again();
    }
  };
  const cell = (/** @type {string} */ label, /** @type {import('../../types/wire.js').Estimate} */ e) => html`<td data-label=${label} class="num">${between(e, 4)}</td>`;
  return html`<tr><th scope="row">${nameOf(c)}</th><td data-label="runs">${c.runs}</td>${cell('a, m/s²', c.a_m_s2)}${cell('b, 1/s', c.b_per_s)}${cell('c, 1/m', c.c_per_m)}${cell('on curves, m/s²', c.curve_m_s2)}
    <td data-label="keep">${known && c.resistance && state.me.official ? html`<button @click=${keep}>${kept.has(c.name) ? 'Kept' : 'Keep with these cars'}</button>` : DASH}</td></tr>`;
}

/** @param {import('../../types/wire.js').CoastAgainst} a */
function saysAgainst(a) {
  const d = a.difference_m_s2;
  const by = known(d.value) ? `at ${fixed(a.speed_mm_s, 0)} mm/s the second slows by ${between({ value: 1000 * d.value, lo: known(d.lo) ? 1000 * d.lo : null, hi: known(d.hi) ? 1000 * d.hi : null }, 1)} mm/s² more` : 'the difference cannot be told';
  if (a.verdict === 'a_rolls') return `${a.name_a} rolls more easily than ${a.name_b}: ${by}.`;
  if (a.verdict === 'b_rolls') return `${a.name_b} rolls more easily than ${a.name_a}: ${by}.`;
  return `Which of ${a.name_a} and ${a.name_b} rolls more easily cannot be told yet: ${by}.`;
}
