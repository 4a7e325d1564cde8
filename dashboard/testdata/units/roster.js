// The roster: what differs in words, what was copied from what, sums of cars, and
// the bytes of files.
import { same } from './check.js';
import { differences, few, volts, plain } from '../../page/js/differ.js';
import { family, variantName } from '../../page/js/stock.js';
import { totals, carsAlike } from '../../page/js/consistform.js';
import { decoded } from '../../page/js/stockfile.js';

/** @param {string} id @param {number} gear */
const set = (id, gear) => ({ id, motor: 'm1', wheel_diameter_mm: 30, gear_ratio: gear, counts_per_motor_rev: 12 });
/** @param {object[]} sets */
const loco = (...sets) => /** @type {any} */ ({ id: 'x', name: 'X', mass_g: 450, driver_sets: sets });

export function testOneThingChanged() {
  same(differences('locomotive', loco(set('front', 18)), loco(set('front', 22))), ['gear ratio 18 → 22'], 'the only set needs no name');
  same(differences('locomotive', loco(set('front', 18), set('rear', 18)), loco(set('front', 18), set('rear', 22))), ['rear: gear ratio 18 → 22'], 'one set of two');
  same(differences('locomotive', loco(set('front', 18)), { ...loco(set('front', 18)), name: 'Y', variant_of: 'x' }), [], 'names do not count');
  same(differences('locomotive', loco(), { ...loco(), name: 'Y', owner: 'Ada', mass_g: 0 }, { names: true }), ['name “X” → “Y”', 'owner not stated → “Ada”', 'mass 450 g → not stated'], 'where they do');
  same(differences('locomotive', loco(set('front', 18)), loco({ ...set('front', 18), motor: 'm2', tyres: true, weight_g: 210 }), { motorName: (id) => `motor ${id}` }),
    ['motor motor m1 → motor m2', 'weight on these wheels not stated → 210 g', 'tyres none → fitted'], 'each with its unit');
  same(differences('locomotive', loco({ ...set('front', 18), tyres: false, weight_g: 0 }), loco(set('front', 18))), [], 'nothing stated is nothing stated');
}

export function testSetsComeAndGo() {
  same(differences('locomotive', loco(set('front', 18)), loco(set('front', 18), set('rear', 20))), ['driver set rear added, gear ratio 20'], 'one more');
  same(differences('locomotive', loco(set('front', 18), set('rear', 20)), loco(set('rear', 20))), ['driver set front taken out'], 'one less');
  same(differences('locomotive', loco(set('front', 18), set('rear', 20)), loco(set('rear', 20), set('front', 18))), ['driver sets in another order'], 'the other way round');
  same(differences('locomotive', loco(set('a', 18), set('a', 20)), loco(set('a', 18), set('a', 21))), ['a: gear ratio 20 → 21'], 'two of one name');
}

export function testCarsInWords() {
  /** @param {any[]} cars */
  const consist = (...cars) => /** @type {any} */ ({ id: 'c', name: 'C', cars });
  const coal = { mass_g: 80, axles: 2 };
  same(differences('consist', consist(coal, coal), consist(coal, coal, coal)), ['cars 2 → 3'], 'one more alike');
  same(differences('consist', consist(coal, coal), consist({ ...coal, mass_g: 95 }, { ...coal, mass_g: 95 })), ['each car: mass 80 g → 95 g'], 'all of them');
  same(differences('consist', consist(coal, coal), consist(coal, { ...coal, bearings: 'ball' })), ['car 2: bearings not stated → ball'], 'one of them');
  same(totals([coal, { length_mm: 110 }]), '2 cars · 80 g, 1 of unknown mass · 110 mm, 1 of unknown length', 'sums say what they lack');
  same(totals([]), 'no cars', 'none');
  same(carsAlike(1e9, coal).length, 500, 'never more than a consist may have');
}

export function testCurvesInWords() {
  const curve = { resistance_ohm: { value: 3.2012, lo: null, hi: null }, k_v_s: { value: 0.0085, lo: null, hi: null }, no_load_ma: { value: null, lo: null, hi: null }, source: 'throttle sweep', session: 's1' };
  const m = /** @type {any} */ ({ id: 'm1', name: 'Red', curve });
  same(differences('motor', m, { ...m, curve: undefined }), ['curve R 3.201 Ω, k 8.5 mV s (throttle sweep, s1) → none'], 'a curve that goes is told of');
  same(differences('motor', m, { ...m, curve: { ...curve, no_load_ma: { value: 60, lo: 59, hi: 61 } } }).length, 1, 'one that changes as well');
  same(differences('motor', m, { ...m }), [], 'and none where none did');
}

export function testFigures() {
  same([volts(3700), volts(1), plain(18.125), plain(0.1 + 0.2), plain(1e-7), plain(29.8)], [3.7, 0.001, '18.125', '0.3', '1e-7', '29.8'], 'as they were written');
  same(few(['a', 'b', 'c', 'd'], 3), ['a', 'b', 'and 2 more'], 'long lists');
}

export function testFamilies() {
  /** @param {string} id @param {string} [variant_of] */
  const of = (id, variant_of) => /** @type {any} */ ({ id, name: id.toUpperCase(), variant_of });
  const told = (/** @type {any[]} */ all) => family(all).map((l) => `${l.depth}${l.item.id}${l.origin ? `<${l.origin.id}` : ''}`);
  same(told([of('c', 'a'), of('b'), of('a'), of('d', 'c'), of('e', 'gone')]), ['0a', '1c<a', '2d<c', '0b', '0e'], 'variants stand beneath their origin');
  same(told([of('a', 'b'), of('b', 'a'), of('s', 's')]), ['0s', '0a<b', '1b<a'], 'rings lose nobody');
  same(variantName('Owl', ['Owl']), 'Owl, variant 2', 'the first copy');
  same(variantName('Owl, variant 2', ['Owl', 'Owl, variant 2', 'Owl, variant 3']), 'Owl, variant 4', 'a copy of a copy');
}

export function testBytesOfFiles() {
  const bytes = (/** @type {number[]} */ ...b) => decoded(new Uint8Array(b));
  same(bytes(0xef, 0xbb, 0xbf, 0x61, 0xc3, 0xbc).text, 'aü', 'UTF-8 with its mark');
  same(bytes(0xff, 0xfe, 0x61, 0, 0xfc, 0).text, 'aü', 'UTF-16');
  same(bytes(0xfe, 0xff, 0, 0x61, 0, 0xfc).text, 'aü', 'UTF-16, the other way round');
  const old = bytes(0x61, 0xfc, 0x80);
  same([old.text, old.note.includes('Windows-1252')], ['aü€', true], 'what old spreadsheets write is said');
}
