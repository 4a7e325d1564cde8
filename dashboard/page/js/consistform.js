// Writing down a consist: each car by itself, or so many alike at once.
/** @import {Car, Consist} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, keyed } from '../lib/lit-3.3.3.js';
import { list } from './merge.js';
import { say } from './decide.js';
import { field, choice, Rows, Filled as Read, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { plain } from './differ.js';
import { beginForm, title, typedNamesake, typing, originChoice, idFor, write } from './stock.js';
import { resistanceFields, readResistance } from './resistance.js';

const MOST = 500;
const cars = new Rows(/** @type {Car[]} */ ([]), () => /** @type {Car} */ ({ axles: 2 }));
/** What the form says of cars alike that are not among the rows yet. */
const pending = { cars: /** @type {Car[]} */ ([]) };

export function consistForm() {
  const c = /** @type {Consist | null} */ (beginForm('consist', (item) => {
    cars.set(list(/** @type {Consist | null} */ (item)?.cars).map((car) => ({ ...car })));
    pending.cars = [];
  }));
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(save)} @input=${input}>
    <h3>${title('consist')}</h3>
    <div class="fields">${field('Name', 'name', { value: c?.name, required: true, hint: 'six coal cars' })}${originChoice('consist', c)}</div>
    ${typedNamesake('consist')}
    <fieldset class="rows alike"><legend>So many cars alike</legend><div class="row">${field('How many', 'alike.n', { number: true, max: MOST, hint: '6' })}${cells('alike', { axles: 2 })}
      <button type="button" @click=${addAlike}>Add them</button></div></fieldset>
    ${cars.show('Cars, from the locomotive back', 'car', (car) => cells('car', car))}
    <p class="total" role="status">Together: ${totals([...cars.rows.map((r) => r.row), ...pending.cars])}</p>
    ${resistanceFields(c?.resistance, 'Of the whole consist')}
    <p class="acts"><button class="primary">Write down the consist</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {string} of @param {Car} car */
function cells(of, car) {
  return html`${field('name', `${of}.name`, { value: car.name })}${field('mass', `${of}.mass`, { unit: 'g', number: true, value: car.mass_g || '' })}
    ${field('length', `${of}.length`, { unit: 'mm', number: true, value: car.length_mm || '' })}${field('axles', `${of}.axles`, { number: true, value: car.axles || '', max: 64 })}
    ${choice('bearings', `${of}.bearings`, [['', 'not stated'], ['plain', 'plain'], ['needle', 'needle'], ['ball', 'ball']], car.bearings)}`;
}

/** @param {Filled} f @param {string} of @returns {Car[]} */
function read(f, of) {
  const [names, mass, length, axles, bearings] = [f.texts(`${of}.name`), f.numbers(`${of}.mass`), f.numbers(`${of}.length`), f.numbers(`${of}.axles`), f.texts(`${of}.bearings`)];
  return names.map((name, i) => ({ name, mass_g: mass[i], length_mm: length[i], axles: Math.round(axles[i]), bearings: bearings[i] }));
}

/** What is typed goes into the rows, so that the sums hold when one is taken away. @param {Event} e */
function input(e) {
  typing(e);
  take(new Read(/** @type {HTMLFormElement} */ (e.currentTarget)));
  again();
}

/** @param {Filled} f */
function take(f) {
  read(f, 'car').forEach((car, i) => Object.assign(cars.rows[i].row, car));
  pending.cars = carsAlike(f.number('alike.n'), read(f, 'alike')[0]);
}

/** @param {Event} e */
function addAlike(e) {
  const form = /** @type {HTMLFormElement} */ (/** @type {HTMLElement} */ (e.target).closest('form'));
  take(new Read(form));
  for (const row of pending.cars) cars.rows.push({ key: cars.next++, row });
  pending.cars = [];
  /** @type {HTMLInputElement} */ (form.elements.namedItem('alike.n')).value = '';
  again();
}

/** @param {number} n @param {Car} car @returns {Car[]} */
export function carsAlike(n, car) {
  return Array.from({ length: Math.min(MOST, Math.max(0, Math.floor(n))) }, () => ({ ...car }));
}

/** Mass and length of all cars, and of how many neither is known. @param {Car[]} of */
export function totals(of) {
  const sum = (/** @type {'mass_g' | 'length_mm'} */ key) => of.reduce((s, c) => s + (c[key] ?? 0), 0);
  const without = (/** @type {'mass_g' | 'length_mm'} */ key) => of.filter((c) => !c[key]).length;
  /** @param {'mass_g' | 'length_mm'} key @param {string} unit @param {string} word */
  const part = (key, unit, word) => {
    if (!sum(key)) return `${word} not stated`;
    return `${plain(sum(key))} ${unit}${without(key) ? `, ${without(key)} of unknown ${word}` : ''}`;
  };
  if (!of.length) return 'no cars';
  return [`${of.length} ${of.length === 1 ? 'car' : 'cars'}`, part('mass_g', 'g', 'mass'), part('length_mm', 'mm', 'length')].join(' · ');
}

/** @param {Filled} f */
async function save(f) {
  // Those alike that were not added to the rows are meant too.
  const of = [...read(f, 'car'), ...carsAlike(f.number('alike.n'), read(f, 'alike')[0])];
  if (of.length > MOST) return say(`A consist has at most ${MOST} cars, not ${of.length}.`);
  const value = { id: idFor('consist', f.text('name')), name: f.text('name'), variant_of: f.text('variant_of'), cars: of, resistance: readResistance(f) };
  await finish(() => write('consist', value, entry.rev));
}
