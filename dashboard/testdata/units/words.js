import { same } from './check.js';
import { lapTime, time, fixed, signed, speed, percent, decimals, trendWord, span, count, millis, DASH } from '../../page/js/format.js';
import { slug, validId, trialId } from '../../page/js/slug.js';
import { shortName } from '../../page/js/wall.js';
import { mark, assignMarks } from '../../page/js/marks.js';

export function testNumbersThatCannotBeHad() {
  for (const f of [lapTime(null, 0.1, true), time(undefined, 2), fixed(NaN, 1), signed(null, 2), speed(null, null, true), percent(null), count(undefined), millis(null), span(null)]) {
    same(f, DASH, 'a missing number');
  }
}

// An uncertainty is given to two significant digits at most, and the number to
// the same place (GUM, JCGM 100:2008, 7.2.6). What stands beside is the half
// width of a 95 % interval, 1.96 u (G.1.3): 1.96 x 0.0021 = 0.0041,
// 1.96 x 0.099 = 0.19, 1.96 x 3.4 = 6.7, 1.96 x 0.0051 = 0.0100.
export function testDigitsFollowUncertainty() {
  same(lapTime(12.3456, 0.0021, false), '12.346', 'u 2 ms');
  same(lapTime(12.3456, 0.099, false), '12.35', 'a tapped lap, u 99 ms');
  same(lapTime(12.3456, 0.099, true), '12.35 ± 0.19', 'a tapped lap with its interval');
  same(lapTime(12.3456, 0.0021, true), '12.3456 ± 0.0041', 'a measured lap with its interval');
  same(lapTime(12.3456, 0.0051, true), '12.346 ± 0.010', 'rounded up into another place');
  same(lapTime(62.3456, 8, true), '1:02 ± 16', 'as wide as it is');
  same(lapTime(12.3456, 1e-7, true), '12.345600 ± <0.000001', 'below the last digit');
  same(lapTime(12.3456, null, true), '12.35', 'an uncertainty that cannot be had');
  same(lapTime(12.3456, 3, false), '12.3', 'a tenth at least');
  same(decimals(0.1, false), 1, 'decimals of 0.1');
  same(speed(606.94, 3.4, true), '606.9 ± 6.7', 'speed');
  same(speed(606.94, 3.4, false), '607', 'speed alone');
}

export function testMinutes() {
  same(time(59.996, 2), '1:00.00', 'rounds up into a minute');
  same(time(125.4, 1), '2:05.4', 'two minutes');
  same(time(61, 0), '1:01', 'no decimals');
}

export function testSigns() {
  same(signed(0.0004, 3), '0.000', 'no sign on nothing');
  same(signed(-0.0004, 3), '0.000', 'no sign on nothing, from below');
  same(signed(0.031, 3), '+0.031', 'up');
  same(fixed(-1.5, 1), '−1.5', 'a true minus');
}

export function testTrendNeedsItsInterval() {
  same(trendWord({ value: 0.1, lo: 0.02, hi: 0.2 }), 'slowing', 'above 0');
  same(trendWord({ value: -0.1, lo: -0.2, hi: -0.02 }), 'quickening', 'below 0');
  same(trendWord({ value: 0.1, lo: -0.02, hi: 0.2 }), 'none shown', 'across 0');
  same(trendWord({ value: 0.1, lo: null, hi: null }), '', 'no interval');
}

export function testSlug() {
  same(slug('Grüne Lady No. 4', [], 'x'), 'grune-lady-no-4', 'accents and dots');
  same(slug('Straße', [], 'x'), 'strasse', 'sharp s');
  same(slug('機関車', [], 'locomotive'), 'locomotive', 'nothing is left');
  same(slug('Kestrel', ['kestrel', 'kestrel-2'], 'x'), 'kestrel-3', 'taken twice');
  const long = slug('a'.repeat(80), ['a'.repeat(32)], 'x');
  same([long.length, long.endsWith('-2'), validId(long)], [32, true, true], 'long and taken');
  for (const id of ['', '-a', 'A', 'a_b', 'a'.repeat(33)]) same(validId(id), false, `id ${id}`);
}

export function testTrialId() {
  const id = trialId('a-locomotive-with-a-long-name', new Date(2026, 0, 5, 9, 7, 3), []);
  same([id, validId(id)], ['a-locomotive-wit-260105-090703', true], 'trial id');
}

export function testShortNames() {
  same(['Kestrel', 'Long Meadow', 'Old Number Nine', 'Thunderhead'].map(shortName), ['Kestrel', 'L. Meadow', 'O. N. Ni.', 'Thunderh.'], 'short names');
  for (const n of ['', 'x'.repeat(50), 'one two three four five']) same(shortName(n).length <= 9, true, n);
}

export function testMarksDiffer() {
  const all = new Set(Array.from({ length: 32 }, (_, i) => mark(i).words));
  same(all.size, 32, 'marks that differ without colour');
}

export function testMarksStay() {
  const ids = Array.from({ length: 12 }, (_, i) => `engine-${i}`);
  const before = assignMarks(ids);
  const after = assignMarks([...ids, 'another']);
  same(ids.map((id) => before.get(id)), ids.map((id) => after.get(id)), 'marks after another locomotive');
  same(new Set([...after.values()].map((m) => m.words)).size, 13, 'no two the same');
  same(new Set(ids.slice(0, 6).map((id) => after.get(id)?.ink)).size, 6, 'six inks');
  same(assignMarks(['engine-1', 'engine-5']).get('engine-5')?.words, assignMarks(['engine-5']).get('engine-5')?.words, 'the same shape and pattern elsewhere');
  same(assignMarks(Array.from({ length: 40 }, (_, i) => `e${i}`)).size, 40, 'more locomotives than marks');
}
