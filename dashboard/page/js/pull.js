// Pull tests: the cautions, the load to try next, one tap for what came of it, and what
// all attempts together show. The sums are the service's.
/** @import {PullAgreement, PullLimit, PullRecord, PullResult, PullSeen, PullValue} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, locomotive, nowUs, sessionOpen } from './store.js';
import { list } from './merge.js';
import { styles } from './css.js';
import { again } from './again.js';
import { at, Refused } from './api.js';
import { fetched } from './fetched.js';
import { choice, field, submitting } from './forms.js';
import { attempt, over } from './decide.js';
import { write } from './meetact.js';
import { clock, fixed, known, DASH } from './format.js';
import { Answer, between, drawing, findingsNav, sessionPicks } from './findings.js';

await Promise.all([styles('results'), styles('sets'), styles('findings')]);

/** How often what sensors see of an attempt is asked for. */
const LOOK_MS = 500;

const test = {
  /** @type {Set<string>} */ sessions: new Set(), locomotive: '', method: 'moving', direction: 'forward', set: '', massG: 0, loadIs: 'force', stepG: 5, speedMmS: 0,
  /** as typed; 0: as suggested */ loadG: 0,
};
/** @type {Answer<PullResult>} */ const came = new Answer('/api/pull');
const seen = {
  fromUs: 0,
  /** @type {PullSeen | null} */ told: null,
  timer: 0,
};

function question() {
  const q = new URLSearchParams({ step_g: String(test.stepG) });
  for (const s of test.sessions) q.append('session', s);
  return q.toString();
}

export function pullView() {
  const engines = list(state.view?.locomotives);
  if (!state.view || !engines.length) return html`${findingsNav('pull')}<div class="sheet welcome"><h1>Pull tests</h1><p>${state.view ? html`A locomotive is needed: write one down in the <a href="#roster">roster</a>.` : 'Calling the line…'}</p></div>`;
  if (!engines.some((l) => l.id === test.locomotive)) choose(engines[0].id);
  came.wish(question());
  return html`${findingsNav('pull')}<h1 class="aside">Pull tests</h1><div class="findings">${cautions()}${asking()}
    ${came.refused ? html`<p class="refusal" role="alert">${came.refused}</p>` : nothing}${came.is ? shown(came.is) : html`<p class="note" role="status">Reckoning…</p>`}</div>`;
}

function cautions() {
  return html`<section class="sheet cautions" aria-labelledby="u-cautions"><div class="caption"><h2 id="u-cautions">Before a weight is lifted</h2></div><ul>
    <li>A weight that falls breaks toes and table: keep feet and hands from under it, lay something soft below, and hang no more than the cord and the frame are made for.</li>
    <li>A locomotive held while its motor is on draws its greatest current: a few seconds an attempt, then let motor, gears and regulator cool, as their maker says.</li>
    <li>A cord that parts whips, and a locomotive let go runs: stand beside, not in line, and have the hardware cut-off within reach.</li>
    <li>Lithium packs: the maker’s current limit holds here too; charge by the maker’s instructions and the venue’s rules.</li></ul></section>`;
}

/** @param {string} id */
function choose(id) {
  Object.assign(test, { locomotive: id, massG: locomotive(id)?.mass_g ?? 0, set: '', loadG: 0 });
}

/** The limit that the attempts asked for belong to, once there is one. @returns {PullLimit | undefined} */
function own() {
  return list(came.is?.locomotives).find((l) => l.locomotive === test.locomotive && l.method === test.method && (l.direction || 'forward') === test.direction && (l.set ?? '') === test.set && (test.method === 'static' || l.load_is === test.loadIs) && (!test.massG || !known(l.mass_g) || Math.abs(l.mass_g - test.massG) < 0.5));
}

