// What the meet's pages know, worked out once for each view of the book.
/** @import {Entry, Meet, Plan, View} from '../../types/wire.js' */
/** @import {Turn} from './meetplan.js' */
import { state, locomotive, openTrials } from './store.js';
import { list } from './merge.js';
import { turns, due, misfit } from './meetplan.js';
import { locomotiveNames } from './meetlist.js';

/**
 * @typedef {object} Known
 * @property {Meet | null} meet
 * @property {Entry[]} entries
 * @property {Map<string, Entry>} byId
 * @property {Plan | null} plan
 * @property {Turn[]} all every run in its place
 * @property {Turn[]} next those to come
 * @property {ReturnType<typeof misfit>} misfit
 * @property {Map<string, {made: number, left: number}>} tally by entry
 * @property {Map<string, string>} names of locomotives by id, no two alike
 */

/** @type {View | null} */ let of = null;
/** @type {Known} */ let known = reckon(null);

/** @returns {Known} */
export function know() {
  if (state.view !== of) {
    of = state.view;
    known = reckon(of);
  }
  return known;
}

/** @param {View | null} view @returns {Known} */
function reckon(view) {
  const [meet, entries, plan] = [view?.meet ?? null, list(view?.entries), view?.plan ?? null];
  const all = turns(plan, list(view?.trials), entries);
  /** @type {Known['tally']} */ const tally = new Map();
  for (const t of all) {
    const n = tally.get(t.run.entry) ?? { made: 0, left: 0 };
    tally.set(t.run.entry, { made: n.made + Number(t.how === 'made'), left: n.left + Number(t.how === 'due' || t.how === 'running') });
  }
  return {
    meet, entries, plan, all, tally, next: due(all), misfit: misfit(plan, all, entries, meet),
    byId: new Map(entries.map((e) => [e.id, e])), names: locomotiveNames(list(view?.locomotives)),
  };
}

/** The name of a locomotive, with its id where two are called the same. @param {string} id */
export function locomotiveName(id) {
  return know().names.get(id) ?? locomotive(id)?.name ?? id;
}

/** @param {string | undefined} id */
export function className(id) {
  return list(know().meet?.classes).find((c) => c.id === id)?.name || id || '';
}

/** Whose turn, in one line. @param {Entry | undefined} e */
export function entryWords(e) {
  return e ? `${e.person}, ${locomotiveName(e.locomotive)}` : 'an entry that is gone';
}

/** The trial under way; one that is of no run goes before nothing. */
export function underWay() {
  const open = openTrials();
  return open.find((r) => r.trial.run) ?? open[0] ?? null;
}

/** How a run ends, in words. @param {Meet} m */
export function endWords(m) {
  const ends = [m.laps ? `after ${m.laps} ${m.laps === 1 ? 'lap' : 'laps'}` : '', m.seconds ? `after ${m.seconds} s` : ''].filter(Boolean);
  return ends.length ? ends.join(' or ') : 'by hand';
}
