// The roster as files: giving it out, and taking a file in after showing what
// each line of it would change. One decision an item, and it can be stopped.
/** @import {RosterCheck, RosterItem, Complaint} from '../../types/wire.js' */
/** @import {Kind, Item} from './differ.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { at, post, Refused } from './api.js';
import { again } from './again.js';
import { list } from './merge.js';
import { differences, few } from './differ.js';
import { stockItem, write, motorName, PLURAL } from './stock.js';

const MOST_BYTES = 1 << 20;
/** Motors and batteries go before what names them. @type {Kind[]} */
const ORDER = ['motor', 'battery', 'locomotive', 'consist'];

/** @typedef {{item: RosterItem, reason: string}} Unwritten */

/** The file that is being taken in. */
const paper = {
  name: '', note: '', refusal: '', busy: '',
  /** @type {RosterCheck | null} */ check: null,
  /** what the official does not want, by its place in the list @type {Set<RosterItem>} */ left: new Set(),
  stop: false, done: 0, total: 0,
  /** @type {{written: RosterItem[], not: Unwritten[]} | null} */ ended: null,
};

export function filePapers() {
  return html`<section class="sheet ledger" aria-labelledby="r-papers"><div class="caption"><h2 id="r-papers">Papers</h2><p>the roster as files; photos are not in them</p></div>
    <p class="acts"><a class="button" href=${at('/api/roster.json')} download>All, JSON</a>${ORDER.map((k) => html`<a class="button" href=${at(`/api/roster-${PLURAL[k]}.csv`)} download>${PLURAL[k][0].toUpperCase()}${PLURAL[k].slice(1)}, CSV</a>`)}</p>
    ${state.me.official ? taking() : nothing}</section>`;
}

function taking() {
  return html`<div class="taking"><p class="acts"><label class="button pick">${paper.busy === 'reading' ? 'Reading…' : 'Take in a file'}<input type="file" name="roster-file" accept=".csv,.tsv,.txt,.json,text/csv,application/json" ?disabled=${paper.busy} @change=${picked}></label></p>
    <p class="note">JSON or a table, as the files above. First it is shown what would change; nothing is written before you say so.</p>
    ${paper.refusal ? html`<p class="refusal" role="alert">${paper.refusal}</p>` : nothing}
    ${paper.busy === 'writing' ? progress() : paper.ended ? ending(paper.ended) : paper.check ? offer(paper.check) : nothing}</div>`;
}

/** @param {Event} e */
async function picked(e) {
  const field = /** @type {HTMLInputElement} */ (e.target);
  const file = field.files?.[0];
  field.value = '';
  if (!file) return;
  Object.assign(paper, { name: file.name, note: '', refusal: '', check: null, ended: null, left: new Set(), busy: 'reading' });
  again();
  try {
    if (file.size > MOST_BYTES) throw new Refused(413, `“${file.name}” is longer than 1 MB.`);
    const { text, note } = decoded(new Uint8Array(await file.arrayBuffer()));
    paper.note = note;
    paper.check = await post('/api/roster/check', { name: file.name, text });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    paper.refusal = error.message;
  } finally {
    paper.busy = '';
    again();
  }
}

/**
 * Text of a file's bytes: UTF-8, UTF-16 where its mark says so, and otherwise
 * what old spreadsheets write.
 * @param {Uint8Array<ArrayBuffer>} bytes
 */
export function decoded(bytes) {
  if (bytes[0] === 0xff && bytes[1] === 0xfe) return { text: new TextDecoder('utf-16le').decode(bytes), note: '' };
  if (bytes[0] === 0xfe && bytes[1] === 0xff) return { text: new TextDecoder('utf-16be').decode(bytes), note: '' };
  try {
    return { text: new TextDecoder('utf-8', { fatal: true }).decode(bytes), note: '' };
  } catch {
    return { text: new TextDecoder('windows-1252').decode(bytes), note: 'It is not UTF-8: letters with marks were read as Windows-1252. Look whether the names are right.' };
  }
}

/** @param {RosterItem} item */
const valueOf = (item) => /** @type {Item} */ (item.value);
/** @param {RosterItem} item */
const kindOf = (item) => /** @type {Kind} */ (item.what);

/** New and changed, in the order in which they are written. @param {RosterCheck} check */
function offered(check) {
  const fresh = list(check.items).filter((i) => i.is !== 'same');
  return ORDER.flatMap((k) => fresh.filter((i) => i.what === k));
}

