// Writing down a locomotive with its driver sets, and its photo.
/** @import {DriverSet, Locomotive, WheelCalibration} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, keyed, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { field, choice, Rows, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { beginForm, title, typedNamesake, typing, originChoice, idFor, write, stock, motorName, motorsInUse } from './stock.js';
import { remark } from './smallform.js';
import { photoField } from './photo.js';
import { resistanceFields, readResistance } from './resistance.js';
import { plain } from './fields.js';

/** @typedef {DriverSet & {pick?: string}} SetRow pick is what was chosen in the form */

const sets = new Rows(/** @type {SetRow[]} */ ([]), freshSet);
const NEW = '+';
/** Motors that this form has named already, by row: a form that is sent again names none twice. @type {Map<number, string>} */
const made = new Map();

/** @returns {DriverSet} */
function freshSet() {
  const used = sets.rows.map((r) => r.row.id);
  const id = ['front', 'rear'].find((n) => !used.includes(n)) ?? `set-${sets.rows.length + 1}`;
  return { id, motor: '', wheel_diameter_mm: 0, gear_ratio: 0, counts_per_motor_rev: 0 };
}

export function locomotiveForm() {
  const l = /** @type {Locomotive | null} */ (beginForm('locomotive', (item) => {
    sets.set(list(/** @type {Locomotive | null} */ (item)?.driver_sets).map((s) => ({ ...s })));
    made.clear();
  }));
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(save)} @input=${(/** @type {Event} */ e) => { typing(e); again(); }}>
    <h3>${title('locomotive')}</h3>
    <div class="fields">${field('Name', 'name', { value: l?.name, required: true })}${field('Owner', 'owner', { value: l?.owner })}
      ${field('Mass', 'mass', { unit: 'g', number: true, value: l?.mass_g || '' })}${field('Length', 'length', { unit: 'mm, over couplings', number: true, value: l?.length_mm || '' })}
      ${originChoice('locomotive', l)}</div>
    ${typedNamesake('locomotive')}
    ${sets.show('Driver sets, each turned by one motor', 'driver set', setCells)}
    ${resistanceFields(l?.resistance, 'Of the locomotive, its motors apart')}
    ${remark(l?.note)}
    ${entry.id ? photoField(entry.id) : nothing}
    <p class="acts"><button class="primary">Write down the locomotive</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {SetRow} s */
function setCells(s) {
  s.pick ??= s.motor;
  return html`${field('Set', 'set.id', { value: s.id, required: true })}
    ${choice('motor', 'set.motor', motorChoices(s.motor), s.pick, (v) => { s.pick = v; again(); })}
    ${s.pick === NEW ? field('name of the new motor', 'set.named', { required: true }) : html`<input type="hidden" name="set.named" value="">`}
    ${field('wheel diameter', 'set.wheel', { unit: 'mm', number: true, value: s.wheel_diameter_mm || '' })}
    ${field('its uncertainty', 'set.wheel_u', { unit: 'mm, standard', number: true, max: 100, value: s.wheel_diameter_u_mm || '' })}
    ${field('gear ratio', 'set.gear', { unit: 'motor turns a wheel turn', number: true, value: s.gear_ratio || '' })}
    ${field('counts', 'set.counts', { unit: 'a motor turn', number: true, value: s.counts_per_motor_rev || '' })}
    ${field('weight', 'set.weight', { unit: 'g on these wheels', number: true, value: s.weight_g || '' })}
    ${choice('tyres', 'set.tyres', [['', 'none'], ['yes', 'fitted']], s.tyres ? 'yes' : '')}
    <details class="more"><summary>Gears, adhesion, calibration</summary><div class="fields">
      ${field('gear efficiency', 'set.eff', { unit: 'power out over power in', number: true, max: 1, value: s.gear_efficiency || '' })}${field('its uncertainty', 'set.eff_u', { number: true, max: 1, value: s.gear_efficiency_u || '' })}
      ${field('adhesion', 'set.adhesion', { unit: 'greatest pull over weight', number: true, max: 100, value: s.adhesion || '' })}${field('its uncertainty', 'set.adhesion_u', { number: true, max: 100, value: s.adhesion_u || '' })}</div>
      <p class="note">${s.calibration ? html`Wheel calibrated: ${calibrationWords(s.calibration)}. It goes when the diameter or its uncertainty is changed by hand.` : html`Its wheel is not calibrated; a light, slow run does it, under <a href="#sets">Sets</a>.`}</p></details>`;
}

