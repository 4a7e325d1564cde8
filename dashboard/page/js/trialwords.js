// What a trial's sheet says in words: what was not written down, and what follows
// from a correction. Pure.
/** @import {Trial, Consist} from '../../types/wire.js' */
/** @import {Names} from './fields.js' */
import { differing, fieldWords, plain, valueWords } from './fields.js';

/** What fairness needs beside the locomotive and the direction, which always stand there. */
const NEEDED = ['load_g', 'battery', 'battery_v', 'throttle_permille', 'tyres', 'temperature_c'];

/** What was not written down of what a fair comparison needs. @param {Partial<Trial>} t @returns {string[]} */
export function unwritten(t) {
  /** @type {Record<string, unknown>} */
  const given = { ...t.conditions, battery: t.battery };
  return NEEDED.filter((k) => given[k] === undefined || given[k] === '').map((k) => fieldWords(`conditions.${k}`));
}

/** The mass of the cars, in g; null where one of them is not stated. @param {Consist | null} c */
export function massOf(c) {
  const cars = c?.cars ?? [];
  return cars.every((car) => car.mass_g) ? cars.reduce((sum, car) => sum + (car.mass_g ?? 0), 0) : null;
}

/** What stands behind the locomotive. @param {Consist | null} consist @param {unknown} extra g, if stated */
export function loadWords(consist, extra) {
  const mass = massOf(consist);
  const behind = consist ? `${consist.name || consist.id}: ${mass === null ? 'mass not stated' : `${plain(mass)} g`}` : 'nothing';
  if (typeof extra !== 'number') return `${behind}.`;
  return `${behind}, and ${plain(extra)} g of extra load${mass === null ? '' : `: ${plain(mass + extra)} g in all`}.`;
}

/** The conditions of a trial, each in words. @param {Trial} t @param {Names} names */
export function conditionWords(t, names) {
  const all = Object.entries(t.conditions ?? {}).map(([k, v]) => `${fieldWords(`conditions.${k}`)} ${valueWords(`conditions.${k}`, v, names)}`);
  return t.battery ? [`battery ${names('battery', t.battery)}`, ...all] : all;
}

/** How a trial is to end. @param {Trial} t */
export function endWords(t) {
  const ends = [];
  if (t.ends_after_laps) ends.push(`${t.ends_after_laps} ${t.ends_after_laps === 1 ? 'lap' : 'laps'}`);
  if (t.ends_after_s) ends.push(t.ends_after_s >= 60 ? `${plain(t.ends_after_s / 60)} min` : `${plain(t.ends_after_s)} s`);
  return ends.length ? `ends after ${ends.join(' or ')}` : '';
}

/** What is scored anew when these fields change. @type {[RegExp, string][]} */
const FOLLOWS = [
  [/^consist$/, 'The train has another length and load: its passages are matched again, and its results say so.'],
  [/^direction$/, 'Its crossings are read as those of a train running the other way: its laps are made again.'],
  [/^(from_us|to_us)$/, 'Crossings outside the new times are no longer its own, those within are: its laps are made again.'],
  [/^(tag|start_mm)$/, 'Which train passed when is told by something else: the laps of all trains out at that time are made again.'],
  [/^warmup_laps$/, 'Another number of first laps is left out of its figures.'],
  [/^(battery|conditions\..*)$/, 'Comparisons and exports hold the conditions as corrected; its laps stay.'],
  [/^entrant$/, 'Results name the entrant as corrected.'],
  [/^outcome$/, 'Whether it counts in standings changes with how it ended; its laps stay.'],
  [/^ends_after_/, 'It ends by another rule.'],
];

/** What follows from a correction, each once. @param {Partial<Trial>} was @param {Partial<Trial>} now @param {number} laps @param {Names} names */
export function follows(was, now, laps, names) {
  const out = [];
  if (was.locomotive !== now.locomotive) {
    out.push(`Its ${laps} ${laps === 1 ? 'lap is' : 'laps are'} ${names('locomotive', now.locomotive ?? '')}’s from then on and no longer ${names('locomotive', was.locomotive ?? '')}’s: board, results, history, standings and exports follow.`);
  }
  const changed = differing(was, now).map((r) => r.path);
  for (const [path, words] of FOLLOWS) if (changed.some((c) => path.test(c))) out.push(words);
  return out;
}
