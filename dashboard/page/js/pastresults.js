// Sessions that are over and no longer in the book: their results, asked for when
// somebody looks, and again after each decision about them.
/** @import {Results, Trial, TrialResult} from '../../types/wire.js' */
import { state } from './store.js';
import { list } from './merge.js';
import { ask, desk, Refused } from './api.js';
import { again } from './again.js';
import { say } from './decide.js';
import { tell } from './past.js';

/** Results, and the place in the journal that they are true at: the view does not follow these sessions. @type {Map<string, Results>} */
const have = new Map();
/** @type {Map<string, number>} */
const seen = new Map();
/** @type {Set<string>} */
const asked = new Set();

const written = desk.written;
desk.written = (reply, decision) => {
  written(reply, decision);
  if (decision.session && have.has(decision.session)) fetchPast(decision.session, reply.seq);
};

/** @param {string} session @param {number} [decided] what was decided on it just now */
export async function fetchPast(session, decided = 0) {
  asked.add(session);
  const rev = Math.max(state.rev, decided);
  try {
    const r = /** @type {Results} */ (await ask(`/api/results?session=${encodeURIComponent(session)}`));
    have.set(session, r);
    seen.set(session, rev);
    tell(list(r.trials).map(about), rev);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    asked.delete(session);
    say(e.message);
  }
  again();
}

/** The results of a session that is over; null while they come. @param {string} session */
export function pastResults(session) {
  if (!asked.has(session)) fetchPast(session);
  return have.get(session) ?? null;
}

/** What whoever looks at a session has seen of it, as a place in the journal. @param {string} session @returns {number | undefined} */
export function seenOf(session) {
  return seen.get(session) ?? state.view?.rev;
}

/** The trial that a result is of; results of old rules do not hold the whole of it. @param {TrialResult} r @returns {Trial} */
export function about(r) {
  return r.about ?? { id: r.trial, locomotive: r.train, consist: r.consist };
}

/** @param {string} session '' for the one in the book @param {string} id */
export function trialIn(session, id) {
  if (!session || session === state.view?.session?.id) return state.trials.get(id)?.trial ?? null;
  return list(have.get(session)?.trials).map(about).find((t) => t.id === id) ?? null;
}

/** How many laps a trial has. @param {string} session @param {string} id */
export function lapsIn(session, id) {
  if (!session || session === state.view?.session?.id) return state.trials.get(id)?.result?.lap_count ?? 0;
  return list(have.get(session)?.trials).find((r) => r.trial === id)?.lap_count ?? 0;
}
