// Who is entered: add, change, withdraw, come back, and a list at once.
/** @import {Entry} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed, repeat, guard } from '../lib/lit-3.3.3.js';
import { state, markOf, sessionOpen } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { field, choice, submitting } from './forms.js';
import { again } from './again.js';
import { act, refusal, write, heard } from './meetact.js';
import { seen } from './shown.js';
import { know, locomotiveName, className } from './meetknow.js';
import { Roster } from './meetlist.js';
import { pasteForm, openPaste, pasteOpen } from './meetpaste.js';

/** How many entries are drawn until all are asked for. */
const FEW = 40;
/** Beyond so many, what is off the screen is not laid out. */
const MANY = 100;
/** form: what is being done to which entry. */
const now = { form: /** @type {'' | 'add' | 'change' | 'withdraw'} */ (''), id: '', key: 0, base: 0, filter: '', every: false };

/** @param {typeof now.form} form @param {string} [id] */
export function openEntryForm(form, id = '') {
  Object.assign(now, { form, id, key: now.key + 1, base: seen() });
  again();
  requestAnimationFrame(() => requestAnimationFrame(() => /** @type {HTMLElement | null} */ (document.querySelector('#entry-form input'))?.focus()));
}

function close() {
  Object.assign(now, { form: '', id: '' });
  again();
}

export function entriesSection() {
  const { entries } = know();
  const may = state.me.official && sessionOpen();
  const there = entries.filter((e) => !e.withdrawn).length;
  const away = entries.length - there;
  return html`<section class="sheet" aria-labelledby="m-entries" id="entries"><div class="caption"><h2 id="m-entries">Entries</h2><p>${entries.length ? `${there} entered${away ? `, ${away} withdrawn` : ''}` : 'person, locomotive, class'}</p></div>
    ${may ? writing() : nothing}
    ${entries.length > 12 ? filterField() : nothing}
    ${entries.length ? guard([state.view, state.marks, now.filter, now.every, now.form, now.id, now.key, heard(), may], () => rows(may)) : html`<p class="empty">Nobody is entered yet.</p>`}</section>`;
}

function writing() {
  if (pasteOpen()) return pasteForm();
  if (now.form === 'add') return entryForm(null);
  return html`${now.form === 'change' ? nothing : refusal('entry')}<p class="acts"><button id="add-entry" @click=${() => openEntryForm('add')}>Add an entry</button><button id="paste-entries" @click=${openPaste}>Paste a list</button></p>`;
}

function filterField() {
  const set = (/** @type {Event} */ e) => {
    now.filter = /** @type {HTMLInputElement} */ (e.target).value;
    again();
  };
  return html`<label class="filter"><span>Find an entry</span><input type="search" id="entry-filter" autocomplete="off" placeholder="person, locomotive or class" .value=${now.filter} @input=${set}></label>`;
}

/** @param {boolean | '' | null} may */
function rows(may) {
  const words = now.filter.toLowerCase().split(/\s+/).filter(Boolean);
  const found = know().entries.filter((e) => {
    const all = `${e.person} ${locomotiveName(e.locomotive)} ${className(e.class)}`.toLowerCase();
    return words.every((w) => all.includes(w));
  });
  const shown = now.every ? found : found.slice(0, FEW);
  const rest = found.length - shown.length;
  return html`<ul class="entries people ${shown.length > MANY ? 'many' : ''}">${repeat(shown, (e) => e.id, (e) => row(e, may))}</ul>
    ${found.length ? nothing : html`<p class="empty">No entry is called that.</p>`}
    ${rest ? html`<p class="acts"><button @click=${() => { now.every = true; again(); }}>Show ${rest} more</button></p>` : nothing}`;
}

