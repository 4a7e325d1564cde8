import { same } from './check.js';
import { both, differing, fieldWords, flat, longPart, plain, valueWords } from '../../page/js/fields.js';
import { deedWords } from '../../page/js/deeds.js';
import { thing } from '../../page/js/conflict.js';
import { conditionWords, endWords, follows, loadWords, massOf, unwritten } from '../../page/js/trialwords.js';

const things = { heron: 'Heron', wren: 'Wren', coal: 'six coal cars', 'pack-a': 'Pack A' };
/** @param {string} kind @param {string} id */
const names = (kind, id) => /** @type {Record<string, string>} */ (things)[id] ?? id;
const at = new Date(2026, 5, 1, 14, 3, 20).getTime() * 1000;
const trial = { id: 't1', locomotive: 'heron', from_us: at };
/** @param {string} id */
const trials = (id) => (id === 't1' ? trial : undefined);
/** @param {string} what @param {any} value @param {any} [before] */
const deed = (what, value, before) => deedWords({ what, value, before, names, trials });

export function testFieldsAreFlattened() {
  same([...flat({ id: 'a', conditions: { tyres: 'new' }, cars: [{ mass_g: 120 }, {}] })], [['id', 'a'], ['conditions.tyres', 'new'], ['cars.0.mass_g', 120]], 'flat');
}

export function testOnlyWhatDiffersIsShown() {
  const mine = { id: 'heron', name: 'Heron', owner: '', mass_g: 900, driver_sets: [{ id: 'front', gear_ratio: 10 }] };
  const now = { id: 'heron', name: 'Heron', mass_g: 950, driver_sets: [{ id: 'front', gear_ratio: 12 }] };
  same(differing(mine, now).map((r) => [fieldWords(r.path), valueWords(r.path, r.a, names), valueWords(r.path, r.b, names)]),
    [['mass', '900 g', '950 g'], ['driver set 1, gear ratio', '10', '12']], 'two locomotives');
  same(differing({ length_mm: 0, note: '' }, {}), [], 'nought and nothing are the same');
  same(differing({ start_mm: 0 }, {}).length, 1, 'a starting place of 0 mm is a place');
  same(differing({ conditions: { load_g: 0 } }, {}).length, 1, 'no extra load is not the same as not stated');
}

export function testValuesInWords() {
  const say = (/** @type {string} */ path, /** @type {unknown} */ v) => `${fieldWords(path)}: ${valueWords(path, v, names)}`;
  same(say('conditions.throttle_permille', 525), 'throttle: 52.5 %', 'permille');
  same(say('conditions.battery_v', 7.4), 'voltage at start: 7.4 V', 'volt');
  same(say('conditions.temperature_c', -2), 'temperature: −2 °C', 'degrees');
  same(say('conditions.lubrication', 'graphite'), 'lubrication: graphite', 'a free one');
  same(say('consist', 'coal'), 'consist: six coal cars', 'a thing by name');
  same(say('from_us', at), 'began: 2026-06-01 14:03:20', 'an instant');
  same(say('to_us', 0), 'ended: not yet', 'an open end');
  same(say('void', false), 'void: no', 'a no');
  same(say('ends_after_s', 180), 'ends after: 3 min', 'minutes');
  same([say('lap_time_s', 0.1), say('load_g', 210), say('speed_mm_s', 90), say('before_g', 1500), say('by_telemetry', true)], ['least difference of lap times that matters: 0.1 s', 'load: 210 g', 'speed: 90 mm/s', 'the scale before: 1500 g', 'by telemetry: yes'], 'of what matters and of pulls');
  same(say('curve.k_v_s.value', 0.008503), 'curve, k in V s, value: 0.0085', 'a small figure has digits');
  same(say('curve.steps.2.speed_rad_s', 812.5), 'curve, step 3, speed in rad/s: 812.5', 'radians a second are no seconds');
  same([say('trials.0', 't1'), say('driver_sets.0.calibration.trials.0', 't1')], ['train 1: t1', 'driver set 1, calibration, trial 1: t1'], 'an order is of trains, a calibration from trials');
  same(say('resistance.b_per_s', 0.03), 'resistance, b in 1/s: 0.03', 'nor is one over a second');
  same([plain(100), plain(7.25), plain(0.1234), plain(-3), plain(10.5)], ['100', '7.25', '0.123', '−3', '10.5'], 'decimals that are there');
}

