// What findings have in common: the sheets they stand on, a drawing that Go made, and
// figures with their intervals.
/** @import {Estimate, Session} from '../../types/wire.js' */
import { html, nothing, live } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { again } from './again.js';
import { at, Refused } from './api.js';
import { fetched } from './fetched.js';
import { list } from './merge.js';
import { day, fixed, known, DASH } from './format.js';

const SHEETS = [['compare', 'Compare'], ['pull', 'Pull tests'], ['coast', 'Coasting']];

/** @type {Map<string, string>} the question in one's own words, by the sheet */ const questions = new Map();

/** The question in one's own words, kept in the address behind the sheet's name. @param {string} sheet */
function questionOf(sheet) {
  const [id, said] = location.hash.slice(1).split('=');
  if (id === sheet && said !== undefined) {
    try {
      questions.set(sheet, decodeURIComponent(said));
    } catch {
      // an address cut short or written by hand: no question
    }
  }
  return questions.get(sheet) ?? '';
}

/** @param {string} sheet */
const addressOf = (sheet) => `#${sheet}${questionOf(sheet) ? `=${encodeURIComponent(questionOf(sheet))}` : ''}`;

/** @param {string} sheet */
function questionField(sheet) {
  const put = (/** @type {Event} */ e) => {
    const said = /** @type {HTMLInputElement} */ (e.target).value.trim();
    history.replaceState(null, '', `#${sheet}${said ? `=${encodeURIComponent(said)}` : ''}`);
    questions.set(sheet, said);
    again();
  };
  return html`<div class="fields asks"><label><span>The question, in your own words <small>for the sheet; else one is made from the choices</small></span><input name="question" maxlength="300" autocomplete="off" .value=${live(questionOf(sheet))} @change=${put}></label></div>`;
}

/** @param {string} current the sheet that is shown */
export function findingsNav(current) {
  return html`<nav class="sets-nav" aria-label="Sheets of findings">${SHEETS.map(([id, name]) => html`<a href=${addressOf(id)} aria-current=${id === current ? 'page' : nothing}>${name}</a>`)}</nav>`;
}

/** What a sheet of findings asks for, again when the question is another or the book has moved. @template T */
export class Answer {
  /** @param {string} path */
  constructor(path) {
    this.path = path;
    /** @type {T | null} */ this.is = null;
    this.refused = '';
    this.of = '';
    this.wanted = '';
    this.rev = -1;
    this.busy = false;
  }

  /** Is this the answer to what was wished for last? */
  get fresh() {
    return this.of === this.wanted && !this.busy && this.rev >= 0;
  }

  /** @param {string} query as an address takes it */
  wish(query) {
    this.wanted = query;
    if (!this.busy && (query !== this.of || this.rev !== (state.view?.rev ?? 0))) this.load(query);
  }

  /** @param {string} of */
  async load(of) {
    this.busy = true;
    this.rev = state.view?.rev ?? 0;
    try {
      this.is = await fetched(at(`${this.path}?${of}`));
      this.refused = '';
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      Object.assign(this, { refused: e.message, is: null });
    } finally {
      Object.assign(this, { of, busy: false });
    }
    again();
  }

  /** The sheet to hand round, kept or looked at, and the figures. */
  papers() {
    const name = this.path.split('/').at(-1) ?? '';
    const q = questionOf(name);
    const sheet = `${this.path}.html?${this.of}${q ? `&question=${encodeURIComponent(q)}` : ''}`;
    return html`${questionField(name)}<p class="acts"><a class="button" href=${at(sheet)} target="_blank" rel="noopener">Sheet to hand round</a><a class="button" href=${at(`${sheet}&download`)} download>Keep the sheet</a><a class="button" href=${at(`${this.path}?${this.of}`)} download="${name}.json">JSON</a></p>`;
  }
}

/** All sessions, the newest first. @returns {Session[]} */
function sessions() {
  const now = state.view?.session;
  return [...(now ? [now] : []), ...list(state.view?.sessions).filter((s) => s.id !== now?.id).toReversed()];
}

/** Which sessions' findings are shown. @param {Set<string>} of those that were chosen; none: the one in the book */
export function sessionPicks(of) {
  const all = sessions();
  const taken = all.filter((s, i) => of.has(s.id) || (!of.size && i === 0));
  const pick = (/** @type {string} */ id) => () => {
    if (!of.size) of.add(all[0].id);
    toggle(of, id);
  };
  return html`<details class="of-sessions"><summary>Sessions: ${taken.map((s) => s.name || s.id).join(', ') || 'none yet'}</summary><fieldset class="picks"><legend class="aside">Sessions</legend>${all.map((s) => html`<label class="check"><input type="checkbox" .checked=${live(taken.includes(s))} @change=${pick(s.id)}><span>${s.name || s.id}${s.opened_us ? html` <small>${day(s.opened_us)}</small>` : nothing}</span></label>`)}</fieldset></details>`;
}

/** @param {Set<string>} of @param {string} id */
export function toggle(of, id) {
  if (!of.delete(id)) of.add(id);
  again();
}

/** A drawing for day, night and print. @param {string} path with its question @param {string} says what it shows @param {unknown} caption */
export function drawing(path, says, caption) {
  const on = (/** @type {string} */ paper) => at(`${path}${path.includes('?') ? '&' : '?'}${paper}`);
  return html`<figure class="drawn"><picture><source srcset=${on('paper=dark&narrow')} media="screen and (prefers-color-scheme: dark) and (max-width: 600px)"><source srcset=${on('paper=dark')} media="screen and (prefers-color-scheme: dark)"><source srcset=${on('narrow')} media="screen and (max-width: 600px)"><img src=${at(path)} alt=${says} width="640" height="400"></picture><figcaption>${caption}</figcaption></figure>`;
}

/** A figure with its interval; an end that cannot be had is open. @param {Estimate | undefined} e @param {number} decimals */
export function between(e, decimals) {
  if (!e || !known(e.value)) return DASH;
  if (!known(e.lo) && !known(e.hi)) return fixed(e.value, decimals);
  return `${fixed(e.value, decimals)} (${known(e.lo) ? fixed(e.lo, decimals) : 'no lower end'} to ${known(e.hi) ? fixed(e.hi, decimals) : 'no upper end'})`;
}
