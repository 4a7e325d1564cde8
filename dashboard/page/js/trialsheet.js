// The sheet of a trial: the form that opens one with its conditions, and corrects
// one, open or over.
/** @import {Trial} from '../../types/wire.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state, consist, openTrials } from './store.js';
import { list } from './merge.js';
import { decide } from './api.js';
import { say } from './decide.js';
import { field, choice, Rows, Filled, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { clock } from './format.js';
import { nameOfThing } from './past.js';
import { trialIn, lapsIn } from './pastresults.js';
import { lastTrialOf } from './prefill.js';
import { openTrial, readConditions } from './trialform.js';
import { follows, loadWords, massOf, unwritten } from './trialwords.js';
import { plain } from './fields.js';

/** Conditions that have a field of their own. */
const OWN = ['load_g', 'battery_v', 'throttle_permille', 'tyres', 'temperature_c', 'motors'];
/** What an instrument reads anew each time is not filled in from the last trial. */
const READ_ANEW = ['battery_v', 'temperature_c'];
const free = new Rows(/** @type {{name: string, value: string}[]} */ ([]), () => ({ name: '', value: '' }));

/** What the sheet was filled with, and what stands in it now. */
const sheet = {
  key: -1, /** how often it was filled, and which filling is drawn */ fill: 0, drawn: 0, touched: false, locomotive: '', ends: 'hand',
  was: /** @type {Partial<Trial>} */ ({}), last: /** @type {Trial | null} */ (null), now: /** @type {Partial<Trial> | null} */ (null),
};

/** @param {Partial<Trial>} t */
function fill(t) {
  sheet.fill++;
  sheet.was = t;
  sheet.now = null;
  sheet.ends = t.ends_after_laps ? 'laps' : t.ends_after_s ? 'minutes' : 'hand';
  free.set(Object.entries(t.conditions ?? {}).filter(([k]) => !OWN.includes(k)).map(([name, value]) => ({ name, value: String(value) })));
}

function begin() {
  sheet.key = entry.key;
  sheet.touched = false;
  const corrected = entry.id ? trialIn(entry.session, entry.id) : null;
  if (corrected) return fill(corrected);
  const out = openTrials().map((r) => r.trial.locomotive);
  const all = list(state.view?.locomotives).map((l) => l.id);
  pickLocomotive(all.find((id) => !out.includes(id)) ?? all[0] ?? '');
}

/** Another locomotive: its last trial says what is likely, and what was typed stays. @param {string} id */
async function pickLocomotive(id) {
  sheet.locomotive = id;
  if (!sheet.touched) fill({ locomotive: id, warmup_laps: 1 });
  const key = sheet.key;
  sheet.last = await lastTrialOf(id);
  if (sheet.key === key && sheet.locomotive === id && sheet.last && !sheet.touched) takeLast();
  again();
}

function takeLast() {
  const { conditions, consist: behind, warmup_laps, direction, battery, ends_after_laps, ends_after_s, entrant } = /** @type {Trial} */ (sheet.last);
  const kept = Object.entries(conditions ?? {}).filter(([k]) => !READ_ANEW.includes(k));
  fill({ locomotive: sheet.locomotive, consist: behind, warmup_laps, direction, battery, ends_after_laps, ends_after_s, entrant, conditions: Object.fromEntries(kept) });
  again();
}

