// What the sheet of results is about: its address, the results that came, and
// drawing it again. An address names all that is shown, so that a figure's laps and
// a lap's crossings can be sent to somebody.
/** @import {Results, TrialResult, Session} from '../../types/wire.js' */
import { state } from './store.js';
import { list } from './merge.js';
import { again } from './again.js';

/**
 * @typedef {object} Asked what an address asks for
 * @property {string} session '' is the present one
 * @property {string[]} trials none is all
 * @property {string} locomotive @property {string} class
 * @property {string} figure whose laps are shown
 * @property {string} lap trial:number, whose crossings are shown
 * @property {string} season a locomotive's history
 */

export const shown = {
  /** @type {Results | null} */ results: null,
  refused: '',
  /** counts what was drawn from, so that nothing is drawn twice */ version: 0,
};

/** @returns {Asked} */
export function asked() {
  const q = new URLSearchParams(location.search);
  const one = (/** @type {string} */ name) => q.get(name) ?? '';
  return {
    session: one('session'), trials: q.getAll('trial').filter(Boolean), locomotive: one('locomotive'), class: one('class'),
    figure: one('figure'), lap: one('lap'), season: one('season'),
  };
}

/** An address of the sheet: what is asked for now, changed. @param {Partial<Asked>} change */
export function address(change) {
  const a = { ...asked(), ...change };
  const q = new URLSearchParams();
  const site = new URLSearchParams(location.search).get('site');
  if (site) q.set('site', site);
  for (const [name, v] of Object.entries({ session: a.session, locomotive: a.locomotive, class: a.class, figure: a.figure, lap: a.lap, season: a.season })) {
    if (v) q.set(name, v);
  }
  for (const id of a.trials) q.append('trial', id);
  return `/results${q.size ? `?${q}` : ''}`;
}

/** All that is left of one sheet when another is opened. */
export const PLAIN = { trials: [], locomotive: '', class: '', figure: '', lap: '', season: '' };

/** @param {Partial<Asked>} change */
export function go(change) {
  history.pushState(null, '', address(change));
  redraw();
}

/** Follows a link without loading the page anew. @param {Partial<Asked>} change @param {string} [to] what to bring into sight */
export function follow(change, to) {
  return (/** @type {MouseEvent} */ e) => {
    if (e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
    e.preventDefault();
    go(change);
    if (to) requestAnimationFrame(() => requestAnimationFrame(() => document.querySelector(to)?.scrollIntoView({ block: 'start' })));
  };
}

export function redraw() {
  shown.version++;
  again();
}

/** The session that the sheet is about. @returns {Session | null} */
export function session() {
  return shown.results?.session ?? null;
}

/** Whether it is in the book, open. */
export function live() {
  const s = session();
  return Boolean(s && !s.closed_us && state.view?.session?.id === s.id);
}

/** The class of a trial's entry, '' without one. @param {TrialResult} t */
export function classOf(t) {
  const entry = t.about?.entry;
  return list(shown.results?.meet?.classes).find((c) => entry && list(c.standings).some((s) => s.entry === entry)) ?? null;
}

/** Who runs it. @param {TrialResult} t */
export function entrant(t) {
  const entry = t.about?.entry;
  return t.about?.entrant || list(shown.results?.meet?.classes).flatMap((c) => list(c.standings)).find((s) => s.entry === entry)?.person || '';
}

/** @param {string | undefined} id */
export function locomotiveName(id) {
  return list(shown.results?.locomotives).find((l) => l.id === id)?.name || list(state.view?.locomotives).find((l) => l.id === id)?.name || id || '';
}

/** @param {string | undefined} id */
export function consistName(id) {
  return id ? list(shown.results?.consists).find((c) => c.id === id)?.name || id : '';
}

/** The trials that are asked for. @param {Results} r */
export function chosen(r) {
  const a = asked();
  return list(r.trials).filter((t) => (!a.trials.length || a.trials.includes(t.trial)) && (!a.locomotive || t.train === a.locomotive) && (!a.class || classOf(t)?.class === a.class));
}
