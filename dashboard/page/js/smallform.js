// Writing down motors and batteries: things with a name and a few figures.
/** @import {NamedMotor, Battery} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, keyed } from '../lib/lit-3.3.3.js';
import { say } from './decide.js';
import { field, submitting } from './forms.js';
import { entry, closeEntry, finish } from './entry.js';
import { again } from './again.js';
import { validId } from './slug.js';
import { volts } from './differ.js';
import { curveFields, readCurve } from './curvefield.js';
import { beginForm, title, typedNamesake, typing, originChoice, idFor, write, stockItem } from './stock.js';

/** A remark of more than a line. @param {string | undefined} note */
export function remark(note) {
  return html`<label><span>Note</span><textarea name="note" rows="2" maxlength="1000" .value=${note ?? ''}></textarea></label>`;
}

/** @param {Event} e */
const typed = (e) => {
  typing(e);
  again();
};

/** Millivolts of what is written in volts. @param {number} v */
const millivolts = (v) => Number((v * 1000).toPrecision(12));

export function motorForm() {
  const m = /** @type {NamedMotor | null} */ (beginForm('motor'));
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(saveMotor)} @input=${typed}><h3>${title('motor')}</h3>
    <div class="fields">${field('Name', 'name', { value: m?.name, required: true })}
      ${entry.id ? '' : field('Its readings come as', 'id', { hint: 'm1, if it has a sensor' })}
      ${field('Nominal voltage', 'volts', { unit: 'V', number: true, value: m?.nominal_mv ? volts(m.nominal_mv) : '' })}
      ${originChoice('motor', m)}</div>
    ${typedNamesake('motor')}${curveFields(m?.curve)}${remark(m?.note)}
    <p class="acts"><button class="primary">Write down the motor</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {Filled} f */
async function saveMotor(f) {
  const asked = f.text('id');
  if (asked && !validId(asked)) return say(`“${asked}”: a motor’s readings come under small letters, digits and hyphens.`);
  if (asked && stockItem('motor', asked)) return say(`There is a motor ${asked} already: change that one, or choose another.`);
  const curve = readCurve(f, /** @type {NamedMotor | null} */ (beginForm('motor'))?.curve);
  if (curve instanceof Error) return say(curve.message);
  const value = { id: asked || idFor('motor', f.text('name')), name: f.text('name'), nominal_mv: millivolts(f.number('volts')), variant_of: f.text('variant_of'), note: f.text('note'), curve };
  await finish(() => write('motor', value, entry.rev));
}

const CHEMISTRIES = ['NiMH', 'LiPo', 'Li-ion', 'LiFePO4', 'lead-acid', 'alkaline'];

export function batteryForm() {
  const b = /** @type {Battery | null} */ (beginForm('battery'));
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(saveBattery)} @input=${typed}><h3>${title('battery')}</h3>
    <div class="fields">${field('Name', 'name', { value: b?.name, required: true })}${field('Chemistry', 'chemistry', { value: b?.chemistry, list: 'chemistries' })}
      ${field('Cells', 'cells', { number: true, value: b?.cells || '', max: 1000 })}${field('Capacity', 'capacity', { unit: 'mAh', number: true, value: b?.capacity_mah || '' })}
      ${field('Nominal voltage', 'volts', { unit: 'V', number: true, value: b?.nominal_mv ? volts(b.nominal_mv) : '' })}${originChoice('battery', b)}</div>
    <datalist id="chemistries">${CHEMISTRIES.map((c) => html`<option value=${c}></option>`)}</datalist>
    ${typedNamesake('battery')}${remark(b?.note)}
    <p class="acts"><button class="primary">Write down the battery</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** @param {Filled} f */
async function saveBattery(f) {
  const value = {
    id: idFor('battery', f.text('name')), name: f.text('name'), chemistry: f.text('chemistry'), cells: Math.round(f.number('cells')),
    capacity_mah: f.number('capacity'), nominal_mv: millivolts(f.number('volts')), variant_of: f.text('variant_of'), note: f.text('note'),
  };
  await finish(() => write('battery', value, entry.rev));
}