function asking() {
  const sets = list(locomotive(test.locomotive)?.driver_sets);
  const put = (/** @type {'method' | 'direction' | 'set' | 'loadIs'} */ name) => (/** @type {string} */ v) => {
    test[name] = v;
    test.loadG = 0;
    again();
  };
  const weigh = (/** @type {'massG' | 'stepG'} */ name) => (/** @type {Event} */ e) => {
    test[name] = Number(/** @type {HTMLInputElement} */ (e.target).value) || (name === 'stepG' ? 5 : 0);
    again();
  };
  const can = state.me.official && sessionOpen();
  return html`<section class="sheet" aria-labelledby="u-test"><div class="caption"><h2 id="u-test">The test</h2><p>each attempt is written into the book</p></div>
    <div class="fields">${choice('Locomotive', 'locomotive', list(state.view?.locomotives).map((l) => [l.id, l.name || l.id]), test.locomotive, (v) => { choose(v); again(); })}
      ${choice('Method', 'method', [['moving', 'moving: a load, started and kept going'], ['static', 'static: against a scale']], test.method, put('method'))}
      ${choice('Direction', 'direction', [['forward', 'forward'], ['reverse', 'reverse']], test.direction, put('direction'))}
      ${sets.length > 1 ? choice('With power', 'set', [['', 'all driver sets'], ...sets.map((s) => /** @type {[string, string]} */ ([s.id, `${s.id} alone`]))], test.set, put('set')) : nothing}
      <label><span>Its mass now <small>g</small></span><input type="number" name="mass" min="0" step="any" inputmode="decimal" .value=${String(test.massG || '')} @change=${weigh('massG')}></label>
      ${test.method === 'moving' ? html`${choice('The load is', 'load_is', [['force', 'the pull itself: a weight on a cord'], ['train', 'a train of that mass']], test.loadIs, put('loadIs'))}<label><span>Smallest weight at hand <small>g</small></span><input type="number" name="step" min="0.1" step="any" inputmode="decimal" .value=${String(test.stepG)} @change=${weigh('stepG')}></label>` : nothing}</div>
    ${can ? (test.method === 'moving' ? moving() : still()) : html`<p class="note">${state.me.official ? 'A session has to be open: open the book first.' : 'Attempts are written down by an official: sign in.'}</p>`}</section>`;
}

function moving() {
  const next = own()?.next ?? list(came.is?.first).find((f) => f.locomotive === test.locomotive);
  const load = test.loadG || next?.load_g || 0;
  const typed = (/** @type {Event} */ e) => {
    test.loadG = Number(/** @type {HTMLInputElement} */ (e.target).value);
    again();
  };
  const speed = (/** @type {Event} */ e) => { test.speedMmS = Number(/** @type {HTMLInputElement} */ (e.target).value) || 0; };
  const tap = (/** @type {string} */ outcome, /** @type {string} */ wheels, /** @type {unknown} */ words) => html`<button type="button" class="outcome" data-outcome=${outcome} data-wheels=${wheels} ?disabled=${!(load > 0)} @click=${() => took({ load_g: load, load_is: test.loadIs, outcome, ...(wheels && { wheels }), ...(outcome !== 'stalled' && test.speedMmS > 0 && { speed_mm_s: test.speedMmS }) })}>${words}</button>`;
  return html`<div class="attempt"><label class="load"><span>Load <small>g</small></span><input type="number" name="load" min="0" step="any" inputmode="decimal" .value=${load ? String(load) : ''} @input=${typed}></label><label class="speed"><span>Speed <small>mm/s, if read</small></span><input type="number" name="speed" min="0" step="any" inputmode="decimal" .value=${test.speedMmS ? String(test.speedMmS) : ''} @input=${speed}></label>
      <p class="next" role="status">${next ? html`${next.done ? 'Enough is known: ' : 'Next: '}<b class="num">${fixed(next.load_g, 0)} g</b>, ${next.why}` : 'Begin with a load that it surely moves.'}</p></div>
    <div class="outcomes" role="group" aria-label="What came of it">${tap('moved', '', 'Moved')}${tap('struggled', '', 'Struggled')}${tap('stalled', 'turned', html`Stalled<small>wheels turned</small>`)}${tap('stalled', 'stopped', html`Stalled<small>wheels stood</small>`)}</div>
    ${watching(load)}`;
}

