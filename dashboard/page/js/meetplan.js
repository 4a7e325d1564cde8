// The running order of a meet, as far as it has come: what each run is, who is
// next, whether the order still fits who is entered, and how balanced it is.
// Pure: facts in, facts out.
/** @import {Entry, Meet, Plan, Run, Trial} from '../../types/wire.js' */
import { list } from './merge.js';

/** @typedef {'made' | 'running' | 'skipped' | 'withdrawn' | 'due'} How */
/** @typedef {{run: Run, number: number, how: How, entry: Entry | undefined, trial: Trial | undefined}} Turn a run in its place, number counting from 1 */

/**
 * Which trial stands for a run: a void one stands for none, so that its run is
 * due again.
 * @param {Iterable<Trial>} trials @returns {Map<string, Trial>}
 */
export function begun(trials) {
  /** @type {Map<string, Trial>} */ const by = new Map();
  for (const t of trials) if (t.run && !t.void) by.set(t.run, t);
  return by;
}

/** @param {Plan | null | undefined} plan @param {Iterable<Trial>} trials @param {Entry[] | null | undefined} entries @returns {Turn[]} */
export function turns(plan, trials, entries) {
  const by = begun(trials);
  const who = new Map(list(entries).map((e) => [e.id, e]));
  return list(plan?.runs).map((run, i) => {
    const [trial, entry] = [by.get(run.id), who.get(run.entry)];
    return { run, number: i + 1, how: howOf(run, trial, entry), entry, trial };
  });
}

/** @param {Run} run @param {Trial | undefined} trial @param {Entry | undefined} entry @returns {How} */
function howOf(run, trial, entry) {
  if (trial) return trial.to_us ? 'made' : 'running';
  if (run.skipped) return 'skipped';
  return !entry || entry.withdrawn ? 'withdrawn' : 'due';
}

/** The runs still to come, the next first. @param {Turn[]} all */
export function due(all) {
  return all.filter((t) => t.how === 'due');
}

/** May it be run or skipped now: it is of the round that is being run. @param {Turn} turn @param {Turn[]} all */
export function inRound(turn, all) {
  return turn.how === 'due' && turn.run.round === due(all)[0]?.run.round;
}

/** @typedef {{withdrew: string[], came: string[], meet: boolean}} Misfit entries by id; meet: its rounds or battery swaps are others now */

/**
 * Why the runs to come are not those that would be drawn now; null when they are.
 * A round of which no run is left is over, as is one before that begun last: nobody
 * is missing in it.
 * @param {Plan | null | undefined} plan @param {Turn[]} all @param {Entry[] | null | undefined} entries @param {Meet | null | undefined} meet
 * @returns {Misfit | null}
 */
export function misfit(plan, all, entries, meet) {
  if (!plan || !meet) return null;
  const toCome = all.filter((t) => t.how === 'due' || t.how === 'withdrawn');
  const last = Math.max(0, ...all.filter((t) => !toCome.includes(t)).map((t) => t.run.round));
  const left = new Set(toCome.map((t) => t.run.round).filter((r) => r >= last));
  for (let r = Math.max(0, ...all.map((t) => t.run.round)) + 1; r <= meet.rounds; r++) left.add(r);
  const planned = new Set(all.map((t) => `${t.run.round} ${t.run.entry}`));
  const missing = (/** @type {Entry} */ e) => [...left].some((r) => !planned.has(`${r} ${e.id}`));
  const withdrew = new Set(toCome.filter((t) => t.how === 'withdrawn').map((t) => t.run.entry));
  const came = list(entries).filter((e) => !e.withdrawn && missing(e)).map((e) => e.id);
  const other = left.size > 0 && (plan.rounds !== meet.rounds || (plan.swap_every ?? 0) !== (meet.swap_every ?? 0));
  return withdrew.size || came.length || other ? { withdrew: [...withdrew], came, meet: other } : null;
}

/**
 * What a drawn order keeps of the one that stands, and what it changes.
 * @param {Turn[]} all @param {Plan} drawn
 */
export function difference(all, drawn) {
  const had = new Set(all.map((t) => t.run.id));
  const runs = list(drawn.runs);
  const stays = runs.filter((r) => had.has(r.id));
  const news = runs.filter((r) => !had.has(r.id));
  const kept = new Set(stays.map((r) => r.id));
  const count = (/** @type {Run[]} */ of) => of.reduce((m, r) => m.set(r.entry, (m.get(r.entry) ?? 0) + 1), /** @type {Map<string, number>} */ (new Map()));
  const before = count(all.filter((t) => (t.how === 'due' || t.how === 'withdrawn') && !kept.has(t.run.id)).map((t) => t.run));
  const after = count(news);
  const entries = [...new Set([...before.keys(), ...after.keys()])];
  const changed = entries.map((entry) => ({ entry, before: before.get(entry) ?? 0, after: after.get(entry) ?? 0 })).filter((c) => c.before !== c.after);
  return { stays, news, changed };
}

