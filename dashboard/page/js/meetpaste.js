// Entering a whole list: it is read as it is typed, written one decision after
// the other, and can be stopped; what is not taken is told line by line.
/** @import {Listed, Bad} from './meetlist.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { Refused } from './api.js';
import { again } from './again.js';
import { send, plain } from './meetact.js';
import { shown } from './shown.js';
import { know } from './meetknow.js';
import { readList } from './meetlist.js';

/** How many lines that were not taken are told of at once. */
const MOST_TOLD = 20;

const paste = {
  open: false, text: '', busy: false, stop: false, done: 0, of: 0, taken: 0,
  /** @type {Listed[]} */ entries: [],
  /** @type {Bad[]} not to be read */ bad: [],
  /** @type {Bad[]} refused by the service */ refused: [],
  over: '',
};

export const pasteOpen = () => paste.open;

export function openPaste() {
  Object.assign(paste, { open: true, text: '', entries: [], bad: [], refused: [], over: '' });
  again();
  requestAnimationFrame(() => requestAnimationFrame(() => document.querySelector('textarea')?.focus()));
}

function close() {
  paste.open = false;
  again();
}

/** @param {Event} e */
function read(e) {
  paste.text = /** @type {HTMLTextAreaElement} */ (e.target).value;
  Object.assign(paste, readList(paste.text, list(state.view?.locomotives), list(know().meet?.classes)), { over: '', refused: [] });
  again();
}

export function pasteForm() {
  const fresh = paste.entries.filter((e) => e.name).length;
  return html`<form class="entry" id="paste-form" @submit=${(/** @type {SubmitEvent} */ e) => { e.preventDefault(); enter(); }}><h3>A list of entries</h3>
    <label><span>One a line: person, locomotive, class <small>parted by commas, semicolons or tabs; new locomotives are written down too</small></span>
      <textarea rows="8" spellcheck="false" .value=${paste.text} ?readonly=${paste.busy} @input=${read}></textarea></label>
    ${paste.entries.length || paste.bad.length ? html`<p role="status">${paste.entries.length} ${paste.entries.length === 1 ? 'entry' : 'entries'}${fresh ? `, ${fresh} with a locomotive that is not written down yet` : ''}${paste.bad.length ? `; ${paste.bad.length} ${paste.bad.length === 1 ? 'line' : 'lines'} cannot be entered` : ''}.</p>` : nothing}
    ${told(paste.bad)}
    ${paste.busy ? html`<label><span>Entering ${paste.done} of ${paste.of}</span><progress max=${paste.of} value=${paste.done}></progress></label>` : nothing}
    ${paste.over ? html`<p role="status"><b>${paste.over}</b></p>${told(paste.refused)}` : nothing}
    <p class="acts">${paste.busy ? html`<button type="button" id="paste-stop" @click=${() => (paste.stop = true)}>Stop here</button>`
      : html`<button class="primary" ?disabled=${!paste.entries.length || paste.over !== ''}>Enter them</button><button type="button" @click=${close}>${paste.over ? 'Done' : 'Leave it'}</button>`}</p></form>`;
}

/** @param {Bad[]} bad */
function told(bad) {
  if (!bad.length) return nothing;
  const rest = bad.length - MOST_TOLD;
  return html`<ul class="bad">${bad.slice(0, MOST_TOLD).map((b) => html`<li>line ${b.line}: ${b.why} <q>${b.text.slice(0, 120)}</q></li>`)}${rest > 0 ? html`<li>and ${rest} more</li>` : nothing}</ul>`;
}

/** What was written stays when it is stopped. */
async function enter() {
  Object.assign(paste, { busy: true, stop: false, done: 0, of: paste.entries.length, taken: 0, refused: [] });
  const ids = new Set(know().entries.map((e) => e.id));
  const written = new Set();
  let [seq, lost] = [0, ''];
  again();
  for (const e of paste.entries) {
    if (paste.stop) break;
    try {
      seq = await one(e, ids, written);
      paste.taken++;
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      if (error.passing || error.signIn) {
        lost = error.message;
        break;
      }
      paste.refused.push({ line: e.line, text: `${e.person}, ${e.name || e.locomotive}`, why: plain(error.message) });
    }
    paste.done++;
    again();
  }
  await shown(seq);
  const not = paste.of - paste.taken;
  Object.assign(paste, { busy: false, over: `${paste.taken} of ${paste.of} entered.${lost ? ` Then: ${lost}` : paste.stop ? ' Stopped; what was entered stays.' : not ? ` ${not} refused:` : ''}` });
  again();
}

/** @param {Listed} e @param {Set<string>} ids @param {Set<unknown>} written locomotives of this list */
async function one(e, ids, written) {
  if (e.name && !written.has(e.locomotive)) {
    await send('locomotive', { id: e.locomotive, name: e.name });
    written.add(e.locomotive);
  }
  const id = slug(e.person, ids, 'entry');
  const reply = await send('entry', { id, person: e.person, locomotive: e.locomotive, class: e.class });
  ids.add(id);
  return reply.seq ?? 0;
}