function still() {
  const reading = (/** @type {Filled} */ f, /** @type {HTMLFormElement} */ form) => took({ before_g: f.number('before'), at_pull_g: f.number('at'), ...(f.text('wheels') && { wheels: f.text('wheels') }) }).then((ok) => ok && form.reset());
  return html`<form class="fields reading" @submit=${submitting(reading)}>${field('The scale shows before', 'before', { unit: 'g', number: true, required: true })}${field('and at the pull', 'at', { unit: 'g', number: true, required: true })}
    ${choice('The wheels', 'wheels', [['', 'not looked at'], ['turned', 'turned'], ['stopped', 'stood still']])}<button>Write the reading down</button></form>`;
}

/** Writes an attempt down. @param {Partial<PullValue>} of */
async function took(of) {
  const value = { id: `p${Date.now().toString(36)}`, locomotive: test.locomotive, mass_g: test.massG || undefined, method: test.method, direction: test.direction, set: test.set || undefined, ...of };
  const done = await attempt(() => write('pull', value));
  if (done) {
    Object.assign(test, { loadG: 0, speedMmS: 0 });
    stopWatching();
  }
  return done;
}

/** What encoders, gates and load cell see of the attempt, if the locomotive has any. @param {number} load */
function watching(load) {
  if (!list(locomotive(test.locomotive)?.driver_sets).some((d) => state.motors.has(d.motor))) return nothing;
  const t = seen.told;
  if (!seen.fromUs) return html`<p class="acts"><button type="button" @click=${watch}>Let the sensors watch the attempt</button></p>`;
  const agree = () => took({ load_g: t?.load_g ?? load, load_is: t?.load_g ? 'force' : test.loadIs, outcome: t?.outcome, by_telemetry: true, ...(t?.wheels && { wheels: t.wheels }), ...(known(t?.speed_mm_s) && { speed_mm_s: t?.speed_mm_s }) });
  return html`<div class="watched" role="status"><p>${t?.outcome ? html`The sensors say: <b>${t.outcome}</b>${t.wheels ? `, wheels ${t.wheels}` : ''}.` : 'The sensors cannot tell yet.'} ${list(t?.says).join(' ')} ${list(t?.doubts).join(' ')}</p>
    <p class="acts"><button type="button" class="primary" ?disabled=${!t?.outcome || !((t?.load_g ?? load) > 0)} @click=${agree}>Agree</button><button type="button" @click=${stopWatching}>Leave it</button></p></div>`;
}

function watch() {
  Object.assign(seen, { fromUs: nowUs(), told: null });
  look();
}

