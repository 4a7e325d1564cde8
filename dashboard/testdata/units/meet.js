import { same } from './check.js';
import { begun, turns, due, inRound, misfit, difference, balance, designWords, short, cut } from '../../page/js/meetplan.js';
import { fieldsOf, readList, Roster, locomotiveNames } from '../../page/js/meetlist.js';
import { figure, interval, place, tieWords, groups } from '../../page/js/meetfigures.js';

/** Runs of entries named by letters, a word a round. @param {string} rounds @returns {any[]} */
const runs = (rounds) => rounds.split(' ').flatMap((word, r) => [...word].map((entry, p) => ({ id: `run-${r}-${entry}`, round: r + 1, place: p + 1, entry })));
/** @param {string} ids @param {string} [withdrawn] @returns {any[]} */
const entries = (ids, withdrawn = '') => [...ids].map((id) => ({ id, person: id.toUpperCase(), locomotive: 'l' + id, withdrawn: withdrawn.includes(id) }));
/** @param {string} rounds @param {any} [more] @returns {any} */
const plan = (rounds, more) => ({ seed: 1, design: 'williams', rounds: rounds.split(' ').length, runs: runs(rounds), ...more });
/** @param {any} [more] @returns {any} */
const meet = (more) => ({ classes: [], rank: 'mean_time', rounds: 4, ...more });

export function testAVoidTrialStandsForNoRun() {
  const trials = /** @type {any[]} */ ([{ id: 't1', run: 'r1', to_us: 5 }, { id: 't2', run: 'r2', void: true, to_us: 5 }, { id: 't3' }]);
  same([...begun(trials).keys()], ['r1'], 'runs begun');
}

export function testHowEachRunStands() {
  const p = plan('abcd bdac');
  p.runs[2].skipped = true;
  p.runs[0].skipped = true; // and made all the same
  const trials = /** @type {any[]} */ ([{ id: 't1', run: 'run-0-a', to_us: 9 }, { id: 't2', run: 'run-0-b' }]);
  const all = turns(p, trials, entries('abcd', 'd'));
  same(all.map((t) => t.how), ['made', 'running', 'skipped', 'withdrawn', 'due', 'withdrawn', 'due', 'due'], 'how');
  same(due(all).map((t) => t.number), [5, 7, 8], 'who is next');
  same(all.filter((t) => inRound(t, all)).map((t) => t.number), [5, 7, 8], 'of the round that is being run');
  const first = turns(plan('ab ba'), [], entries('ab'));
  same(first.filter((t) => inRound(t, first)).map((t) => t.number), [1, 2], 'later rounds wait');
  same(turns(null, [], []), [], 'no order');
}

export function testAnOrderFitsOrNot() {
  const four = 'abdc bcad cdba dacb';
  const look = (/** @type {any} */ p, /** @type {any[]} */ trials, /** @type {any[]} */ who, /** @type {any} */ m) => misfit(p, turns(p, trials, who), who, m);
  same(look(plan(four), [], entries('abcd'), meet()), null, 'as drawn');
  same(look(plan(four), [], entries('abcd', 'b'), meet()), { withdrew: ['b'], came: [], meet: false }, 'one withdrew');
  same(look(plan(four), [], entries('abcde'), meet()), { withdrew: [], came: ['e'], meet: false }, 'one came');
  same(look(plan(four), [], entries('abcd'), meet({ rounds: 5 }))?.meet, true, 'another round');
  same(look(plan(four), [], entries('abcd'), meet({ swap_every: 2 }))?.meet, true, 'batteries');
  const ran = runs('ab ba').map((r, i) => ({ id: `t${i}`, run: r.id, to_us: 1 }));
  same(look(plan('ab ba'), ran, entries('abc'), meet({ rounds: 2 })), null, 'too late for any round');
  same(look(plan('ab ba'), ran.slice(0, 3), entries('abc'), meet({ rounds: 2 }))?.came, ['c'], 'in time for the round that is being run');
  same(look(plan('ab ba'), ran.slice(0, 3), entries('ab', 'a'), meet({ rounds: 2 }))?.withdrew, ['a'], 'a run to come of one that withdrew');
  same(look(plan('ab ba'), ran, entries('ab', 'a'), meet({ rounds: 2 })), null, 'withdrew when all was over');
  same(look(plan('ab ba ab'), /** @type {any[]} */ (ran.slice(1, 3)), entries('ab'), meet({ rounds: 3 })), null, 'a run of an earlier round, owed');
  same(look(null, [], entries('ab'), meet()), null, 'not drawn');
}