/** @typedef {{entries: string[], atPlace: number[][], before: number[][], place: [number, number], pair: [number, number]}} Balance */

/**
 * How often each entry stands at each place of a round (atPlace[entry][place-1])
 * and runs directly before each other one in a round (before[entry][other]),
 * with the least and the most of both. Entries are sorted by id. Runs may be
 * left out: the one before and the one after are then no neighbours.
 * @param {Run[]} runs in the order they run @returns {Balance}
 */
export function balance(runs) {
  const entries = [...new Set(runs.map((r) => r.entry))].sort();
  const index = new Map(entries.map((e, i) => [e, i]));
  const at = (/** @type {Run} */ r) => index.get(r.entry) ?? 0;
  const places = Math.max(0, ...runs.map((r) => r.place));
  const atPlace = entries.map(() => new Array(places).fill(0));
  const before = entries.map(() => new Array(entries.length).fill(0));
  runs.forEach((r, i) => {
    atPlace[at(r)][r.place - 1]++;
    const last = runs[i - 1];
    if (last && last.round === r.round && last.place === r.place - 1) before[at(last)][at(r)]++;
  });
  const pairs = before.flatMap((row, i) => row.filter((_, k) => k !== i));
  return { entries, atPlace, before, place: extremes(atPlace.flat()), pair: extremes(pairs) };
}

/** @param {number[]} counts @returns {[number, number]} */
function extremes(counts) {
  let [least, most] = [Infinity, 0];
  for (const n of counts) [least, most] = [Math.min(least, n), Math.max(most, n)];
  return [counts.length ? least : 0, most];
}

/** @param {number} n */
const times = (n) => (n === 0 ? 'never' : n === 1 ? 'once' : n === 2 ? 'twice' : `${n} times`);
/** @param {[number, number]} range */
const between = ([a, b]) => (a === b ? times(a) : `${times(a)} to ${times(b)}`);

/**
 * The design in words, with the balance that was reached and not the one hoped
 * for. Most is how many rounds a whole Williams design of so many entries has.
 * @param {Plan} plan @param {Balance} b
 */
export function designWords(plan, b) {
  const n = b.entries.length;
  if (n < 2) return n ? 'One entry alone: there is nothing to balance.' : 'Nobody is in it.';
  const counts = `each entry stands at each place ${between(b.place)}, and runs directly after each other one ${between(b.pair)}`;
  const even = b.place[0] === b.place[1] && b.pair[0] === b.pair[1];
  if (plan.design === 'williams' && even) return `Williams square: every entry is in every place equally often, and runs after every other equally often. Here ${counts}.`;
  if (plan.design === 'williams') return `Williams square for the rounds drawn last; entries came or withdrew, so over the whole meet ${counts}.`;
  const whole = n % 2 ? 2 * n : n;
  const fit = plan.rounds % whole ? ` A Williams square of ${n} entries takes ${whole} rounds, or a multiple of them.` : '';
  return `Randomised blocks: every entry runs once a round, in the most balanced of several random orders. Here ${counts}.${fit}`;
}

/** Letters as a reader counts them, so that none is cut in two. */
const letters = new Intl.Segmenter(undefined, { granularity: 'grapheme' });

/** The beginning of a name, in at most so many letters. @param {string} name @param {number} most */
export function cut(name, most) {
  const all = [...letters.segment(name)].map((x) => x.segment);
  return all.length <= most ? name : all.slice(0, most - 1).join('').trimEnd() + '.';
}

/** A name in at most so many letters: earlier words become initials, or the first of them alone; the last is cut. @param {string} name @param {number} most */
export function short(name, most) {
  const first = (/** @type {string} */ w) => [...letters.segment(w)][0].segment;
  const fits = (/** @type {string} */ s) => cut(s, most) === s;
  if (fits(name)) return name;
  const words = name.trim().split(/\s+/);
  const last = words.pop() ?? '';
  for (const before of [words, words.slice(0, 1)]) {
    const some = [...before.map((w) => first(w) + '.'), last].join(' ');
    if (fits(some)) return some;
  }
  return cut(last, most);
}