async function look() {
  const from = seen.fromUs;
  try {
    const told = await fetched(at(`/api/pull-seen?locomotive=${test.locomotive}&from_us=${Math.round(from)}&direction=${test.direction}`));
    if (seen.fromUs === from) seen.told = told;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
  if (seen.fromUs !== from) return;
  seen.timer = setTimeout(look, LOOK_MS);
  again();
}

function stopWatching() {
  clearTimeout(seen.timer);
  Object.assign(seen, { fromUs: 0, told: null });
  again();
}

/** @param {PullResult} r */
function shown(r) {
  const limits = list(r.locomotives);
  const q = `${came.of}&v=${came.rev}`;
  const which = sessionPicks(test.sessions);
  if (!limits.length) return html`${which}<p class="empty">No attempt is written down in ${test.sessions.size > 1 ? 'these sessions' : 'this session'} yet.</p>`;
  return html`${which}${repeat(limits, (l) => l.name, (l) => limitSheet(l, limits.indexOf(l), q))}
    ${r.agreement ? html`<section class="sheet" aria-labelledby="u-agree"><div class="caption"><h2 id="u-agree">Static against moving</h2><p>${r.agreement.n === 1 ? '1 locomotive' : `${r.agreement.n} locomotives`} by both</p></div><p>${r.agreement.says}; ${agreed(r.agreement)}</p>
      ${drawing(`/api/pull.svg?${q}&limit=agreement`, r.agreement.says, 'Static less moving pull, a disc a locomotive: the line is the mean difference with its 95 % interval, the dashes are the limits between which 95 % of locomotives are expected, the upright bars the limits’ own 95 % intervals.')}</section>` : nothing}
    ${list(r.doubts).length ? html`<ul class="doubts">${list(r.doubts).map((d) => html`<li>${d}</li>`)}</ul>` : nothing}
    ${came.papers()}`;
}

/** The limits of agreement, each with its own interval. @param {PullAgreement} a */
function agreed(a) {
  const bias = `static less moving is ${between(a.bias_g, 0)} g`;
  if (!known(a.lower_g) || !known(a.upper_g)) return bias;
  return `${bias}, and its limits of agreement are ${between({ value: a.lower_g, lo: a.lower_lo_g, hi: a.lower_hi_g }, 0)} g and ${between({ value: a.upper_g, lo: a.upper_lo_g, hi: a.upper_hi_g }, 0)} g`;
}

/** @type {Record<string, string>} */
const LIMITS = { adhesion: 'adhesion: the wheels turned while the train stood', motor: 'the motor: the wheels stood', unknown: 'not known: what the wheels did was not written down' };

/** @param {PullLimit} l */
function limitedBy(l) {
  if (l.limit === 'unknown' && l.turned && l.stopped) return `not one thing: wheels turned ${l.turned} times and stood ${l.stopped} times`;
  if (l.limit === 'unknown' && l.method === 'static') return 'not known: what the wheels did was not looked at';
  return LIMITS[l.limit] ?? l.limit;
}

/** The load moved in 95 of 100, or what it lies below where it is not known yet. @param {PullLimit} l */
function sure(l) {
  const e = l.load95_g;
  return l.load95_open && known(e.hi) ? `not known yet, below ${fixed(e.hi, 0)}` : between(e, 0);
}

/** @param {PullLimit} l @param {number} i @param {string} q */
function limitSheet(l, i, q) {
  const id = `u-limit-${i}`;
  const still = l.method === 'static';
  return html`<section class="sheet limit" aria-labelledby=${id} data-limit=${i}><div class="caption"><h2 id=${id}>${l.name}</h2><p>${list(l.attempts).length} ${list(l.attempts).length === 1 ? 'attempt' : 'attempts'}</p></div>
    <dl class="facts"><div><dt>${still ? '95 of 100 reach' : 'Moves in 95 of 100'}</dt><dd class="num">${sure(l)} g</dd></div><div><dt>${still ? 'Mean pull' : 'Moves in half'}</dt><dd class="num">${between(l.load50_g, 0)} g</dd></div>
      ${still ? nothing : html`<div><dt>Seen</dt><dd>moved ${known(l.bracket.moved_g) ? `${fixed(l.bracket.moved_g, 0)} g` : DASH}, stalled ${known(l.bracket.stalled_g) ? `${fixed(l.bracket.stalled_g, 0)} g` : DASH}${l.bracket.overlap ? ', overlapping' : ''}</dd></div>`}
      <div><dt>Net adhesion</dt><dd class="num">${between(l.adhesion, 3)}</dd></div><div><dt>Limited by</dt><dd>${limitedBy(l)}</dd></div>${known(l.power_mw.value) ? html`<div><dt>Drawbar power, greatest</dt><dd class="num">${between(l.power_mw, 0)} mW</dd></div>` : nothing}</dl>
    ${drawing(`/api/pull.svg?${q}&limit=${i}`, l.name, still ? 'Each reading a disc; the squares are their mean and the pull that 95 of 100 reach, with 95 % intervals.' : 'Discs moved, rings struggled, crosses stalled; the line is the share that moves with its 95 % band, the dashes take no shape for granted; the squares are the loads moved in 95 of 100 and in half.')}
    ${list(l.doubts).length ? html`<ul class="doubts">${list(l.doubts).map((d) => html`<li>${d}</li>`)}</ul>` : nothing}${attempts(l)}</section>`;
}

/** The attempt whose correction is being written. */
const fixing = { id: '' };

/** An attempt of the book's own session as it stands there; those of others cannot be changed here. @param {string | undefined} id @returns {PullRecord | undefined} */
const inBook = (id) => list(state.view?.pulls).find((p) => p.id === id);

/** @param {PullLimit} l */
function attempts(l) {
  return html`<details><summary>Attempts</summary><table class="ruled"><thead><tr><th scope="col">at</th><th scope="col">load, <span class="unit">g</span></th><th scope="col">came of it</th><th scope="col">by</th>${state.me.official ? html`<th scope="col">correct or leave out</th>` : nothing}</tr></thead>
    <tbody>${repeat(list(l.attempts), (a) => a.id ?? a, (a) => html`<tr><th scope="row">${a.at_us ? clock(a.at_us) : DASH}</th><td data-label="load, g" class="num">${fixed(a.load_g, 0)}</td><td data-label="came of it">${a.outcome || 'read'}${a.wheels ? `, wheels ${a.wheels}` : ''}</td><td data-label="by">${a.by_telemetry ? 'sensors' : 'hand'}</td>${state.me.official ? html`<td data-label="correct or leave out">${change(inBook(a.id))}</td>` : nothing}</tr>`)}</tbody></table></details>`;
}

/** @param {PullRecord | undefined} p */
function change(p) {
  if (!p) return 'in its own session';
  if (fixing.id === p.id) return correction(p);
  const fix = () => { fixing.id = p.id; again(); };
  return html`<div class="change"><button type="button" class="fix" @click=${fix}>Correct</button><form class="void" @submit=${submitting((f) => leave(p, f))}><label><span class="aside">Reason</span><input name="why" required maxlength="200" placeholder="reason"></label><button>Void</button></form></div>`;
}

/** An attempt's values, to be put right. @param {PullRecord} p */
function correction(p) {
  const off = () => { fixing.id = ''; again(); };
  const put = async (/** @type {Filled} */ f) => {
    const of = typeof p.before_g === 'number' ? { before_g: f.number('before'), at_pull_g: f.number('at') } : { load_g: f.number('load') };
    const done = await attempt(() => write('pull', { ...valueOf(p), ...of, outcome: f.text('outcome') || undefined, wheels: f.text('wheels') || undefined, speed_mm_s: f.text('speed') ? f.number('speed') : undefined, by_telemetry: undefined }, { why: f.text('why'), session: over() }));
    if (done) off();
    return done;
  };
  return html`<form class="fields fixing" @submit=${submitting(put)}>${typeof p.before_g === 'number' ? html`${field('The scale shows before', 'before', { unit: 'g', number: true, required: true, value: p.before_g })}${field('and at the pull', 'at', { unit: 'g', number: true, required: true, value: p.at_pull_g })}` : html`${field('Load', 'load', { unit: 'g', number: true, required: true, value: p.load_g })}${choice('Came of it', 'outcome', [...(p.outcome ? [] : [/** @type {[string, string]} */ (['', 'read off the scale'])]), ['moved', 'moved'], ['struggled', 'struggled'], ['stalled', 'stalled']], p.outcome)}`}
    ${choice('The wheels', 'wheels', [['', 'not looked at'], ['turned', 'turned'], ['stopped', 'stood still']], p.wheels)}${field('Speed', 'speed', { unit: 'mm/s', number: true, value: p.speed_mm_s })}${field('Reason', 'why', { required: true, max: 200 })}
    <p class="acts"><button class="primary">Correct it</button><button type="button" @click=${off}>Leave it as it is</button></p></form>`;
}

/** What an attempt was written down as. @param {PullRecord} p @returns {PullValue} */
function valueOf(p) {
  const { decision: _d, by: _b, at_us: _a, why: _w, ...value } = p;
  return value;
}

/** Leaves an attempt out, with the reason. @param {PullRecord} p @param {Filled} f */
function leave(p, f) {
  return attempt(() => write('pull', { ...valueOf(p), void: true }, { why: f.text('why'), session: over() }));
}
