// The audit: who decided what and when, in words, the newest first; what stood
// before and after; and taking a decision back.
/** @import {Audited} from './past.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { Refused } from './api.js';
import { choice, field, submitting } from './forms.js';
import { again } from './again.js';
import { clock, day } from './format.js';
import { rows, differing, fieldWords, longPart, valueWords } from './fields.js';
import { audit, nameOfThing, takeBack, words } from './past.js';

/** Kinds of decisions, as the filter names them. @type {[string, string][]} */
const KINDS = [['', 'all'], ['trial', 'trials'], ['lap', 'laps'], ['note', 'notes'], ['session', 'sessions'], ['locomotive', 'locomotives'], ['consist', 'consists'], ['motor', 'motors'], ['battery', 'batteries'], ['circuit', 'circuits'], ['margin', 'differences that matter'],
  ['order', 'orders of trains'], ['meet', 'meets'], ['entry', 'entries'], ['plan', 'running orders'], ['scoring', 'rules'], ['seal', 'signatures'], ['pull', 'pull tests'], ['undo', 'taken back']];

const page = {
  decisions: /** @type {Audited[]} */ ([]), officials: /** @type {string[]} */ ([]), more: false,
  /** the view's place in the journal that was asked for */ rev: -1, asking: false, failed: '',
  what: '', session: '', by: '',
  /** whose value is open, and which is being taken back */ open: '', back: '', refusal: '',
  shown: '',
};

const filter = () => ({ what: page.what, session: page.session, by: page.by });

/** @param {boolean} [older] go on with what was decided before */
async function load(older = false) {
  page.asking = true;
  page.rev = state.view?.rev ?? 0;
  const asked = JSON.stringify(filter());
  try {
    const found = await audit({ ...filter(), before: older ? page.decisions[page.decisions.length - 1]?.seq : 0 });
    if (asked === JSON.stringify(filter())) {
      page.decisions = older ? [...page.decisions, ...found.decisions] : found.decisions;
      page.more = found.more;
      page.officials = found.officials;
    }
    page.failed = '';
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    page.failed = e.message;
  }
  page.asking = false;
  again();
}

export function auditView() {
  if (state.view && !page.asking && page.rev !== state.view.rev) load();
  goTo();
  return html`<h1 class="aside">Audit</h1><section class="sheet" aria-labelledby="a-title"><div class="caption"><h2 id="a-title">Audit</h2><p>who decided what and when, the newest first; nothing is ever rubbed out</p></div>
    ${filters()}${page.failed ? html`<p class="refusal" role="alert">${page.failed}</p>` : nothing}
    ${page.decisions.length ? days() : html`<p class="empty">${page.rev < 0 || page.asking ? 'Asking the service…' : 'No such decision.'}</p>`}
    ${page.more ? html`<p class="acts"><button @click=${() => load(true)}>Show older decisions</button></p>` : nothing}</section>`;
}

function filters() {
  const pick = (/** @type {'what' | 'session' | 'by'} */ k) => (/** @type {string} */ v) => {
    page[k] = v;
    load();
  };
  const sessions = list(state.view?.sessions).toReversed().map((s) => /** @type {[string, string]} */ ([s.id, s.name || s.id]));
  return html`<div class="fields audit-filter">${choice('About', 'what', KINDS, page.what, pick('what'))}${choice('Session', 'session', [['', 'all'], ...sessions], page.session, pick('session'))}
    ${choice('Decided by', 'by', [['', 'everybody'], ...page.officials.map((o) => /** @type {[string, string]} */ ([o, o]))], page.by, pick('by'))}</div>`;
}

/** An address such as #audit=ID shows that decision, once. */
function goTo() {
  const id = location.hash.startsWith('#audit=') ? decodeURIComponent(location.hash.slice(7)) : '';
  if (!id || page.shown === id || !page.decisions.some((d) => d.id === id)) return;
  page.shown = page.open = id;
  requestAnimationFrame(() => requestAnimationFrame(() => document.getElementById(`d-${id}`)?.scrollIntoView({ block: 'center' })));
}

/** Decisions by the day on which they were made. */
function days() {
  /** @type {Map<string, Audited[]>} */
  const by = new Map();
  for (const d of page.decisions) by.set(dayOf(d), [...(by.get(dayOf(d)) ?? []), d]);
  return [...by].map(([name, all]) => html`<h3 class="day">${name}</h3><ol class="deeds">${repeat(all, (d) => d.id, row)}</ol>`);
}

/** @param {Audited} d */
const dayOf = (d) => day(d.at_us).slice(0, 10);

