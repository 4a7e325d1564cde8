import { near, same } from './check.js';
import { constants, noLoad, perVolt, rpm, stall, told, torque, uncertainty } from '../../page/js/curve.js';
import { changedLocomotive, changedSet, differs, lacking, question, unchanged, withCars } from '../../page/js/predictask.js';
import { stepAt, throttles } from '../../page/js/sweepplan.js';

const e = (/** @type {number | null} */ value, u = 0) => (value === null || !u ? { value, lo: null, hi: null } : { value, lo: value - 1.96 * u, hi: value + 1.96 * u, u });

// The relations of a direct-current motor (permanent magnets, brushed): U = R I + k w,
// T = k (I - I0). At 6 V, 3 ohm, 0.01 V s, 60 mA: free (6 - 0.18)/0.01 = 582 rad/s, held
// 2 A and 0.01 x 1.94 = 19.4 mN m; at half the free speed half that torque.
export function testWhatFollowsFromACurve() {
  const m = constants({ resistance_ohm: e(3), k_v_s: e(0.01), no_load_ma: e(60) });
  if (!m) throw new Error('no constants');
  near(noLoad(m, 6).value, 582, 1e-9, 'free');
  near(stall(m, 6).value, 2, 1e-12, 'held');
  near(torque(m, 6, 0).value, 0.0194, 1e-12, 'torque held');
  near(torque(m, 6, 291).value, 0.0097, 1e-12, 'half of it at half the speed');
  near(torque(m, 6, 582).value, 0, 1e-12, 'none when free');
  same(torque(m, 6, 0).lo, null, 'without uncertainties there is no interval');
  same(noLoad(m, 0.1).value, 0, 'below what turns it, it stands');
}

// Propagation of uncertainty, JCGM 100:2008, 5.1.2 and 5.2.2: stall current U/R with R = 3,
// u = 0.03 has u = 6/9 x 0.03 = 0.02; k alone gives torque held u = (2 - 0.06) u(k).
export function testUncertaintyOfWhatFollows() {
  const m = constants({ resistance_ohm: e(3, 0.03), k_v_s: e(0.01, 1e-12), no_load_ma: e(60, 1e-9) });
  near(m && stall(m, 6).u, 0.02, 1e-9, 'held current');
  const k = constants({ resistance_ohm: e(3, 1e-12), k_v_s: e(0.01, 0.0002), no_load_ma: e(60, 1e-9) });
  near(k && torque(k, 6, 0).u, 1.94 * 0.0002, 1e-9, 'torque held');
  const tied = constants({ resistance_ohm: e(3, 0.03), k_v_s: e(0.01, 0.0002), no_load_ma: e(60, 1e-9), covariance: [[9e-4, -6e-6, 0], [-6e-6, 4e-8, 0], [0, 0, 1e-18]] });
  near(tied && torque(tied, 6, 0).u, (0.01 * 2 * 0.03) / 3 + 1.94 * 0.0002, 1e-9, 'fully tied, opposite: the parts add');
  same(constants({ resistance_ohm: e(3), k_v_s: e(0), no_load_ma: e(60) }), null, 'a constant of nought is none');
}

// 1 V s is 60/(2 pi) rpm per volt, and the larger k is the fewer of them.
export function testConstantsInOtherWords() {
  const p = perVolt({ value: 0.01, lo: 0.008, hi: 0.0125 });
  near(p.value, 954.9297, 1e-4, 'rpm per volt');
  near(p.lo, 763.9437, 1e-4, 'its lower end is of the upper k');
  near(rpm(2 * Math.PI), 60, 1e-12, 'a turn a second');
  near(uncertainty({ value: 5, lo: 4.02, hi: 5.98 }), 0.5, 1e-12, 'of an interval');
  same(told({ value: 3.19812, lo: 3.1751, hi: 3.2212 }), { value: '3.198', interval: '3.175 to 3.221' }, 'digits follow the interval');
  same(told({ value: null, lo: null, hi: null }).value, '–', 'nothing is a dash');
}

export function testThrottlesOfASweep() {
  same(throttles(200, 800, 4), [200, 400, 600, 800, 600, 400, 200], 'up and down, the top once');
  same(stepAt([200, 400, 200], 3, 4.5), { i: 1, now: 400, next: 200, leftS: 1.5 }, 'in the middle of the second');
  same(stepAt([200, 400, 200], 3, -1).now, null, 'not begun');
  same(stepAt([200, 400, 200], 3, 9).i, 3, 'over');
}

const set = { id: 'front', motor: 'm1', wheel_diameter_mm: 30, wheel_diameter_u_mm: 0.01, gear_ratio: 10, counts_per_motor_rev: 12, weight_g: 400, adhesion: 0.3, adhesion_u: 0.02 };
const wren = { id: 'wren', name: 'Wren', mass_g: 900, driver_sets: [set] };

export function testAChangeTakesWithItWhatWasKnown() {
  same(changedSet(set, { wheel_diameter_mm: 28 }).wheel_diameter_u_mm, undefined, 'another wheel is not measured');
  same(changedSet(set, { gear_ratio: 12 }).wheel_diameter_u_mm, 0.01, 'the same wheel still is');
  same(changedSet(set, { tyres: true }).adhesion, undefined, 'tyres hold otherwise');
  same(changedLocomotive(wren, { mass_g: 1800, sets: {} }).driver_sets?.[0].weight_g, 800, 'weight goes with mass');
  same(differs(wren, null, unchanged()), false, 'nothing changed');
  same(differs(wren, null, { sets: { front: { gear_ratio: 10 } } }), false, 'moved and put back');
  same(differs(wren, null, { sets: { front: { gear_ratio: 11 } } }), true, 'another gear');
}

export function testCarsByCount() {
  const c = { id: 'two', name: 'Two', cars: [{ mass_g: 100 }, { mass_g: 50 }] };
  same(withCars(c, 4)?.cars, [{ mass_g: 100 }, { mass_g: 50 }, { mass_g: 50 }, { mass_g: 50 }], 'the last one again');
  same(withCars(c, 0), null, 'none is nothing behind');
  same(withCars(c, undefined), c, 'as it is');
  same(lacking({ ...wren, mass_g: 0 }, () => undefined), ['its mass', 'a curve of motor m1'], 'what is missing');
  same(Object.keys(question({ circuit: '', permille: 600, supplyMv: 8000, supplyOhm: 0, trial: '' }, wren, null)), ['locomotive', 'duty_permille', 'supply_mv'], 'only what is said');
}
