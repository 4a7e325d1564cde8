// Two officials at one thing: what the one wrote beside what stands there now by
// the other, field by field, and the choice. Nothing is written before it is made.
/** @import {Asked} from './api.js' */
/** @import {Audited} from './past.js' */
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { decide, Refused } from './api.js';
import { say } from './decide.js';
import { shown } from './shown.js';
import { audit, nameOfThing } from './past.js';
import { DEFINED, pullWords } from './deeds.js';
import { both, differing, fieldWords, valueWords } from './fields.js';
import { clock } from './format.js';

/**
 * @typedef {object} Clash
 * @property {Asked} asked what the official wrote
 * @property {Audited | undefined} last what was decided on the thing since
 * @property {any} merged both changes, when they do not touch
 * @property {string} reason the service's own words
 * @property {string} refusal of what was tried after it
 */

const MOST = 40;
const box = document.createElement('dialog');
box.className = 'slip conflict';
box.setAttribute('aria-labelledby', 'conflict-title');
document.body.append(box);

/** @type {{clash: Clash | null, end: (done: boolean) => void}} */
const open = { clash: null, end: () => {} };
box.addEventListener('close', () => open.end(false)); // by Escape too: back to what was being written

/** The thing that a decision is about, as the audit names it. @param {Asked} a */
export function thing(a) {
  const v = a.value;
  const ids = { lap: `${v.trial}/${v.lap}`, circuit: v.circuit?.id, margin: v.circuit };
  const id = /** @type {Record<string, string | undefined>} */ (ids)[a.what] ?? v.id;
  const own = a.session && DEFINED.includes(a.what) ? `@${a.session}` : '';
  return id ? `${a.what}/${id}${own}` : a.what;
}

/** Shows the conflict, and says in the end whether the entry is done with. @param {Refused} refused @returns {Promise<boolean>} */
export async function settle(refused) {
  const asked = /** @type {Asked} */ (JSON.parse(refused.conflict));
  open.end(false);
  open.clash = await look(asked, refused.message);
  draw();
  if (!box.open) box.showModal();
  box.scrollTop = 0;
  return new Promise((resolve) => {
    open.end = (done) => {
      Object.assign(open, { clash: null, end: () => {} });
      render(nothing, box);
      box.close();
      resolve(done);
    };
  });
}

/** What stands there now, who wrote it, and what stood there when the official began. @param {Asked} asked @param {string} reason @returns {Promise<Clash>} */
async function look(asked, reason) {
  /** @type {Clash} */
  const clash = { asked, last: undefined, merged: null, reason, refusal: '' };
  try {
    let on = thing(asked);
    if (asked.what === 'undo') on = (await audit({ id: asked.value.decision })).decisions[0]?.on ?? on;
    const inSession = on.includes('@') || [...DEFINED, 'session'].includes(on.split('/')[0]) ? '' : asked.session || state.view?.session?.id;
    const rows = (await audit({ on, session: inSession })).decisions;
    clash.last = rows[0];
    const base = rows.find((d) => d.seq <= (asked.base_seq ?? 0))?.after;
    if (base && rows[0].after && asked.what !== 'undo') clash.merged = both(base, asked.value, rows[0].after);
    if (clash.merged && !differing(clash.merged, rows[0].after).length) clash.merged = null;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    clash.refusal = e.message;
  }
  return clash;
}

function draw() {
  const c = open.clash;
  if (!c) return;
  render(html`<div class="slip-head"><h2 id="conflict-title">Somebody else changed this meanwhile</h2><button @click=${() => open.end(false)}>Back to the form</button></div>
    <p>${c.last ? html`<b>${c.last.by}</b> changed ${name(c)} at ${clock(c.last.at_us, false)}${c.last.why ? `: ${c.last.why}` : ''}, after you had opened it.` : c.reason} Nothing of yours has been written, and nothing is lost: choose.</p>
    ${c.last && c.asked.what !== 'undo' ? compared(c, c.last) : nothing}
    ${c.refusal ? html`<p class="refusal" role="alert">${c.refusal}</p>` : nothing}
    <p class="acts">${c.merged ? html`<button class="primary" @click=${() => write(c, c.merged)}>Keep both changes</button>` : nothing}
      <button @click=${() => open.end(true)}>Take theirs</button>${c.asked.what !== 'undo' ? html`<button @click=${() => write(c, c.asked.value)}>Write mine over it</button>` : nothing}</p>
    <p class="note">${c.merged ? 'The two changes are of different fields, so both can stand. ' : ''}Each decision stays in the <a href="#audit" @click=${() => open.end(false)}>audit</a> and can be taken back.</p>`, box);
}

/** @param {Clash} c */
function name(c) {
  const v = c.asked.value;
  if (c.asked.what === 'lap') return `lap ${v.lap}`;
  if (c.asked.what === 'trial') return `this trial of ${nameOfThing('locomotive', v.locomotive)}`;
  if (c.asked.what === 'margin') return `what difference matters on ${nameOfThing('circuit', v.circuit)}`;
  if (c.asked.what === 'pull') return `the ${pullWords(v, nameOfThing)}`;
  return v.name || v.circuit?.name || nameOfThing(c.asked.what, v.id ?? '') || 'it';
}

/** Field by field, where the two differ. @param {Clash} c @param {Audited} last */
function compared(c, last) {
  const all = differing(c.asked.value, last.after);
  if (!last.after) return html`<p>It has been taken away.</p>`;
  if (!all.length) return html`<p>What you wrote and what stands there are the same.</p>`;
  return html`<table><caption>where the two differ${all.length > MOST ? `, the first ${MOST} of ${all.length} fields` : ''}</caption><thead><tr><th scope="col">field</th><th scope="col">you</th><th scope="col">now, by ${last.by} at ${clock(last.at_us, false)}</th></tr></thead>
    <tbody>${all.slice(0, MOST).map((r) => html`<tr><th scope="row">${fieldWords(r.path)}</th><td>${valueWords(r.path, r.a, nameOfThing)}</td><td>${valueWords(r.path, r.b, nameOfThing)}</td></tr>`)}</tbody></table>`;
}

/** Writes on, having seen what stands there; who came in between again is told of again. @param {Clash} c @param {unknown} value */
async function write(c, value) {
  const { what, why, session } = c.asked;
  try {
    const reply = await decide(/** @type {Parameters<typeof decide>[0]} */ (what), value, why, { session, baseSeq: c.last?.seq });
    say('');
    await shown(reply.seq ?? 0);
    open.end(true);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    open.clash = e.conflict ? await look({ ...c.asked, value: c.asked.value }, e.message) : { ...c, refusal: e.message };
    draw();
  }
}