export function testWhatADrawnOrderChanges() {
  const old = plan('abc bca');
  const all = turns(old, /** @type {any[]} */ ([{ id: 't', run: 'run-0-a', to_us: 1 }]), entries('abcd', 'b'));
  const drawn = plan('abc bca', { runs: [old.runs[0], ...['d', 'c', 'c', 'a', 'd'].map((entry, i) => ({ id: `run-9${i}`, round: 2, place: i + 1, entry }))] });
  const d = difference(all, drawn);
  same([d.stays.length, d.news.length], [1, 5], 'stays and changes');
  same(difference(all, plan('abc bca', { runs: old.runs })).changed, [], 'what keeps its id stays');
  same(d.changed, [{ entry: 'b', before: 2, after: 0 }, { entry: 'd', before: 0, after: 2 }], 'by entry');
}

// The square of four that Williams (1949) gives as an example of a design balanced for
// carry-over, rows 0132 1203 2310 3021: from memory; that it is balanced is counted by hand.
export function testBalanceOfAWilliamsSquare() {
  const b = balance(runs('abdc bcad cdba dacb'));
  same([b.place, b.pair], [[1, 1], [1, 1]], 'each at each place, and after each other, once');
  const un = balance(runs('ab ab'));
  same([un.atPlace, un.before, un.place, un.pair], [[[2, 0], [0, 2]], [[0, 2], [0, 0]], [0, 2], [0, 2]], 'the same round twice');
  same(balance(runs('abc').filter((r) => r.entry !== 'b')).before, [[0, 0], [0, 0]], 'those beside one left out are no neighbours');
  same(balance([]).place, [0, 0], 'nobody');
}

export function testTheDesignIsSaidAsItCameOut() {
  const says = (/** @type {any} */ p, /** @type {string} */ want) => {
    const words = designWords(p, balance(p.runs));
    if (!words.includes(want)) throw new Error(`${words} does not say ${want}`);
  };
  says(plan('abdc bcad cdba dacb'), 'every entry is in every place equally often, and runs after every other equally often');
  says(plan('abdc bcad cdba dabc'), 'for the rounds drawn last');
  says(plan('abc cab', { design: 'blocks' }), 'takes 6 rounds');
  says(plan('abc cab', { design: 'blocks' }), 'at each place never to once');
  says(plan('a a'), 'nothing to balance');
}

export function testShortNamesKeepWholeLetters() {
  same(['Ada Fell', 'Wilhelmina Fell', 'Ada Maria van Fell', 'Featherstonehaugh', 'Å Ørjansen-Lindqvistdottir'].map((n) => short(n, 12)), ['Ada Fell', 'W. Fell', 'A. Fell', 'Featherston.', 'Ørjansen-Li.'], 'names');
  same(cut('👩‍🚒👩‍🚒👩‍🚒👩‍🚒', 3), '👩‍🚒👩‍🚒.', 'letters of many parts stay whole');
  same([short('', 5), short('<img src=x>', 8)], ['', 'src=x>'], 'odd names');
}

