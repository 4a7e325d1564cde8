// Wheels measured by a light, slow run: why and how, which trials, what they say
// of each diameter, and putting it into the roster.
/** @import {Results, TrialResult, Locomotive, DriverSet, WheelCheck} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { ask, Refused } from './api.js';
import { again } from './again.js';
import { attempt } from './decide.js';
import { clock, fixed, known, lapTime, speed, DASH } from './format.js';
import { consistName, locomotiveName } from './returns.js';
import { stockItem, write } from './stock.js';
import { figure, halfOf } from './setsknow.js';

/** What is asked, and what came. */
const run = {
  /** counts what is drawn from */ version: 0, key: '', busy: false, refused: '', written: '',
  /** @type {Set<string>} */ trials: new Set(),
  /** @type {WheelCheck[] | null} */ checks: null,
  /** locomotive of the checks, and the place in the journal that they are true at */ of: '', rev: 0,
};

export const wheelsVersion = () => run.version;

/** @param {Partial<typeof run>} some */
function set(some) {
  Object.assign(run, some, { version: run.version + 1 });
  again();
}

/** Trials that say of themselves that they are for the wheels. @param {TrialResult[]} all */
function meant(all) {
  return new Set(all.filter((t) => t.about?.conditions?.purpose === 'wheels').map((t) => t.trial));
}

/** @param {Results} r @param {TrialResult[]} all trials of one locomotive and its variants */
export function wheels(r, all) {
  const key = `${r.session?.id}/${all[0]?.train}`;
  if (run.key !== key) Object.assign(run, { key, trials: meant(all), checks: null, refused: '', written: '' });
  const picked = all.filter((t) => run.trials.has(t.trial));
  return html`<section class="sheet wheels" aria-labelledby="s-wheels"><div class="caption"><h2 id="s-wheels">Wheels measured</h2><p>by a light, slow run on this circuit</p></div>
    <p>Slip is no surer than the wheel’s diameter, which a caliper gives to about 0.1 mm on a coned, tyred wheel. Clean wheels and rails, then run the locomotive without cars, slowly and steadily, for five laps or more. So lightly loaded its wheels hardly slip, and counts over a lap of known length tell their diameter; a second run with a train behind it makes sure how far they crept all the same.</p>
    <p>With two motors, add four short runs without cars that shift the load between them: one set’s throttle 6 % over what it was and the other’s as much under it, then the other way round, and both again with 12 %. Each set then pulls in some and is dragged in others, which tells its creep from its diameter. Open a trial for each and choose them all. Boards that hold the speed by themselves need a shift of 1 or 2 % only. Without these runs the diameters come with a wider interval.</p>
    <fieldset class="of-trials"><legend>Trials to measure by</legend>${all.map((t) => html`<label class="check"><input type="checkbox" name="wheel-trial" value=${t.trial} .checked=${run.trials.has(t.trial)} @change=${() => toggle(t.trial)}><span>${offered(t)}</span></label>`)}</fieldset>
    <p class="acts"><button class="primary" ?disabled=${!picked.length || run.busy} @click=${() => measure(r, picked)}>${run.busy ? 'Measuring…' : 'Measure the wheels'}</button>${picked.length ? nothing : html`<span class="note">Choose light, slow trials first. There is none yet? <a class="inline" href="#book">Open one in the book.</a></span>`}</p>
    ${run.refused ? html`<p class="refusal" role="alert">${run.refused}</p>` : nothing}
    ${run.checks ? answer(run.checks, picked) : nothing}</section>`;
}

/** @param {string} id */
function toggle(id) {
  const trials = new Set(run.trials);
  if (!trials.delete(id)) trials.add(id);
  set({ trials, checks: null, refused: '', written: '' });
}

/** A trial with what makes it fit for this. @param {TrialResult} t */
function offered(t) {
  const v = t.speed_mm_s.value;
  return [locomotiveName(t.train), t.trial, consistName(t.consist) || 'light engine', known(v) ? `${fixed(v, 0)} mm/s` : '', `${t.consistency.n} ${t.consistency.n === 1 ? 'lap' : 'laps'}`, t.about?.from_us ? clock(t.about.from_us, false) : ''].filter(Boolean).join(', ');
}

/** @param {Results} r @param {TrialResult[]} picked */
async function measure(r, picked) {
  const q = new URLSearchParams({ session: r.session?.id ?? '' });
  for (const t of picked) q.append('trial', t.trial);
  const rev = state.rev;
  set({ busy: true, refused: '', written: '', checks: null });
  try {
    const checks = list(/** @type {WheelCheck[] | null} */ (await ask(`/api/wheels?${q}`)));
    set({ busy: false, checks, of: picked[0].train, rev });
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    set({ busy: false, refused: e.message });
  }
}

/** @param {WheelCheck[]} checks @param {TrialResult[]} picked */
function answer(checks, picked) {
  return html`<table class="ruled wheel-checks"><caption>${locomotiveName(run.of)}: diameters, stated and measured</caption><thead><tr><th scope="col">set</th><th scope="col">stated, <span class="unit">mm</span></th><th scope="col">measured, <span class="unit">mm</span><small>± 95 %</small></th><th scope="col">u, <span class="unit">mm</span></th><th scope="col">u here, <span class="unit">mm</span><small>the lap length’s left out</small></th><th scope="col">u own, <span class="unit">mm</span><small>not shared by the sets</small></th><th scope="col">laps</th><th scope="col">so that</th></tr></thead>
    <tbody>${checks.map(checkRow)}</tbody></table>
    ${checks.some((c) => list(c.doubts).length) ? html`<h3>Doubts</h3><ul class="notes">${checks.flatMap((c) => list(c.doubts).map((d) => html`<li>${c.set}: ${d}</li>`))}</ul>` : nothing}
    ${adopting(checks)}${behind(picked)}`;
}

