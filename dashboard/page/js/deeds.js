// Decisions in words: who reads "voided lap 7 of Heron, 14:03 trial" needs no JSON.
/** @import {Names} from './fields.js' */
import { clock } from './format.js';
import { differing, fieldWords, longPart, plain } from './fields.js';

/** @typedef {{locomotive?: string, from_us?: number}} TrialSeen as much of a trial as names it */
/** @typedef {(id: string) => TrialSeen | undefined} Trials */
/** @typedef {{what: string, value: any, before: any, names: Names, trials: Trials}} Deed a decision and what stood before it */

/** Kinds of things that hold beyond a session. */
export const DEFINED = ['circuit', 'locomotive', 'consist', 'motor', 'battery', 'margin'];

/** What a trial is called: its locomotive and when it began. @param {string} id @param {Trials} trials @param {Names} names */
export function trialWords(id, trials, names) {
  const t = trials(id);
  return t?.locomotive ? `${names('locomotive', t.locomotive)}, ${clock(t.from_us, false)} trial` : `trial ${id}`;
}

/** @param {Deed} d */
export function deedWords(d) {
  return (DEEDS[d.what] ?? (DEFINED.includes(d.what) ? defined : () => `decided on: ${d.what}`))(d);
}

/** @param {Deed} d */
function defined({ what, value, before, names }) {
  const id = value.id ?? value.circuit?.id;
  const name = value.name || value.circuit?.name || names(what, id);
  if (!before) return `wrote down ${what} ${name}`;
  const changed = fieldList(before, value);
  return `changed ${what} ${name}${changed ? `: ${changed}` : ''}`;
}

/** The fields that differ, a few of them by name. @param {unknown} a @param {unknown} b */
export function fieldList(a, b) {
  const names = [...new Set(differing(a, b).map((r) => fieldWords(longPart(r.path) || r.path)))];
  return names.slice(0, 3).join(', ') + (names.length > 3 ? ` and ${names.length - 3} more` : '');
}

/** @type {Record<string, (d: Deed) => string>} */
const DEEDS = {
  session: ({ value, before }) => `${value.closed_us && !before?.closed_us ? 'closed' : before?.closed_us && !value.closed_us ? 'opened again' : before ? 'changed' : 'opened'} session ${value.name || value.id}`,
  trial: trialDeed,
  lap: ({ value, names, trials }) => `${value.void ? 'voided' : 'restored'} lap ${value.lap} of ${trialWords(value.trial, trials, names)}`,
  note: ({ value, names, trials }) => `noted${value.trial ? ` on ${trialWords(value.trial, trials, names)}` : ''}: “${value.text}”`,
  order: ({ value, names, trials }) => `told the order of trains: ${(value.trials ?? []).map((/** @type {string} */ t) => names('locomotive', trials(t)?.locomotive ?? t)).join(', then ')}`,
  meet: ({ before }) => (before ? 'changed the meet' : 'wrote down the meet'),
  entry: ({ value, names, before }) => `${value.withdrawn ? 'withdrew' : before?.withdrawn ? 'entered again' : before ? 'changed the entry of' : 'entered'} ${names('locomotive', value.locomotive)} for ${value.person}`,
  plan: ({ value }) => `adopted a running order of ${value.runs?.length ?? 0} runs`,
  scoring: () => 'adopted other rules for the session',
  seal: () => 'signed the results',
  margin: ({ value, names }) => (value.lap_time_s ? `said that differences below ${plain(value.lap_time_s)} s a lap do not matter on ${names('circuit', value.circuit)}` : `left open what difference matters on ${names('circuit', value.circuit)}`),
  pull: pullDeed,
  undo: () => 'took a decision back',
};

/** @type {Record<string, string>} */
const STOOD = { turned: ', wheels turned', stopped: ', wheels stood' };

/** What an attempt to pull is called. @param {any} v @param {Names} names */
export function pullWords(v, names) {
  const load = v.before_g ? v.before_g - v.at_pull_g : v.load_g;
  const came = v.outcome ? `, ${v.outcome}${STOOD[v.wheels] ?? ''}` : ', read off a scale';
  return `pull of ${names('locomotive', v.locomotive)}: ${plain(load ?? 0)} g${came}`;
}

/** @param {Deed} d */
function pullDeed({ value, before, names }) {
  const words = pullWords(value, names);
  if (!before) return `took down a ${words}`;
  if (Boolean(value.void) !== Boolean(before.void)) return `${value.void ? 'voided' : 'restored'} a ${words}`;
  const changed = fieldList(before, value);
  return `corrected a ${words}${changed ? ` (${changed})` : ''}`;
}

/** @param {Deed} d */
function trialDeed({ value, before, names }) {
  const words = `${names('locomotive', value.locomotive)}, ${value.from_us ? `${clock(value.from_us, false)} ` : ''}trial`;
  if (!before) return `opened a trial of ${words.replace(/ trial$/, '').replace(/, trial$/, '').replace(/, /, ' at ')}`;
  if (value.void !== before.void && Boolean(value.void) !== Boolean(before.void)) return `${value.void ? 'voided' : 'restored'} ${words}`;
  if (value.outcome && value.outcome !== before.outcome) return `ended ${words}, as ${value.outcome}`;
  if (value.locomotive !== before.locomotive) return `corrected ${words}: it was ${names('locomotive', value.locomotive)}, not ${names('locomotive', before.locomotive)}`;
  const changed = fieldList(before, value);
  if (changed === fieldWords('to_us') && !before.to_us) return `closed ${words}`;
  if (changed === fieldWords('to_us') && !value.to_us) return `opened ${words} again`;
  return `corrected ${words}${changed ? `: ${changed}` : ''}`;
}
