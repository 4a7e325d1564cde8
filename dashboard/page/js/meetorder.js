// The running order: drawn from a seed, looked at, adopted; drawn again for what
// has not run when entries come or go.
/** @import {Plan} from '../../types/wire.js' */
/** @import {Turn} from './meetplan.js' */
import { html, nothing, repeat, guard, keyed } from '../lib/lit-3.3.3.js';
import { state, sessionOpen } from './store.js';
import { list } from './merge.js';
import { field, submitting } from './forms.js';
import { clock } from './format.js';
import { again } from './again.js';
import { showLap } from './lap.js';
import { act, refusal, write, propose, closedSession } from './meetact.js';
import { seen } from './shown.js';
import { know, entryWords, className } from './meetknow.js';
import { difference, balance, designWords, inRound } from './meetplan.js';
import { openRunForm } from './meetrun.js';

/** Runs drawn around the next until all are asked for; tables of balance are for as many entries. */
const FEW = 14;
const TABLE_MOST = 24;
/** Beyond so many, what is off the screen is not laid out. */
const MANY = 100;

const now = {
  /** @type {Plan | null} drawn and not adopted */ drawn: null, key: 0, base: 0,
  every: false, table: false, everyDrawn: false,
  ask: /** @type {'' | 'skip' | 'void'} */ (''), run: '',
};

/** @param {number | undefined} seed */
export async function drawOrder(seed) {
  await act('order', async () => {
    Object.assign(now, { base: seen(), drawn: await propose(seed), everyDrawn: false });
    now.key++;
  });
  requestAnimationFrame(() => requestAnimationFrame(() => document.querySelector('#proposal')?.scrollIntoView({ block: 'nearest' })));
}

/** The order that was drawn last and is not adopted. */
export const drawnOrder = () => now.drawn;

export async function adopt() {
  const drawn = now.drawn;
  if (drawn && (await act('order', () => write('plan', drawn, { base: now.base })))) leave();
}

export function leave() {
  now.drawn = null;
  again();
}

export function orderSection() {
  const { plan, all, next } = know();
  const made = all.filter((t) => t.how === 'made').length;
  return html`<section class="sheet" aria-labelledby="m-order" id="order"><div class="caption"><h2 id="m-order">Running order</h2><p>${plan ? `${made} of ${made + next.length + all.filter((t) => t.how === 'running').length} runs made` : 'who runs when'}</p>
    ${plan ? html`<button class="print" @click=${() => printing('order')}>Print</button>` : nothing}</div>
    ${refusal('order')}${now.drawn ? proposal(now.drawn) : nothing}
    ${plan ? standing(plan, all) : now.drawn ? nothing : html`<p class="empty">Not drawn yet.</p>`}
    ${state.me.official && sessionOpen() && know().meet ? seedForm() : nothing}</section>`;
}

/** @param {'order' | 'results'} what */
export async function printing(what) {
  (await import('./meetprint.js')).print(what);
}

function seedForm() {
  const { plan, entries } = know();
  if (!entries.length) return nothing;
  const made = know().all.some((t) => t.how !== 'due' && t.how !== 'withdrawn');
  const seed = now.drawn?.seed ?? plan?.seed;
  const draw = submitting((f) => drawOrder(f.text('seed') ? Number(f.text('seed')) : undefined));
  return keyed(`${seed} ${now.key}`, html`<form class="seed" @submit=${draw}><label><span>Seed <small>the same seed gives the same order again</small></span>
    <input name="seed" inputmode="numeric" pattern="[0-9]{1,15}" title="a whole number of 0 or more" autocomplete="off" placeholder="any" value=${seed ?? ''}></label>
    <button>Draw with this seed</button><button type="button" id="draw" @click=${() => drawOrder(undefined)}>${made ? 'Draw what has not run with a new seed' : 'Draw with a new seed'}</button></form>`);
}