/** @param {WheelCheck} c */
function checkRow(c) {
  const k = c.calibration;
  return html`<tr data-set=${c.set}><th scope="row">${c.set}</th><td data-label="stated, mm" class="num">${fixed(c.stated_mm || null, 3)}</td><td data-label="measured, mm" class="num">${figure(c.diameter_mm)}</td><td data-label="u, mm" class="num">${fixed(c.diameter_mm.u, 4)}</td>
    <td data-label="u here, mm" class="num">${known(c.diameter_mm.value) ? fixed(k.u_mm, 4) : DASH}</td><td data-label="u own, mm" class="num">${known(c.diameter_mm.value) ? fixed(k.own_u_mm, 4) : DASH}</td><td data-label="laps" class="num">${k.laps}</td><td data-label="so that">${against(c)}</td></tr>`;
}

/** What the measured diameter says of the stated one. @param {WheelCheck} c */
function against(c) {
  const { value, lo, hi } = c.diameter_mm;
  if (!known(value) || !known(halfOf(c.diameter_mm))) return 'it cannot be told';
  if (c.stated_mm >= (lo ?? 0) && c.stated_mm <= (hi ?? 0)) return 'the stated one may be right';
  return `the stated one is ${c.stated_mm > value ? 'too large' : 'too small'}`;
}

/** A locomotive of the roster with its wheels as they were measured. @param {Locomotive} l @param {WheelCheck[]} checks @returns {Locomotive} */
export function adopted(l, checks) {
  return { ...l, driver_sets: list(l.driver_sets).map((d) => ({ ...d, ...measured(d, checks) })) };
}

/** @param {DriverSet} d @param {WheelCheck[]} checks @returns {Partial<DriverSet>} */
function measured(d, checks) {
  const c = checks.find((x) => x.set === d.id && x.motor === d.motor);
  const { value, u } = c?.diameter_mm ?? {};
  if (!c || !known(value) || !known(u)) return {};
  return { wheel_diameter_mm: Number(value.toFixed(5)), wheel_diameter_u_mm: Number(u.toPrecision(4)), calibration: c.calibration };
}

/** @param {WheelCheck[]} checks */
function adopting(checks) {
  const l = /** @type {Locomotive | null} */ (stockItem('locomotive', run.of));
  const fit = list(l?.driver_sets).filter((d) => Object.keys(measured(d, checks)).length).map((d) => d.id);
  if (run.written) return html`<p role="status">${run.written}</p>`;
  if (!l || !fit.length) return html`<p class="note">${l ? 'None of these sets stands in the roster with the same motor, so there is nothing to put there.' : 'The locomotive is not in the roster any more.'}</p>`;
  if (!state.me.official) return html`<p class="note">An official puts these diameters into the roster.</p>`;
  return html`<p class="acts"><button class="primary" @click=${() => adopt(l, checks, fit)}>Put into the roster</button><span class="note">${fit.join(' and ')} of ${l.name || l.id}: diameter, its uncertainty, and where they are from. It can be taken back.</span></p>`;
}

/** @param {Locomotive} l @param {WheelCheck[]} checks @param {string[]} fit */
async function adopt(l, checks, fit) {
  if (await attempt(() => write('locomotive', adopted(l, checks), run.rev))) set({ written: `Put into the roster: ${fit.join(' and ')} of ${l.name || l.id}. Slip is reckoned with it from now on; the audit keeps what stood there before, and takes it back.` });
}

/** The laps that the diameters were had from. @param {TrialResult[]} picked */
function behind(picked) {
  const laps = picked.flatMap((t) => list(t.laps).map((l) => ({ t, l })));
  return html`<details><summary>The laps behind (${laps.filter(({ l }) => l.counts === 'yes' && l.final && l.source === 'measured').length} of ${laps.length})</summary>
    <table class="ruled wheel-laps"><thead><tr><th scope="col">trial</th><th scope="col">lap</th><th scope="col">time, <span class="unit">s</span><small>± 95 %</small></th><th scope="col">speed, <span class="unit">mm/s</span><small>± 95 %</small></th><th scope="col">used</th></tr></thead>
    <tbody>${laps.map(({ t, l }) => html`<tr><th scope="row">${t.trial}</th><td data-label="lap" class="num">${l.lap}</td><td data-label="time, s" class="num">${lapTime(l.lap_time_s, l.u_s, true)}</td><td data-label="speed, mm/s" class="num">${speed(l.speed_mm_s, l.u_speed_mm_s, true)}</td><td data-label="used">${used(l)}</td></tr>`)}</tbody></table></details>`;
}

/** @param {import('../../types/wire.js').Lap} l */
function used(l) {
  if (l.counts !== 'yes') return `no: ${l.counts === 'warmup' ? 'warm-up' : l.counts.replace('_', ' ')}`;
  if (l.source !== 'measured') return 'no: inferred';
  return l.final ? 'yes' : 'not yet: provisional';
}