export function testManyFiguresAreOnePart() {
  same(['curve.steps.2.speed_rad_s', 'curve.covariance.0.1', 'curve.k_v_s.value', 'cars.0.mass_g'].map(longPart), ['curve.steps', 'curve.covariance', '', ''], 'parts');
  const step = (/** @type {number} */ mv) => ({ voltage_mv: mv, current_ma: mv / 10, speed_rad_s: mv / 5 });
  same(deed('motor', { id: 'm1', name: 'M', curve: { source: 'sweep', steps: [step(100), step(200)] } }, { id: 'm1', name: 'M' }), 'changed motor M: curve, source, curve, steps', 'steps are named once');
}

export function testBothChangesStandWhenTheyDoNotTouch() {
  const base = { id: 'heron', name: 'Heron', mass_g: 900 };
  same(both(base, { ...base, owner: 'Ada' }, { ...base, mass_g: 950 }), { id: 'heron', name: 'Heron', mass_g: 950, owner: 'Ada' }, 'two fields');
  same(both(base, { ...base, mass_g: 910 }, { ...base, mass_g: 950 }), null, 'one field');
  same(both(base, { ...base, mass_g: 950 }, { ...base, mass_g: 950 }), { id: 'heron', name: 'Heron', mass_g: 950 }, 'the same change');
  const t = { conditions: { tyres: 'new' } };
  same(both(t, { conditions: { tyres: 'new', load_g: 200 } }, { conditions: { tyres: 'old' } }), { conditions: { tyres: 'old', load_g: 200 } }, 'within the conditions');
  const s = { driver_sets: [{ gear_ratio: 10 }] };
  same(both(s, { driver_sets: [{ gear_ratio: 11 }] }, { driver_sets: [{ gear_ratio: 10, tyres: true }] }), null, 'lists are taken whole');
}

export function testDecisionsInWords() {
  same(deed('lap', { trial: 't1', lap: 7, void: true }), 'voided lap 7 of Heron, 14:03 trial', 'a lap');
  same(deed('lap', { trial: 't1', lap: 7, void: false }), 'restored lap 7 of Heron, 14:03 trial', 'a lap again');
  same(deed('trial', trial), 'opened a trial of Heron at 14:03', 'opening');
  same(deed('trial', { ...trial, to_us: at + 1 }, trial), 'closed Heron, 14:03 trial', 'closing');
  same(deed('trial', { ...trial, to_us: at + 1, outcome: 'stalled' }, trial), 'ended Heron, 14:03 trial, as stalled', 'a stall');
  same(deed('trial', { ...trial, void: true }, trial), 'voided Heron, 14:03 trial', 'void');
  same(deed('trial', { ...trial, void: false }, { ...trial, void: true }), 'restored Heron, 14:03 trial', 'restored');
  same(deed('trial', { ...trial, locomotive: 'wren' }, trial), 'corrected Wren, 14:03 trial: it was Wren, not Heron', 'the wrong locomotive');
  same(deed('trial', { ...trial, direction: 'reverse', conditions: { load_g: 100 } }, trial), 'corrected Heron, 14:03 trial: direction, extra load', 'fields');
  same(deed('locomotive', { id: 'heron', name: 'Heron', mass_g: 950 }, { id: 'heron', name: 'Heron', mass_g: 900 }), 'changed locomotive Heron: mass', 'a locomotive');
  same(deed('circuit', { circuit: { id: 'oval', name: 'Oval' }, gates: [] }), 'wrote down circuit Oval', 'a circuit');
  same(deed('session', { id: 's', name: 'Evening', closed_us: 5 }, { id: 's', name: 'Evening' }), 'closed session Evening', 'a close');
  same(deed('session', { id: 's', name: 'Evening' }, { id: 's', name: 'Evening', closed_us: 5 }), 'opened again session Evening', 'a reopening');
  same(deed('note', { trial: 't1', text: 'rain' }), 'noted on Heron, 14:03 trial: “rain”', 'a note');
  same(deed('margin', { circuit: 'oval', lap_time_s: 0.1 }), 'said that differences below 0.1 s a lap do not matter on oval', 'what matters');
  same(deed('margin', { circuit: 'oval', lap_time_s: 0 }, { circuit: 'oval', lap_time_s: 0.1 }), 'left open what difference matters on oval', 'what matters, taken away');
  const pull = { id: 'p1', locomotive: 'heron', load_g: 210, outcome: 'stalled', wheels: 'turned' };
  same(deed('pull', pull), 'took down a pull of Heron: 210 g, stalled, wheels turned', 'an attempt');
  same(deed('pull', { ...pull, void: true }, pull), 'voided a pull of Heron: 210 g, stalled, wheels turned', 'a void attempt');
  same(deed('pull', { ...pull, void: false }, { ...pull, void: true }), 'restored a pull of Heron: 210 g, stalled, wheels turned', 'an attempt again');
  same(deed('pull', { ...pull, load_g: 220 }, pull), 'corrected a pull of Heron: 220 g, stalled, wheels turned (load)', 'a corrected attempt');
  same(deed('pull', { id: 'p2', locomotive: 'heron', method: 'static', before_g: 1500.4, at_pull_g: 1240.3 }), 'took down a pull of Heron: 260.1 g, read off a scale', 'a reading');
  same(deed('lap', { trial: 'gone', lap: 1, void: true }), 'voided lap 1 of trial gone', 'a trial nobody knows');
}