/** What a drawn order would keep and change, before it is adopted. @param {Plan} drawn */
function proposal(drawn) {
  const { all, plan, byId } = know();
  const d = difference(all, drawn);
  const name = (/** @type {string} */ id) => entryWords(byId.get(id));
  const shown = now.everyDrawn ? d.news : d.news.slice(0, FEW);
  return html`<div class="proposal" id="proposal"><h3>Drawn with seed ${drawn.seed}, not adopted yet</h3>
    <p>${designWords(drawn, balance(list(drawn.runs).filter((r) => !r.skipped)))}</p>
    ${plan ? html`<p><b>Stays:</b> ${d.stays.length ? `the ${d.stays.length === 1 ? 'run' : `${d.stays.length} runs`} made, under way, skipped or owed` : 'nothing has run yet'}. <b>Changes:</b> ${d.news.length} ${d.news.length === 1 ? 'run' : 'runs'} to come, drawn again.</p>
      ${d.changed.length ? html`<ul class="changed">${d.changed.slice(0, FEW).map((c) => html`<li>${name(c.entry)}: ${c.before} to come before, ${c.after} now</li>`)}${d.changed.length > FEW ? html`<li>and ${d.changed.length - FEW} more</li>` : nothing}</ul>` : nothing}` : nothing}
    <p class="acts"><button class="primary" id="adopt" @click=${adopt}>Adopt this order</button><button @click=${leave}>Leave it</button></p>
    <ol class="turns drawn">${shown.map((r) => html`<li data-entry=${r.entry}><span class="no num">${list(drawn.runs).indexOf(r) + 1}</span><span class="who"><b>${name(r.entry)}</b><small>round ${r.round}, place ${r.place}</small></span>${r.swap_battery ? swap() : nothing}</li>`)}</ol>
    ${d.news.length > shown.length ? html`<p class="acts"><button @click=${() => { now.everyDrawn = true; again(); }}>Show ${d.news.length - shown.length} more</button></p>` : nothing}</div>`;
}

export function swap() {
  return html`<span class="swap"><svg viewBox="0 0 20 12" aria-hidden="true"><path d="M1 1h15v10H1zM16 4h3v4h-3M8.5 3v6M5.5 6h6"></path></svg>fresh battery</span>`;
}

/** @param {Plan} plan @param {Turn[]} all */
function standing(plan, all) {
  const may = Boolean(state.me.official);
  return guard([state.view, now.every, now.table, now.ask, now.run, may], () => {
    const shown = now.every || all.length <= FEW + 6 ? all : around(all);
    const b = balance(list(plan.runs).filter((r) => !r.skipped));
    return html`<p class="design">Seed <b class="num seed-shown">${plan.seed}</b>. ${designWords(plan, b)}</p>
      ${shown.length < all.length ? html`<p class="acts"><button @click=${() => { now.every = true; again(); }}>Show all ${all.length} runs</button></p>` : nothing}
      <ol class="turns ${shown.length > MANY ? 'many' : ''}">${repeat(shown, (t) => t.run.id, (t, i) => turn(t, all, i === 0 || shown[i - 1].run.round !== t.run.round, may))}</ol>
      <p class="acts"><button id="balance" aria-expanded=${now.table} @click=${() => { now.table = !now.table; again(); }}>${now.table ? 'Put the tables of balance away' : 'Tables of balance'}</button></p>
      ${now.table ? tables(b) : nothing}`;
  });
}

/** Those about the next run. @param {Turn[]} all */
function around(all) {
  const at = all.findIndex((t) => t.how === 'due' || t.how === 'running');
  const from = Math.max(0, (at < 0 ? all.length - FEW : at) - 2);
  return all.slice(from, from + FEW);
}

/** @param {Turn} t @param {Turn[]} all @param {boolean} first of its round here @param {boolean} may */
function turn(t, all, first, may) {
  const next = sessionOpen() && know().next[0] === t;
  return html`<li class="${t.how}${first ? ' first' : ''}${next ? ' next' : ''}" data-run=${t.run.id} data-entry=${t.run.entry} data-how=${t.how} data-round="round ${t.run.round}">
    <span class="no num">${t.number}</span><span class="who"><b>${entryWords(t.entry)}</b><small>${[className(t.entry?.class), `round ${t.run.round}, place ${t.run.place}`, how(t, next)].filter(Boolean).join(' · ')}</small></span>
    ${t.run.swap_battery && (t.how === 'due' || t.how === 'running') ? swap() : nothing}
    ${may ? acts(t, all) : t.how === 'made' ? laps(t) : nothing}
    ${now.run === t.run.id && now.ask ? asked(t) : nothing}</li>`;
}

