// The roster as the page holds it: what of each kind there is, what was copied
// from what, and the form that is open on one of it.
/** @import {Kind, Item} from './differ.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { decide } from './api.js';
import { entry, openEntry } from './entry.js';
import { choice } from './forms.js';
import { slug } from './slug.js';

/** @param {Kind} what @returns {Item[]} */
export function stock(what) {
  const v = state.view;
  return list({ locomotive: v?.locomotives, consist: v?.consists, motor: v?.named_motors, battery: v?.batteries }[what]);
}

/** @param {Kind} what @param {string | undefined} id @returns {Item | null} */
export function stockItem(what, id) {
  return stock(what).find((i) => i.id === id) ?? null;
}

/** A motor as people call it; its id too, as names may be alike. @param {string} id */
export function motorName(id) {
  const name = stockItem('motor', id)?.name;
  return name && name !== id ? `${name} (${id})` : id;
}

/** Motors that driver sets speak of, and which sets, by id. @returns {Map<string, string[]>} */
export function motorsInUse() {
  /** @type {Map<string, string[]>} */ const used = new Map();
  for (const l of list(state.view?.locomotives)) {
    for (const s of list(l.driver_sets)) if (s.motor) used.set(s.motor, [...(used.get(s.motor) ?? []), `${l.name || l.id}, ${s.id}`]);
  }
  return used;
}

/** @typedef {{item: Item, origin: Item | null, depth: number}} Leaf */

/**
 * All of a kind, each followed by its variants; where origins go round in a ring
 * the first of it begins.
 * @param {Item[]} all @returns {Leaf[]}
 */
export function family(all) {
  const sorted = all.toSorted((a, b) => (a.name || a.id).localeCompare(b.name || b.id, undefined, { numeric: true }) || (a.id < b.id ? -1 : 1));
  const by = new Map(all.map((i) => [i.id, i]));
  /** @type {Map<string, Item[]>} */ const under = new Map();
  for (const i of sorted) {
    if (i.variant_of) under.set(i.variant_of, [...(under.get(i.variant_of) ?? []), i]);
  }
  /** @type {Leaf[]} */ const out = [];
  const seen = new Set();
  /** @param {Item} item @param {number} depth */
  const put = (item, depth) => {
    if (seen.has(item.id)) return;
    seen.add(item.id);
    out.push({ item, origin: (item.variant_of !== item.id && by.get(item.variant_of ?? '')) || null, depth });
    for (const v of under.get(item.id) ?? []) put(v, depth + 1);
  };
  for (const i of sorted) if (!by.has(i.variant_of ?? '') || i.variant_of === i.id) put(i, 0);
  for (const i of sorted) put(i, 0);
  return out;
}

/** "X, variant 2" for the first copy of X, or of a variant of X. @param {string} name @param {Iterable<string>} taken */
export function variantName(name, taken) {
  const base = name.replace(/, variant \d+$/, '');
  const used = new Set(taken);
  for (let n = 2; ; n++) if (!used.has(`${base}, variant ${n}`)) return `${base}, variant ${n}`;
}

/** How many others of a kind bear a name. @param {Kind} what @param {string} name @param {string} id */
export function namesakes(what, name, id) {
  return name ? stock(what).filter((i) => i.name === name && i.id !== id).length : 0;
}

/** @param {Kind} what @param {string} name @param {string} id */
export function namesakeNote(what, name, id) {
  const n = namesakes(what, name.trim(), id);
  if (!n) return nothing;
  return html`<p class="note namesake">${n === 1 ? `Another ${what} bears this name.` : `${n} other ${PLURAL[what]} bear this name.`}</p>`;
}

/** @type {Record<Kind, string>} */
export const PLURAL = { locomotive: 'locomotives', consist: 'consists', motor: 'motors', battery: 'batteries' };

/** What the open form began with: a copy, so that what others write meanwhile does not slip into it. */
const begun = { key: -1, item: /** @type {Item | null} */ (null), name: '' };

/**
 * The thing that the open form is about, or is copied from; null for a new one.
 * @param {Kind} what @param {(item: Item | null) => void} [load] called once for each form
 */
export function beginForm(what, load) {
  if (begun.key !== entry.key) {
    const item = structuredClone(stockItem(what, entry.id || entry.from));
    if (item && !entry.id) Object.assign(item, { name: variantName(item.name || item.id, stock(what).map((i) => i.name)), variant_of: entry.from });
    if (item && changing.key === entry.key) changing.change(item);
    Object.assign(begun, { key: entry.key, item, name: item?.name ?? '' });
    load?.(item);
  }
  return begun.item;
}

/** What is to be changed in the copy that a form begins with. */
const changing = { key: -1, change: (/** @type {Item} */ _copy) => {} };

/** Opens the form of a variant that is changed already. @param {Kind} what @param {string} from @param {(copy: Item) => unknown} change */
export function openChanged(what, from, change) {
  openEntry(what, '', from);
  Object.assign(changing, { key: entry.key, change });
}

/** @param {Kind} what */
export function title(what) {
  const of = stockItem(what, entry.id || entry.from);
  if (entry.id) return `${what[0].toUpperCase()}${what.slice(1)} ${of?.name || entry.id}`;
  return of ? `A variant of ${of.name || of.id}` : `A new ${what}`;
}

/** What is typed as the name just now. @param {Kind} what */
export function typedNamesake(what) {
  return html`<div role="status">${namesakeNote(what, begun.name, entry.id)}</div>`;
}

/** Keeps the name as it is typed. @param {Event} e */
export function typing(e) {
  const field = /** @type {HTMLInputElement} */ (e.target);
  if (field.name === 'name') begun.name = field.value;
}

/** @param {Kind} what @param {Item | null} item */
export function originChoice(what, item) {
  /** @type {[string, string][]} */
  const others = stock(what).filter((i) => i.id !== entry.id).map((i) => [i.id, i.name && i.name !== i.id ? `${i.name} (${i.id})` : i.id]);
  if (item?.variant_of && !others.some(([id]) => id === item.variant_of)) others.unshift([item.variant_of, `${item.variant_of}, not in the book`]);
  return choice('Variant of', 'variant_of', [['', 'nothing'], ...others], item?.variant_of);
}

/** The id that what is written gets. @param {Kind} what @param {string} name */
export function idFor(what, name) {
  return entry.id || slug(name, stock(what).map((i) => i.id), what);
}

/**
 * Writes stock into the book. What was decided on the same thing after base is
 * a conflict, and refused.
 * @param {Kind} what @param {unknown} value @param {number} base place in the journal that the writer had seen
 */
export function write(what, value, base) {
  return decide(what, value, '', { baseSeq: base });
}
