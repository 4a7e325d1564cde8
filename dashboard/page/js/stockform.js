// Writing down a locomotive with its driver sets, and its photo.
/** @import {DriverSet, Locomotive} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, keyed, nothing } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { attempt } from './decide.js';
import { field, choice, Rows, submitting } from './forms.js';
import { entry, closeEntry } from './entry.js';
import { again } from './again.js';
import { beginForm, title, typedNamesake, typing, originChoice, idFor, write, stock, motorName, motorsInUse } from './stock.js';
import { remark } from './smallform.js';
import { photoField } from './photo.js';

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
    ${field('gear ratio', 'set.gear', { unit: 'motor turns a wheel turn', number: true, value: s.gear_ratio || '' })}
    ${field('counts', 'set.counts', { unit: 'a motor turn', number: true, value: s.counts_per_motor_rev || '' })}
    ${field('weight', 'set.weight', { unit: 'g on these wheels', number: true, value: s.weight_g || '' })}
    ${choice('tyres', 'set.tyres', [['', 'none'], ['yes', 'fitted']], s.tyres ? 'yes' : '')}`;
}

/** @param {string} own @returns {[string, string][]} */
function motorChoices(own) {
  const ids = new Set([...stock('motor').map((m) => m.id), ...motorsInUse().keys(), ...(own ? [own] : [])]);
  return [['', 'not stated'], ...[...ids].map((id) => /** @type {[string, string]} */ ([id, motorName(id)])), [NEW, 'a new one']];
}

/** @param {Filled} f @param {string[]} motors @returns {DriverSet[]} */
function readSets(f, motors) {
  const [ids, wheel, gear, counts, weight, tyres] =
    [f.texts('set.id'), f.numbers('set.wheel'), f.numbers('set.gear'), f.numbers('set.counts'), f.numbers('set.weight'), f.texts('set.tyres')];
  return ids.map((id, i) => ({
    id: slug(id, [], 'set'), motor: motors[i], wheel_diameter_mm: wheel[i], gear_ratio: gear[i],
    counts_per_motor_rev: counts[i], weight_g: weight[i], tyres: tyres[i] === 'yes',
  }));
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
  const value = { id: idFor('locomotive', f.text('name')), name: f.text('name'), owner: f.text('owner'), mass_g: f.number('mass'), length_mm: f.number('length'), variant_of: f.text('variant_of'), note: f.text('note') };
  const done = await attempt(async () => write('locomotive', { ...value, driver_sets: readSets(f, await motorsOf(f)) }, entry.rev));
  if (done) closeEntry();
}