export function testFieldsOfALine() {
  same(fieldsOf('Ada Fell, Kestrel ,Narrow'), ['Ada Fell', 'Kestrel', 'Narrow'], 'commas');
  same(fieldsOf('Fell, Ada\tKestrel\t'), ['Fell, Ada', 'Kestrel', ''], 'tabs go first');
  same(fieldsOf('Fell, Ada; Kestrel; Open'), ['Fell, Ada', 'Kestrel', 'Open'], 'semicolons before commas');
  same(fieldsOf('"Fell, Ada","the ""Owl""",Open'), ['Fell, Ada', 'the "Owl"', 'Open'], 'quoted');
  same(fieldsOf('Ada,12" gun,Open'), ['Ada', '12" gun', 'Open'], 'a quote inside is itself');
  same(fieldsOf('=SUM(A1),=1+1'), ['=SUM(A1)', '=1+1'], 'a formula is text');
}

/** @type {any[]} */
const roster = [{ id: 'kestrel', name: 'Kestrel' }, { id: 'wren', name: 'Wren' }, { id: 'wren-2', name: 'Wren' }];

export function testLocomotivesAreFoundByWhatTheyAreCalled() {
  same([...locomotiveNames(roster).values()], ['Kestrel', 'Wren (wren)', 'Wren (wren-2)'], 'two of one name say which');
  const r = new Roster(roster);
  same(['KESTREL', 'wren', 'Wren (wren-2)', 'wren-2', 'Owl'].map((w) => r.find(w)), ['kestrel', 'wren', 'wren-2', 'wren-2', ''], 'found');
  same([r.add('Owl'), r.find('owl'), r.add('Wren!')], ['owl', 'owl', 'wren-3'], 'new ones take ids of their own');
}

export function testAListIsRead() {
  const text = 'Ada Fell, Kestrel, Narrow gauge\r\n\n,Kestrel\nBo,,open\nBo, Owl, ng\nCy, owl, nothing\nDi, OWL\nEd, Wren, ng, and more\n' + 'é'.repeat(101) + ', Wren';
  const got = readList(text, roster, [{ id: 'ng', name: 'Narrow gauge' }]);
  same(got.entries.map((e) => [e.line, e.person, e.locomotive, e.name, e.class]), [[1, 'Ada Fell', 'kestrel', '', 'ng'], [5, 'Bo', 'owl', 'Owl', 'ng'], [7, 'Di', 'owl', '', '']], 'entries; Owl is new once');
  same(got.bad.map((b) => [b.line, b.why]), [[3, 'the person is missing'], [4, 'the locomotive is missing'], [6, 'the meet has no class “nothing”'], [8, 'there is more than person, locomotive and class'], [9, 'a name is longer than 200 bytes']], 'lines that cannot be');
}

/** @param {number} p @param {string} person @param {boolean} [tied] @returns {any} */
const stands = (p, person, tied = false) => ({ place: p, person, tied, value: { value: 12.0123, lo: null, hi: null } });

export function testFiguresPlacesAndTies() {
  same([figure('mean_time', 62.3456), figure('evenness', 0.0123456), figure('mean_time', null)], ['1:02.346', '1.235', '–'], 'to 1 ms and 0.001 %');
  same(interval('mean_time', stands(1, 'A')), '–', 'of one trial there is none');
  same(interval('mean_time', { ...stands(1, 'A'), value: { value: 12, lo: 11.9, hi: 12.1 } }), '11.900 to 12.100', 'interval');
  same([stands(2, 'A', true), stands(3, 'B'), stands(0, 'C')].map(place), ['2 =', '3', '–'], 'places');
  const c = /** @type {any} */ ({ standings: [stands(1, 'A'), stands(2, 'B', true), stands(2, 'C', true), stands(4, 'D')] });
  same(tieWords(c, 'mean_time'), 'Place 2 is shared by B and C: their figures are the same to 1 ms, and as many places after are left out.', 'a tie');
  same(tieWords(/** @type {any} */ ({ standings: null }), 'mean_time'), '', 'nobody');
  same(groups('0123456789abcdef'), ['01234567', '89abcdef'], 'a digest');
}