/** @param {Entry} e @param {boolean | '' | null} may */
function row(e, may) {
  const n = know().tally.get(e.id);
  const facts = [className(e.class) || 'no class', n ? `${n.made} run${n.made === 1 ? '' : 's'} made${sessionOpen() ? `, ${n.left} to come` : ''}` : '', e.withdrawn ? 'withdrawn' : ''].filter(Boolean).join(' · ');
  if (now.id === e.id && now.form === 'change') return html`<li class="form">${entryForm(e)}</li>`;
  return html`<li data-entry=${e.id} class=${e.withdrawn ? 'withdrawn' : ''}>${markPicture(markOf(e.locomotive))}<span><b>${e.person}</b> <span class="with">${locomotiveName(e.locomotive)}</span><span class="faint">${facts}</span></span>
    ${may ? acts(e) : nothing}
    ${now.id === e.id && now.form === 'withdraw' ? withdrawForm(e) : nothing}</li>`;
}

/** @param {Entry} e */
function acts(e) {
  return html`<span class="do"><button aria-label="Change the entry of ${e.person}" @click=${() => openEntryForm('change', e.id)}>Change</button>
    ${e.withdrawn ? html`<button aria-label="Comes back: ${e.person}" @click=${() => act('entry', () => write('entry', { ...e, withdrawn: false }, { base: seen() }))}>Comes back</button>`
      : html`<button aria-label="Withdraw ${e.person}" @click=${() => openEntryForm('withdraw', e.id)}>Withdraw</button>`}</span>`;
}

/** @param {Entry} e */
function withdrawForm(e) {
  return keyed(now.key, html`<form class="reason" id="entry-form" @submit=${submitting(async (f) => {
    const { key } = now;
    if (await act('entry', () => write('entry', { ...e, withdrawn: true }, { why: f.text('why'), base: now.base })) && now.key === key) close();
  })}>${field(`Why ${e.person} withdraws`, 'why', { required: true })}<button class="primary">Withdraw</button><button type="button" @click=${close}>Leave it</button></form>`);
}

/** @param {Entry | null} e */
function entryForm(e) {
  /** @type {[string, string][]} */
  const classes = list(know().meet?.classes).map((c) => [c.id, c.name || c.id]);
  if (!classes.length || e && !e.class) classes.push(['', 'no class']);
  return keyed(now.key, html`<form class="entry" id="entry-form" @submit=${submitting((f, form) => save(f, form, e))}><h3>${e ? `The entry of ${e.person}` : 'A new entry'}</h3>
    <div class="fields">${field('Person', 'person', { value: e?.person, required: true })}
      ${field('Locomotive', 'locomotive', { unit: 'of the roster, or a new name', value: e ? locomotiveName(e.locomotive) : '', required: true, list: 'roster' })}
      ${choice('Class', 'class', classes, e?.class)}</div>
    <datalist id="roster">${[...know().names.values()].map((n) => html`<option value=${n}></option>`)}</datalist>
    ${refusal('entry')}
    <p class="acts"><button class="primary">${e ? 'Write the change' : 'Enter'}</button><button type="button" @click=${close}>${e ? 'Leave it' : 'Done'}</button></p></form>`);
}

/** The form of a new entry stays open for the next. @param {Filled} f @param {HTMLFormElement} form @param {Entry | null} e */
async function save(f, form, e) {
  const { key } = now;
  const roster = new Roster(list(state.view?.locomotives));
  const name = f.text('locomotive');
  const done = await act('entry', async () => {
    const locomotive = roster.find(name) || (await newLocomotive(roster.add(name), name));
    const id = e?.id ?? slug(f.text('person'), know().entries.map((o) => o.id), 'entry');
    await write('entry', { ...e, id, person: f.text('person'), locomotive, class: f.text('class') }, { base: e ? now.base : undefined });
  });
  if (!done || now.key !== key) return;
  if (e) return close();
  form.reset();
  form.inert = false;
  /** @type {HTMLElement | null} */ (form.querySelector('input'))?.focus();
}

/** @param {string} id @param {string} name */
async function newLocomotive(id, name) {
  await write('locomotive', { id, name });
  return id;
}
