// What was decided before: asking the audit, the names of things in it, and taking
// a decision back.
/** @import {Trial} from '../../types/wire.js' */
/** @import {TrialSeen} from './deeds.js' */
import { state } from './store.js';
import { list } from './merge.js';
import { ask, decide } from './api.js';
import { DEFINED, deedWords } from './deeds.js';

/** @typedef {{id: string, seq: number, at_us: number, by: string, what: string, why?: string, value: any}} Named a decision spoken of beside another */
/** @typedef {Named & {on: string, session?: string, undone_by?: string, undone?: Named, took?: Named, before?: any, after?: any}} Audited */
/** @typedef {{decisions: Audited[], more: boolean, officials: string[]}} Audit */

/** @param {Record<string, string | number | undefined>} question session, what, by, on, id, before @returns {Promise<Audit>} */
export async function audit(question) {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(question)) if (v) q.set(k, String(v));
  const found = await ask(`/api/audit?${q}`);
  for (const d of found.decisions) learn(d);
  return found;
}

/** Trials and names told by decisions, of sessions that the view does not hold, and at what place in the journal. @type {Map<string, {seq: number, value: any}>} */
const told = new Map();

/** What is told later goes before. @param {string} on @param {any} value @param {number} seq */
function keep(on, value, seq) {
  if (value && seq >= (told.get(on)?.seq ?? 0)) told.set(on, { seq, value });
}

/** @param {Audited} d */
function learn(d) {
  const v = d.after ?? (d.took ? null : d.value);
  keep(d.on.split('@')[0], v, d.seq);
}

/** Trials from elsewhere, as of a closed session's results. @param {Trial[]} trials @param {number} seq that they are true at */
export function tell(trials, seq) {
  for (const t of trials) keep(`trial/${t.id}`, t, seq);
}

/** @param {string} id @returns {TrialSeen | undefined} */
export function trialSeen(id) {
  return state.trials.get(id)?.trial ?? told.get(`trial/${id}`)?.value;
}

/** @param {string} kind @param {string} id */
export function nameOfThing(kind, id) {
  const v = state.view;
  if (kind === 'trial') return id;
  /** @type {Record<string, {id: string, name?: string}[] | null | undefined>} */
  const all = { locomotive: v?.locomotives, consist: v?.consists, battery: v?.batteries, motor: v?.named_motors, session: v?.sessions, circuit: list(v?.circuits).map((c) => c.circuit) };
  return list(all[kind]).find((x) => x.id === id)?.name || nameIn(told.get(`${kind}/${id}`)?.value) || id;
}

/** @param {any} value */
function nameIn(value) {
  return value?.name || value?.circuit?.name;
}

/** A decision in words. @param {Audited} d */
export function words(d) {
  const of = { names: nameOfThing, trials: trialSeen };
  if (d.took) return `took back: ${deedWords({ what: d.took.what, value: d.took.value, before: d.after, ...of })}`;
  return deedWords({ what: d.what, value: d.after ?? d.value, before: d.before, ...of });
}

/** What kind of thing a decision is about. @param {Audited} d */
export function kindOf(d) {
  return d.on.split('/')[0];
}

/** The session that taking a decision back names: none for definitions, and none for what is open. @param {Audited} d */
export function sessionToName(d) {
  const open = state.view?.session && !state.view.session.closed_us ? state.view.session.id : '';
  if (DEFINED.includes(kindOf(d)) && !d.on.includes('@')) return undefined;
  return d.session && d.session !== open ? d.session : undefined;
}

/** @param {Audited} d @param {string} why @param {number} seen the newest decision that the official saw */
export function takeBack(d, why, seen) {
  return decide('undo', { decision: d.id }, why, { session: sessionToName(d), baseSeq: seen });
}