export function testWhatIsNotWrittenDown() {
  same(unwritten({}), ['extra load', 'battery', 'voltage at start', 'throttle', 'tyres', 'temperature'], 'nothing');
  same(unwritten({ battery: 'pack-a', conditions: { load_g: 0, battery_v: 7.4, throttle_permille: 500, tyres: 'new' } }), ['temperature'], 'all but one; no load is a load');
}

export function testLoadIsSaid() {
  const coal = { id: 'coal', name: 'six coal cars', cars: [{ mass_g: 120 }, { mass_g: 130 }] };
  same(massOf(coal), 250, 'mass');
  same(massOf({ ...coal, cars: [{ mass_g: 120 }, {}] }), null, 'a car that nobody weighed');
  same(loadWords(coal, 200), 'six coal cars: 250 g, and 200 g of extra load: 450 g in all.', 'both');
  same(loadWords(null, undefined), 'nothing.', 'a light engine');
}

export function testTrialsInWords() {
  same(conditionWords({ ...trial, battery: 'pack-a', conditions: { throttle_permille: 500, lubrication: 'oil' } }, names), ['battery Pack A', 'throttle 50 %', 'lubrication oil'], 'conditions');
  same([endWords({ ...trial, ends_after_laps: 3 }), endWords({ ...trial, ends_after_s: 150 }), endWords(trial)], ['ends after 3 laps', 'ends after 2.5 min', ''], 'ends');
}

export function testWhatFollowsIsSaid() {
  const now = { ...trial, locomotive: 'wren', conditions: { tyres: 'new' } };
  const said = follows(trial, now, 14, names);
  same([said.length, said[0].startsWith('Its 14 laps are Wren’s from then on and no longer Heron’s'), said[1].includes('its laps stay')], [2, true, true], 'another locomotive');
  same(follows(trial, { ...trial }, 14, names), [], 'nothing changed');
}

export function testWhatADecisionIsAbout() {
  same([thing({ what: 'margin', value: { circuit: 'oval', lap_time_s: 0.1 }, why: '' }), thing({ what: 'pull', value: { id: 'p1' }, why: '' }), thing({ what: 'circuit', value: { circuit: { id: 'oval' } }, why: '', session: 's1' })], ['margin/oval', 'pull/p1', 'circuit/oval@s1'], 'as the audit names it');
}