/** @param {RosterCheck} check */
function offer(check) {
  const items = offered(check);
  const wanted = items.filter((i) => !paper.left.has(i));
  const bad = list(check.complaints);
  const same = list(check.items).length - items.length;
  return html`<div class="offer"><h3>${paper.name}</h3>
    <p role="status">${[`${items.filter((i) => i.is === 'new').length} new`, `${items.filter((i) => i.is === 'changed').length} changed`, `${same} the same as in the book`, bad.length ? `${bad.length} ${bad.length === 1 ? 'complaint' : 'complaints'}` : ''].filter(Boolean).join(' · ')}</p>
    ${bad.length ? complaints(bad) : nothing}
    ${[paper.note, ...list(check.remarks)].filter(Boolean).map((r) => html`<p class="note">${r}</p>`)}
    ${items.length ? html`<ul class="offers">${repeat(items, (i) => i, offerLine)}</ul>` : html`<p class="empty">There is nothing in it to write.</p>`}
    <p class="acts">${items.length ? html`<button class="primary" ?disabled=${!wanted.length} @click=${() => writeAll(wanted, check.rev)}>${bad.length ? 'Leave what is bad, and write' : 'Write'} ${wanted.length} into the book</button>` : nothing}
      <button @click=${putAway}>${items.length ? 'Write nothing' : 'Put it away'}</button></p></div>`;
}

function putAway() {
  Object.assign(paper, { check: null, ended: null, refusal: '' });
  again();
}

/** @param {Complaint[]} of */
function complaints(of) {
  return html`<div class="complaints"><h4>What cannot be taken</h4><ul>${of.map((c) => html`<li><b>${c.line ? `line ${c.line}` : 'the file'}${c.column ? `, ${c.column}` : ''}</b>: ${c.reason}</li>`)}</ul></div>`;
}

/** @param {RosterItem} item */
function offerLine(item) {
  const pick = (/** @type {Event} */ e) => {
    if (/** @type {HTMLInputElement} */ (e.target).checked) paper.left.delete(item);
    else paper.left.add(item);
    again();
  };
  const had = stockItem(kindOf(item), item.id);
  const words = had ? few(differences(kindOf(item), had, valueOf(item), { names: true, motorName })) : [];
  return html`<li><label class="check"><input type="checkbox" .checked=${!paper.left.has(item)} @change=${pick}><span><b>${valueOf(item).name || item.id}</b> <small>${item.what} ${item.id}, ${item.is}</small></span></label>
    ${words.length ? html`<ul>${words.map((w) => html`<li>${w}</li>`)}</ul>` : nothing}</li>`;
}

/**
 * One decision an item. It goes on after a refusal of one, and stops when it is
 * told to, or when the service is gone or knows the official no more.
 * @param {RosterItem[]} items @param {number} rev
 */
async function writeAll(items, rev) {
  Object.assign(paper, { busy: 'writing', stop: false, done: 0, total: items.length, refusal: '' });
  const ended = { written: /** @type {RosterItem[]} */ ([]), not: /** @type {Unwritten[]} */ ([]) };
  let why = '';
  for (const item of items) {
    again();
    if (paper.stop) why ||= 'stopped before it';
    if (why) {
      ended.not.push({ item, reason: why });
      continue;
    }
    try {
      await write(kindOf(item), item.value, rev);
      ended.written.push(item);
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      ended.not.push({ item, reason: e.message });
      if (e.passing || e.signIn) why = `not tried: ${e.message}`;
    }
    paper.done++;
  }
  Object.assign(paper, { busy: '', ended, check: null });
  again();
}

function progress() {
  return html`<div class="progress"><label>Writing ${paper.done} of ${paper.total}<progress max=${paper.total} value=${paper.done}></progress></label>
    <button @click=${() => { paper.stop = true; again(); }} ?disabled=${paper.stop}>${paper.stop ? 'Stopping…' : 'Cancel'}</button></div>`;
}

/** @param {{written: RosterItem[], not: Unwritten[]}} ended */
function ending({ written, not }) {
  const name = (/** @type {RosterItem} */ i) => valueOf(i).name || i.id;
  return html`<div class="ended"><p role="status">${paper.name}: ${written.length} written${not.length ? `, ${not.length} not written` : ''}.</p>
    ${written.length ? html`<details><summary>Written (${written.length})</summary><ul>${written.map((i) => html`<li>${name(i)} <small>${i.what} ${i.id}</small></li>`)}</ul></details>` : nothing}
    ${not.length ? html`<details ?open=${not.length <= 12}><summary>Not written (${not.length})</summary><ul>${not.map((u) => html`<li>${name(u.item)} <small>${u.item.what} ${u.item.id}: ${u.reason}</small></li>`)}</ul></details>` : nothing}
    <p class="acts"><button @click=${putAway}>Put it away</button></p></div>`;
}