/** Where a diameter is from. @param {WheelCalibration} c */
export function calibrationWords(c) {
  return `${c.laps} ${c.laps === 1 ? 'lap' : 'laps'} on ${c.circuit}${c.session ? `, session ${c.session}` : ''}${c.trials?.length ? `, ${c.trials.length === 1 ? 'trial' : 'trials'} ${c.trials.join(', ')}` : ''}, u ${plain(c.u_mm)} mm there`;
}

/** @param {string} own @returns {[string, string][]} */
function motorChoices(own) {
  const ids = new Set([...stock('motor').map((m) => m.id), ...motorsInUse().keys(), ...(own ? [own] : [])]);
  return [['', 'not stated'], ...[...ids].map((id) => /** @type {[string, string]} */ ([id, motorName(id)])), [NEW, 'a new one']];
}

/** @param {Filled} f @param {string[]} motors @returns {DriverSet[]} */
function readSets(f, motors) {
  const [ids, tyres] = [f.texts('set.id'), f.texts('set.tyres')];
  const [wheel, wheelU, gear, counts, weight, eff, effU, adhesion, adhesionU] =
    ['wheel', 'wheel_u', 'gear', 'counts', 'weight', 'eff', 'eff_u', 'adhesion', 'adhesion_u'].map((n) => f.numbers(`set.${n}`));
  return ids.map((id, i) => ({
    id: slug(id, [], 'set'), motor: motors[i], wheel_diameter_mm: wheel[i], wheel_diameter_u_mm: wheelU[i], gear_ratio: gear[i],
    counts_per_motor_rev: counts[i], weight_g: weight[i], tyres: tyres[i] === 'yes', gear_efficiency: eff[i], gear_efficiency_u: effU[i],
    adhesion: adhesion[i], adhesion_u: adhesionU[i], calibration: stillCalibrated(sets.rows[i].row, wheel[i], wheelU[i]),
  }));
}

/** A diameter that was written by hand is none of the calibration's. @param {DriverSet} had @param {number} wheel @param {number} u */
function stillCalibrated(had, wheel, u) {
  return had.wheel_diameter_mm === wheel && (had.wheel_diameter_u_mm ?? 0) === u ? had.calibration : undefined;
}

/** The motor of each set, those first written down that are new. @param {Filled} f */
async function motorsOf(f) {
  const [picked, named] = [f.texts('set.motor'), f.texts('set.named')];
  const ids = [];
  for (const [i, pick] of picked.entries()) {
    const { key } = sets.rows[i];
    if (pick === NEW && !made.has(key)) {
      const id = slug(named[i], [...stock('motor').map((m) => m.id), ...made.values()], 'motor');
      await write('motor', { id, name: named[i] }, entry.rev);
      made.set(key, id);
    }
    ids.push(pick === NEW ? /** @type {string} */ (made.get(key)) : pick);
  }
  return ids;
}

/** @param {Filled} f */
async function save(f) {
  const value = { id: idFor('locomotive', f.text('name')), name: f.text('name'), owner: f.text('owner'), mass_g: f.number('mass'), length_mm: f.number('length'), variant_of: f.text('variant_of'), note: f.text('note'), resistance: readResistance(f) };
  await finish(async () => write('locomotive', { ...value, driver_sets: readSets(f, await motorsOf(f)) }, entry.rev));
}