export function trialForm() {
  if (sheet.key !== entry.key) begin();
  sheet.drawn = sheet.fill;
  const correcting = Boolean(entry.id);
  const others = openTrials().filter((r) => r.trial.id !== entry.id).length > 0;
  return keyed(`${entry.key}/${sheet.fill}`, html`<form class="entry trial-sheet" @input=${typed} @submit=${submitting(save)}><h3>${correcting ? 'Correct the trial' : 'Open a trial'}</h3>
    ${correcting ? nothing : filledFrom()}
    <div class="fields">${train(correcting)}</div>
    <fieldset class="part"><legend>Conditions, so that like is compared with like</legend><div class="fields">${conditions()}</div><p class="note">${load()}</p></fieldset>
    ${free.show('Other conditions', 'condition', (c) => html`${field('Condition', 'cond.name', { value: c.name, hint: 'lubrication' })}${field('is', 'cond.value', { value: c.value })}`)}
    <fieldset class="part"><legend>Laps</legend><div class="fields">${ending()}</div></fieldset>
    ${others || sheet.was.tag || sheet.was.start_mm !== undefined ? apart(others) : nothing}
    ${correcting ? times() : nothing}
    ${outcome(correcting)}
    <p class="acts"><button class="primary">${correcting ? 'Write the correction' : 'Open the trial'}</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

function filledFrom() {
  const last = sheet.last;
  if (!last) return nothing;
  const when = html`${nameOfThing('locomotive', last.locomotive)}’s trial of ${clock(last.from_us, false)}`;
  return sheet.was.conditions ? html`<p class="note">Filled in from ${when}; change what is not so. Voltage and temperature are to be read anew.</p>`
    : html`<p class="acts"><button type="button" @click=${takeLast}>Fill in from ${when}</button></p>`;
}

/** @param {boolean} correcting */
function train(correcting) {
  const t = sheet.was;
  const locos = list(state.view?.locomotives).map((l) => /** @type {[string, string]} */ ([l.id, l.name || l.id]));
  const behind = list(state.view?.consists).map((c) => /** @type {[string, string]} */ ([c.id, `${c.name || c.id}, ${massOf(c) === null ? 'mass not stated' : `${plain(massOf(c) ?? 0)} g`}`]));
  return html`${choice('Locomotive', 'locomotive', locos, correcting ? t.locomotive : sheet.locomotive, correcting ? undefined : pickLocomotive)}
    ${choice('Consist behind it', 'consist', [['', 'none, light engine'], ...behind], t.consist ?? '')}
    ${choice('Direction', 'direction', [['forward', 'forward'], ['reverse', 'reverse']], t.direction || 'forward')}
    ${field('Entrant', 'entrant', { value: t.entrant })}`;
}

function conditions() {
  const c = sheet.was.conditions ?? {};
  const last = sheet.last?.conditions ?? {};
  const batteries = list(state.view?.batteries).map((b) => /** @type {[string, string]} */ ([b.id, b.name || b.id]));
  /** @param {string} k */
  const was = (k) => (last[k] !== undefined && !entry.id ? `last ${last[k]}` : undefined);
  const value = (/** @type {string} */ k) => /** @type {string | number} */ (c[k] ?? '');
  return html`${field('Extra load', 'load_g', { unit: 'g, beside the consist', number: true, value: value('load_g') })}
    ${choice('Battery', 'battery', [['', 'not stated'], ...batteries], sheet.was.battery ?? '')}
    ${field('Voltage at start', 'battery_v', { unit: 'V', number: true, value: value('battery_v'), hint: was('battery_v') })}
    ${field('Throttle', 'throttle', { unit: '%', number: true, max: 100, value: typeof c.throttle_permille === 'number' ? c.throttle_permille / 10 : '' })}
    ${field('Tyres', 'tyres', { value: value('tyres'), hint: 'none, or which axles' })}
    ${field('Temperature', 'temperature_c', { unit: '°C', number: true, min: -60, value: value('temperature_c'), hint: was('temperature_c') })}
    ${field('Motors, if changed', 'motors', { value: value('motors') })}`;
}

function load() {
  const t = sheet.now ?? sheet.was;
  return `Behind the locomotive: ${loadWords(consist(t.consist), t.conditions?.load_g)}`;
}

function ending() {
  const t = sheet.was;
  const pick = (/** @type {string} */ how) => { sheet.ends = how; again(); };
  const count = { laps: ['Laps beyond the warm-up', t.ends_after_laps || ''], minutes: ['Minutes from its opening', t.ends_after_s ? t.ends_after_s / 60 : ''] }[sheet.ends];
  return html`${field('Warm-up laps', 'warmup', { number: true, value: t.warmup_laps ?? 0, max: 10000 })}
    ${choice('Ends', 'ends', [['hand', 'by hand'], ['laps', 'after a number of laps'], ['minutes', 'after some minutes']], sheet.ends, pick)}
    ${count ? keyed(sheet.ends, field(String(count[0]), 'count', { number: true, required: true, min: sheet.ends === 'laps' ? 1 : 0.1, max: 10000, value: count[1] })) : nothing}`;
}

/** @param {boolean} others is another train out? */
function apart(others) {
  return html`<fieldset class="part"><legend>${others ? 'Another train is out: how is this one told from it?' : 'How it was told from other trains'}</legend>
    <div class="fields">${field('Front stands at', 'start', { unit: 'mm along the lap', number: true, value: sheet.was.start_mm })}${field('Tag', 'tag', { value: sheet.was.tag, hint: 'if gates read one' })}</div>
    ${others ? html`<p class="note">Trains on one loop keep their order. With neither a place nor a tag the page asks you which one passed first.</p>` : nothing}</fieldset>`;
}

/** An instant as the machine's own clock shows it, to the second. @param {number | undefined} us */
export function localStamp(us) {
  if (!us) return '';
  const t = new Date(us / 1000);
  return new Date(t.getTime() - t.getTimezoneOffset() * 60_000).toISOString().slice(0, 19);
}

function times() {
  const t = sheet.was;
  const at = (/** @type {string} */ label, /** @type {string} */ name, /** @type {number | undefined} */ us) => html`<label><span>${label}</span><input type="datetime-local" step="1" name=${name} value=${localStamp(us)}></label>`;
  const how = [['', 'as planned'], ['abandoned', 'abandoned'], ['stalled', 'stalled'], ['derailed', 'derailed']];
  return html`<fieldset class="part"><legend>When, and how it ended</legend><div class="fields">${at('Began', 'from', t.from_us)}${t.to_us ? at('Ended', 'to', t.to_us) : nothing}
    ${t.to_us ? choice('It ended', 'outcome', /** @type {[string, string][]} */ (how), t.outcome ?? '') : nothing}
    ${field('Why it is corrected', 'why', { max: 300, hint: 'it was another locomotive' })}</div></fieldset>`;
}

/** What is not written down, or what follows. @param {boolean} correcting */
function outcome(correcting) {
  const now = sheet.now ?? sheet.was;
  if (correcting) {
    const all = sheet.now ? follows(sheet.was, now, lapsIn(entry.session, entry.id), nameOfThing) : [];
    return html`<div aria-live="polite">${all.length ? html`<h4>What follows</h4>${all.map((w) => html`<p class="note">${w}</p>`)}` : nothing}</div>`;
  }
  const left = unwritten(now);
  return html`<p class="unwritten" aria-live="polite">${left.length ? html`<b>Not written down: ${left.join(', ')}.</b> The trial can be opened so; what is missing can be added while it runs, or afterwards.` : 'All that a fair comparison needs is written down.'}</p>`;
}

/** @param {Event} e */
function typed(e) {
  const form = /** @type {HTMLFormElement} */ (e.currentTarget);
  if (/** @type {HTMLInputElement} */ (e.target).name !== 'locomotive') sheet.touched = true;
  sheet.now = read(new Filled(form));
  if (sheet.drawn !== sheet.fill) sheet.was = sheet.now; // it is about to be drawn anew: what was typed meanwhile stays
  again();
}

/** The number of a field, or nothing when it is empty. @param {Filled} f @param {string} name */
function stated(f, name) {
  return f.text(name) === '' ? undefined : f.number(name);
}

/** What the sheet says, over what was there before. @param {Filled} f @returns {Partial<Trial> & {locomotive: string}} */
function read(f) {
  const was = sheet.was;
  const throttle = stated(f, 'throttle');
  const own = {
    load_g: stated(f, 'load_g'), battery_v: stated(f, 'battery_v'), throttle_permille: throttle === undefined ? undefined : Math.round(throttle * 10),
    tyres: f.text('tyres') || undefined, temperature_c: stated(f, 'temperature_c'), motors: f.text('motors') || undefined,
  };
  const given = Object.entries({ ...own, ...readConditions(f.texts('cond.name'), f.texts('cond.value')) }).filter(([, v]) => v !== undefined);
  const how = f.text('ends');
  const shown = f.data.has('start');
  return {
    ...was, locomotive: f.text('locomotive'), consist: f.text('consist'), direction: was.direction || !entry.id || f.text('direction') !== 'forward' ? f.text('direction') : was.direction, entrant: f.text('entrant'), battery: f.text('battery'),
    warmup_laps: Math.round(f.number('warmup')), ends_after_laps: how === 'laps' ? Math.round(f.number('count')) : 0, ends_after_s: how === 'minutes' ? f.number('count') * 60 : 0,
    tag: shown ? f.text('tag') : was.tag, start_mm: shown ? stated(f, 'start') : was.start_mm, conditions: Object.fromEntries(given),
    ...(entry.id ? { from_us: instant(f.text('from'), was.from_us), to_us: instant(f.text('to'), was.to_us), outcome: f.data.has('outcome') ? f.text('outcome') : was.outcome } : {}),
  };
}

/** An instant that was not changed keeps its microseconds. @param {string} text @param {number | undefined} was */
function instant(text, was) {
  return text && text.slice(0, 19) !== localStamp(was) ? new Date(text).getTime() * 1000 : was;
}

/** @param {Filled} f */
async function save(f) {
  const value = read(f);
  if (!value.locomotive) return say('Write down a locomotive first.');
  const session = entry.session || undefined;
  const act = entry.id ? () => decide('trial', value, f.text('why'), { session }) : () => openTrial(value);
  await finish(act);
}