/** @param {Turn} t @param {boolean} next */
function how(t, next) {
  if (t.how === 'made') return `run at ${clock(t.trial?.from_us, false)}${t.trial?.outcome ? `, ${t.trial.outcome}` : ''}`;
  return { running: 'running now', skipped: 'skipped', withdrawn: 'withdrawn: will not run', due: next ? 'next' : '' }[t.how];
}

/** @param {Turn} t */
function laps(t) {
  return html`<button aria-label="Laps of run ${t.number}" @click=${() => showLap(t.trial?.id ?? '', 0)}>Laps</button>`;
}

/** @param {Turn} t @param {Turn[]} all */
function acts(t, all) {
  const may = sessionOpen();
  const ask = (/** @type {'skip' | 'void'} */ what) => Object.assign(now, { ask: what, run: t.run.id }) && again();
  if (t.how === 'made') return html`<span class="do">${laps(t)}<button aria-label="Void run ${t.number}" @click=${() => ask('void')}>Void</button></span>`;
  if (t.how === 'skipped' && may) return html`<button aria-label="Run it after all: run ${t.number}" @click=${() => skip(t, false, '')}>Run it after all</button>`;
  if (!may || !inRound(t, all)) return nothing;
  return html`<span class="do"><button aria-label="Open run ${t.number}" @click=${() => openRunForm(t.run.id)}>Open</button><button aria-label="Skip run ${t.number}" @click=${() => ask('skip')}>Skip</button></span>`;
}

/** @param {Turn} t */
function asked(t) {
  const away = () => Object.assign(now, { ask: '', run: '' }) && again();
  const does = submitting(async (f) => {
    const why = f.text('why');
    const trial = t.trial;
    if (now.ask === 'skip' ? await skip(t, true, why) : trial && (await act('order', () => write('trial', { ...trial, void: true }, { why, base: seen(), session: closedSession() })))) away();
  });
  return html`<form class="reason" @submit=${does}>${field(now.ask === 'skip' ? 'Why it is skipped' : 'Why this run is void; it is then due again', 'why', { required: true })}
    <button class="primary">${now.ask === 'skip' ? 'Skip this run' : 'Void this run'}</button><button type="button" @click=${away}>Leave it</button></form>`;
}

/** @param {Turn} t @param {boolean} skipped @param {string} why */
function skip(t, skipped, why) {
  const plan = know().plan;
  const runs = list(plan?.runs).map((r) => (r.id === t.run.id ? { ...r, skipped } : r));
  return act('order', () => write('plan', { ...plan, runs }, { why, base: seen() }));
}

/** @param {import('./meetplan.js').Balance} b */
function tables(b) {
  const name = (/** @type {string} */ id) => entryWords(know().byId.get(id));
  if (b.entries.length > TABLE_MOST) return html`<p class="note">${b.entries.length} entries make tables too large to read: places ${b.place[0]} to ${b.place[1]} times each, one after the other ${b.pair[0]} to ${b.pair[1]} times each.</p>`;
  return html`<div class="tables"><table id="by-place"><caption>How often each entry stands at each place of a round</caption><thead><tr><th scope="col">entry</th>${b.atPlace[0]?.map((_, p) => html`<th scope="col" class="num">${p + 1}</th>`)}</tr></thead>
      <tbody>${b.entries.map((e, i) => html`<tr><th scope="row">${name(e)}</th>${b.atPlace[i].map((n) => html`<td class="num">${n}</td>`)}</tr>`)}</tbody></table>
    <table id="by-pair"><caption>How often the entry of a row runs directly before that of a column (numbered as the rows)</caption><thead><tr><th scope="col">runs before</th>${b.entries.map((_, i) => html`<th scope="col" class="num">${i + 1}</th>`)}</tr></thead>
      <tbody>${b.entries.map((e, i) => html`<tr><th scope="row">${i + 1} ${name(e)}</th>${b.before[i].map((n, k) => html`<td class="num">${i === k ? '' : n}</td>`)}</tr>`)}</tbody></table></div>`;
}
