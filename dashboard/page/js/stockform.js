// Writing down rolling stock: locomotives with their driver sets, consists.
/** @import {DriverSet, Car} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, keyed } from '../lib/lit-3.3.3.js';
import { state, locomotive, consist } from './store.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { decide } from './api.js';
import { attempt } from './decide.js';
import { field, choice, Rows, submitting } from './forms.js';
import { entry, closeEntry } from './entry.js';

const sets = new Rows(/** @type {DriverSet[]} */ ([]), freshSet);
let loaded = -1;

/** @returns {DriverSet} */
function freshSet() {
  const n = sets.rows.length + 1;
  return { id: ['front', 'rear'][n - 1] ?? `set-${n}`, motor: `m${n}`, wheel_diameter_mm: 0, gear_ratio: 0, counts_per_motor_rev: 0 };
}

export function locomotiveForm() {
  const l = entry.id ? locomotive(entry.id) : null;
  if (loaded !== entry.key) {
    loaded = entry.key;
    sets.set(list(l?.driver_sets));
  }
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(saveLocomotive)}>
    <h3>${l ? `Locomotive ${l.name || l.id}` : 'A new locomotive'}</h3>
    <div class="fields">${field('Name', 'name', { value: l?.name, required: true })}${field('Owner', 'owner', { value: l?.owner })}
      ${field('Mass', 'mass', { unit: 'g', number: true, value: l?.mass_g })}${field('Length', 'length', { unit: 'mm, over couplings', number: true, value: l?.length_mm })}</div>
    ${sets.show('Driver sets, each turned by one motor', 'driver set', (s) => html`${field('Set', 'set.id', { value: s.id, required: true })}
      ${field('motor', 'set.motor', { value: s.motor, hint: 'm1' })}${field('wheel diameter', 'set.wheel', { unit: 'mm', number: true, value: s.wheel_diameter_mm || '' })}
      ${field('gear ratio', 'set.gear', { unit: 'motor turns a wheel turn', number: true, value: s.gear_ratio || '' })}${field('counts', 'set.counts', { unit: 'a motor turn', number: true, value: s.counts_per_motor_rev || '' })}
      ${field('weight', 'set.weight', { unit: 'g on these wheels', number: true, value: s.weight_g })}
      ${choice('tyres', 'set.tyres', [['', 'none'], ['yes', 'fitted']], s.tyres ? 'yes' : '')}`)}
    <p class="acts"><button class="primary">Write down the locomotive</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {Filled} f @returns {DriverSet[]} */
function readSets(f) {
  const [ids, motors, wheel, gear, counts, weight, tyres] =
    [f.texts('set.id'), f.texts('set.motor'), f.numbers('set.wheel'), f.numbers('set.gear'), f.numbers('set.counts'), f.numbers('set.weight'), f.texts('set.tyres')];
  return ids.map((id, i) => ({
    id: slug(id, [], 'set'), motor: motors[i] ? slug(motors[i], [], 'm') : '', wheel_diameter_mm: wheel[i], gear_ratio: gear[i],
    counts_per_motor_rev: counts[i], weight_g: weight[i], tyres: tyres[i] === 'yes',
  }));
}

/** @param {Filled} f */
async function saveLocomotive(f) {
  const id = entry.id || slug(f.text('name'), list(state.view?.locomotives).map((l) => l.id), 'locomotive');
  const value = { id, name: f.text('name'), owner: f.text('owner'), mass_g: f.number('mass'), length_mm: f.number('length'), driver_sets: readSets(f) };
  if (await attempt(() => decide('locomotive', value))) closeEntry();
}

export function consistForm() {
  const c = entry.id ? consist(entry.id) : null;
  const cars = list(c?.cars);
  const one = cars[0];
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(saveConsist)}>
    <h3>${c ? `Consist ${c.name || c.id}` : 'A new consist'}</h3>
    <div class="fields">${field('Name', 'name', { value: c?.name, required: true, hint: 'six coal cars' })}${field('Number of cars', 'cars', { number: true, value: cars.length || '', max: 500, required: true })}
      ${field('Mass of each', 'mass', { unit: 'g', number: true, value: one?.mass_g })}${field('Length of each', 'length', { unit: 'mm', number: true, value: one?.length_mm })}
      ${field('Axles of each', 'axles', { number: true, value: one?.axles ?? 2, max: 64 })}
      ${choice('Bearings', 'bearings', [['', 'not stated'], ['plain', 'plain'], ['needle', 'needle'], ['ball', 'ball']], one?.bearings)}</div>
    <p class="acts"><button class="primary">Write down the consist</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {number} n @param {Car} car @returns {Car[]} */
export function carsAlike(n, car) {
  return Array.from({ length: Math.max(0, Math.floor(n)) }, () => ({ ...car }));
}

/** @param {Filled} f */
async function saveConsist(f) {
  const id = entry.id || slug(f.text('name'), list(state.view?.consists).map((c) => c.id), 'consist');
  const car = { mass_g: f.number('mass'), length_mm: f.number('length'), axles: Math.round(f.number('axles')), bearings: f.text('bearings') };
  if (await attempt(() => decide('consist', { id, name: f.text('name'), cars: carsAlike(f.number('cars'), car) }))) closeEntry();
}