/** @param {Audited} d */
function row(d) {
  const open = page.open === d.id;
  const said = html`${words(d)}${d.why ? `: ${d.why}` : ''}`;
  return html`<li id="d-${d.id}" class=${page.shown === d.id ? 'pointed' : ''}><span class="num">${clock(d.at_us)}</span> <b>${d.by}</b>
    <p>${d.undone ? html`<s>${said}</s> <i>taken back by ${d.undone.by} at ${clock(d.undone.at_us)}${d.undone.why ? `: ${d.undone.why}` : ''}</i>` : said}${noEffect(d)}</p>
    <span class="acts"><button aria-expanded=${open} @click=${() => unfold(d)}>${open ? 'Fold' : 'The whole value'}</button>
      ${state.me.official && !d.undone && page.back !== d.id ? html`<button @click=${() => askBack(d.id)}>Take this back</button>` : nothing}</span>
    ${page.back === d.id && state.me.official ? backForm(d) : nothing}${open ? whole(d) : nothing}</li>`;
}

/** What another gateway's decision made void is told by the scorer. @param {Audited} d */
function noEffect(d) {
  const doubt = list(state.view?.doubts).find((x) => x.startsWith(`decision ${d.id} had no effect: `));
  return doubt ? html` <i>had no effect${doubt.slice(`decision ${d.id} had no effect`.length)}</i>` : nothing;
}

/** @param {string} id */
function askBack(id) {
  page.back = id;
  page.refusal = '';
  again();
}

/** @param {Audited} d */
function backForm(d) {
  return html`<form class="entry" @submit=${submitting((f) => back(d, f.text('why')))}><h4>What stood before will stand again; this decision stays in the list, struck through</h4>
    <div class="fields">${field('Reason to take it back', 'why', { required: true, max: 300 })}</div>
    ${page.refusal ? html`<p class="refusal" role="alert"><span>${linked(page.refusal)}</span></p>` : nothing}
    <p class="acts"><button class="primary">Take it back</button><button type="button" @click=${() => askBack('')}>Leave it</button></p></form>`;
}

/** A refusal names the decision in the way: it is shown when followed. @param {string} text */
function linked(text) {
  const m = /^(.*)\(([a-z0-9][a-z0-9-]*)\)(.*)$/s.exec(text);
  const found = m && page.decisions.find((d) => d.id === m[2]);
  if (!m || !found) return text;
  return html`${m[1].trimEnd()} (<a href="#audit=${m[2]}">${words(found)}</a>)${m[3]}`;
}

/** @param {Audited} d @param {string} why */
async function back(d, why) {
  try {
    await takeBack(d, why, page.decisions.reduce((most, x) => Math.max(most, x.seq), 0));
    if (page.back === d.id) askBack('');
    load();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    page.refusal = e.message.replace(/^malformed: /, '');
    again();
  }
}

/** @param {Audited} d */
async function unfold(d) {
  page.open = page.open === d.id ? '' : d.id;
  again();
  if (!page.open || d.before || d.after) return;
  try { // too long for the list
    const [full] = (await audit({ id: d.id })).decisions;
    if (full) Object.assign(d, full);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    page.failed = e.message;
  }
  again();
}

/** The whole value, with what stood before it. @param {Audited} d */
function whole(d) {
  const after = d.after ?? (d.took ? null : d.value);
  const changed = new Set(differing(d.before, after).map((r) => r.path));
  const all = rows(d.before, after);
  if (!all.length) return html`<p class="note">Nothing stands there.</p>`;
  /** @type {Map<string, import('./fields.js').Row[]>} */
  const long = new Map();
  for (const r of all) if (longPart(r.path)) long.set(longPart(r.path), [...(long.get(longPart(r.path)) ?? []), r]);
  const caption = d.before ? (d.after || !d.took ? 'before and after' : 'what was taken away') : 'nothing stood there before';
  const table = (/** @type {import('./fields.js').Row[]} */ of, /** @type {string} */ title) => html`<table class="value"><caption>${title}</caption>
    <thead><tr><th scope="col">field</th>${d.before ? html`<th scope="col">before</th>` : nothing}<th scope="col">after</th></tr></thead>
    <tbody>${of.map((r) => html`<tr class=${d.before && changed.has(r.path) ? 'changed' : ''}><th scope="row">${fieldWords(r.path)}</th>
      ${d.before ? html`<td>${valueWords(r.path, r.a, nameOfThing)}</td>` : nothing}<td>${valueWords(r.path, r.b, nameOfThing)}</td></tr>`)}</tbody></table>`;
  return html`${table(all.filter((r) => !longPart(r.path)), caption)}${[...long].map(([path, of]) => html`<details><summary>${fieldWords(path)}: ${of.length} figures${d.before && of.some((r) => changed.has(r.path)) ? ', changed' : ''}</summary>${table(of, caption)}</details>`)}`;
}
