// The parts forms are made of: a labelled field, rows that can be added and
// taken away, and reading them back.
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { again } from './again.js';

/**
 * @typedef {object} FieldOptions
 * @property {string | number | null} [value]
 * @property {string} [unit] written behind the label
 * @property {boolean} [number]
 * @property {boolean} [required]
 * @property {string} [hint]
 * @property {number} [min]
 * @property {number} [max] of a text: its letters, 100 when not said
 * @property {string} [list] id of a datalist
 */

/** @param {string} label @param {string} name @param {FieldOptions} [o] */
export function field(label, name, o = {}) {
  const value = o.value ?? '';
  const words = html`<span>${label}${o.unit ? html` <small>${o.unit}</small>` : nothing}</span>`;
  if (o.number) {
    return html`<label>${words}<input type="number" inputmode="decimal" step="any" name=${name} value=${value} min=${o.min ?? 0}
      max=${o.max ?? nothing} ?required=${o.required} placeholder=${o.hint ?? nothing}></label>`;
  }
  return html`<label>${words}<input name=${name} value=${value} maxlength=${o.max ?? 100} autocomplete="off" ?required=${o.required}
    placeholder=${o.hint ?? nothing} list=${o.list ?? nothing}></label>`;
}

/**
 * @param {string} label @param {string} name @param {[string, string][]} choices value and words
 * @param {string} [value] @param {(value: string) => void} [onPick]
 */
export function choice(label, name, choices, value, onPick) {
  const pick = (/** @type {Event} */ e) => onPick?.(/** @type {HTMLSelectElement} */ (e.target).value);
  return html`<label><span>${label}</span><select name=${name} @change=${pick}>${choices.map(([v, words]) => html`<option value=${v} ?selected=${v === value}>${words}</option>`)}</select></label>`;
}

/** Rows of a form that grow and shrink. @template T */
export class Rows {
  /** @param {T[]} rows @param {() => T} fresh */
  constructor(rows, fresh) {
    this.fresh = fresh;
    this.next = 0;
    /** @type {{key: number, row: T}[]} */ this.rows = [];
    this.set(rows);
  }

  /** @param {T[]} rows */
  set(rows) {
    this.rows = rows.map((row) => ({ key: this.next++, row }));
  }

  add = () => {
    this.rows.push({ key: this.next++, row: this.fresh() });
    again();
  };

  /** @param {number} key */
  drop(key) {
    this.rows = this.rows.filter((r) => r.key !== key);
    again();
  }

  /**
   * @param {string} title @param {string} one what a row is called
   * @param {(row: T, key: number) => unknown} cells
   */
  show(title, one, cells) {
    return html`<fieldset class="rows"><legend>${title}</legend>
      ${repeat(this.rows, (r) => r.key, (r) => html`<div class="row">${cells(r.row, r.key)}<button type="button" class="drop" aria-label="Remove this ${one}" @click=${() => this.drop(r.key)}>Remove</button></div>`)}
      <button type="button" @click=${this.add}>Add a ${one}</button></fieldset>`;
  }
}

/** What stands in a form. */
export class Filled {
  /** @param {HTMLFormElement} form */
  constructor(form) {
    this.data = new FormData(form);
  }

  /** @param {string} name */
  text(name) {
    return String(this.data.get(name) ?? '').trim();
  }

  /** 0 when nothing stands there, which means "not stated". @param {string} name */
  number(name) {
    return Number(this.data.get(name) || 0);
  }

  /** @param {string} name */
  texts(name) {
    return this.data.getAll(name).map((v) => String(v).trim());
  }

  /** @param {string} name */
  numbers(name) {
    return this.data.getAll(name).map((v) => Number(v || 0));
  }
}

/**
 * A form whose submission is an act; it is shut while the act is under way.
 * @param {(f: Filled, form: HTMLFormElement) => Promise<unknown>} act
 */
export function submitting(act) {
  return async (/** @type {SubmitEvent} */ e) => {
    e.preventDefault();
    const form = /** @type {HTMLFormElement} */ (e.target);
    const filled = new Filled(form);
    form.inert = true;
    try {
      await act(filled, form);
    } finally {
      form.inert = false;
    }
  };
}
