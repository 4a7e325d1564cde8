import { same, near } from './check.js';
import { figure, halfOf, perCent, rootOf, told, toldWords } from '../../page/js/setsknow.js';
import { markOfSet } from '../../page/js/setplot.js';
import { topOf } from '../../page/js/rollstrips.js';
import { adopted } from '../../page/js/wheels.js';

const e = (/** @type {number | null} */ value, /** @type {number | null} */ lo, /** @type {number | null} */ hi) => ({ value, lo, hi });

// The half width to two significant digits, the number to the same place (GUM,
// JCGM 100:2008, 7.2.6).
export function testSlipInPerCent() {
  same(perCent(e(0.0047643, -0.0018744, 0.011403)), '+0.48 ± 0.66', 'wider than itself');
  same(perCent(e(-0.02516, -0.0337, -0.0167)), '−2.52 ± 0.85', 'the wheels lag');
  same(figure(e(35.923, 35.883, 35.963)), '35.923 ± 0.040', 'a diameter');
  same(perCent(e(null, null, null)), '–', 'what cannot be had is no nought');
  same(perCent(e(0.01, null, null)), '+1.000', 'no interval');
  near(halfOf(e(1, 0.5, 2)), 0.75, 1e-12, 'half of a skew interval');
}

export function testWhatIsToldFromZero() {
  same([told(e(1, 0.1, 2)), told(e(-1, -2, -0.1)), told(e(0, -1, 1)), told(e(0, null, 1))], [true, true, false, null], 'told');
  same(toldWords(e(0.1, -1, 1)), 'not distinguishable from zero', 'across zero');
  same(toldWords(e(null, null, null)), 'cannot be told', 'nothing had');
}

export function testVariantsHaveOneRoot() {
  /** @type {any[]} */ const all = [{ id: 'a' }, { id: 'b', variant_of: 'a' }, { id: 'c', variant_of: 'b' }, { id: 'x', variant_of: 'y' }, { id: 'y', variant_of: 'x' }];
  same(['a', 'c', 'none'].map((id) => rootOf(id, all)), ['a', 'a', 'none'], 'roots');
  same(['x', 'y'].includes(rootOf('x', all)), true, 'a ring ends');
}

export function testMarksOfSetsDiffer() {
  for (const sets of [1, 2, 3]) {
    const most = 4 * Math.floor(8 / sets);
    const words = new Set(Array.from({ length: most * sets }, (_, i) => markOfSet(i % sets, sets, Math.floor(i / sets)).words));
    same(words.size, most * sets, `${sets} sets in ${most} trials`);
  }
}

export function testAStripKeepsAStartFromFlatteningIt() {
  const v = Array.from({ length: 100 }, (_, i) => (i < 5 ? 2 : 0.01));
  same(topOf([[v, v.map(() => 0.002), [], []]], 0), 2, '1 % with 0.4 % about it');
  same(topOf([[[], [], [], []]], 0), 1, 'a per cent at least');
}

export function testOnlyMeasuredWheelsAreAdopted() {
  /** @type {any} */ const l = { id: 'l', mass_g: 5, driver_sets: [{ id: 'front', motor: 'm1', wheel_diameter_mm: 36, weight_g: 7 }, { id: 'rear', motor: 'm2', wheel_diameter_mm: 30 }] };
  /** @type {any} */ const k = { circuit: 'c', laps: 6, u_mm: 0.02, own_u_mm: 0.01 };
  const got = adopted(l, /** @type {any} */ ([{ set: 'front', motor: 'm1', diameter_mm: { value: 35.9234567, u: 0.0204567 }, calibration: k }, { set: 'rear', motor: 'another', diameter_mm: { value: 31, u: 0.1 }, calibration: k }]));
  same(got.driver_sets, [{ id: 'front', motor: 'm1', wheel_diameter_mm: 35.92346, weight_g: 7, wheel_diameter_u_mm: 0.02046, calibration: k }, { id: 'rear', motor: 'm2', wheel_diameter_mm: 30 }], 'another motor is another set');
  same(got.mass_g, 5, 'the rest stays');
}
