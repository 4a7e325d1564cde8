// A pasted list of entries, one a line: person, locomotive, class. Pure.
/** @import {Class, Locomotive} from '../../types/wire.js' */
import { slug } from './slug.js';

/** @typedef {{line: number, person: string, locomotive: string, name: string, class: string}} Listed locomotive: an id; name: of one to be written down, '' if it is there */
/** @typedef {{line: number, text: string, why: string}} Bad */

/** The longest name that the book takes, bytes of UTF-8. */
const LONGEST = 200;
const bytes = new TextEncoder();

/**
 * Fields of a line: parted by tabs, else by semicolons, else by commas; one in
 * double quotes may hold what parts them.
 * @param {string} line
 */
export function fieldsOf(line) {
  const mark = ['\t', ';'].find((m) => line.includes(m)) ?? ',';
  /** @type {string[]} */ const out = [''];
  let quoted = false;
  for (let i = 0; i < line.length; i++) {
    const c = line[i];
    if (c === '"' && quoted && line[i + 1] === '"') out[out.length - 1] += line[i++];
    else if (c === '"' && (quoted || !out[out.length - 1].trim())) quoted = !quoted;
    else if (c === mark && !quoted) out.push('');
    else out[out.length - 1] += c;
  }
  return out.map((f) => f.trim());
}

/** @param {string} s */
const key = (s) => s.normalize('NFC').toLowerCase();

/** How a locomotive is called in a list: by its name, and by its id where two have it. @param {Locomotive[]} all */
export function locomotiveNames(all) {
  /** @type {Map<string, number>} */ const often = new Map();
  for (const l of all) often.set(key(l.name || l.id), (often.get(key(l.name || l.id)) ?? 0) + 1);
  return new Map(all.map((l) => [l.id, (often.get(key(l.name || l.id)) ?? 0) > 1 ? `${l.name} (${l.id})` : l.name || l.id]));
}

/**
 * Finds locomotives by what people call them: the label, the name, the id; the
 * first that has a name is meant.
 * @param {Locomotive[]} all
 */
export class Roster {
  /** @param {Locomotive[]} all */
  constructor(all) {
    this.ids = new Set(all.map((l) => l.id));
    /** @type {Map<string, string>} */ this.by = new Map();
    const put = (/** @type {string} */ word, /** @type {string} */ id) => this.by.has(key(word)) || this.by.set(key(word), id);
    for (const [id, label] of locomotiveNames(all)) put(label, id);
    for (const l of all) put(l.name || l.id, l.id);
    for (const l of all) put(l.id, l.id);
  }

  /** @param {string} word */
  find(word) {
    return this.by.get(key(word)) ?? '';
  }

  /** The id of one not written down yet, taken from now on. @param {string} name */
  add(name) {
    const id = slug(name, this.ids, 'locomotive');
    this.ids.add(id);
    this.by.set(key(name), id);
    return id;
  }
}

/**
 * Reads a list. Lines that cannot be entries are told with the reason; empty
 * ones are passed over.
 * @param {string} text @param {Locomotive[]} locomotives @param {Class[]} classes
 * @returns {{entries: Listed[], bad: Bad[]}}
 */
export function readList(text, locomotives, classes) {
  const roster = new Roster(locomotives);
  const by = new Map(classes.flatMap((c) => [[key(c.id), c.id], [key(c.name), c.id]]));
  /** @type {Listed[]} */ const entries = [];
  /** @type {Bad[]} */ const bad = [];
  text.split(/\r\n|\r|\n/).forEach((line, i) => {
    if (!line.trim()) return;
    const [person, name, inClass, ...more] = fieldsOf(line);
    const why = fault(person, name, inClass, more, by);
    if (why) return bad.push({ line: i + 1, text: line.trim(), why });
    const known = roster.find(name);
    return entries.push({ line: i + 1, person, locomotive: known || roster.add(name), name: known ? '' : name, class: inClass ? by.get(key(inClass)) ?? '' : '' });
  });
  return { entries, bad };
}

/** @param {string} person @param {string} name @param {string} inClass @param {string[]} more @param {Map<string, string>} classes */
function fault(person, name, inClass, more, classes) {
  if (!person) return 'the person is missing';
  if (!name) return 'the locomotive is missing';
  if (more.some(Boolean)) return 'there is more than person, locomotive and class';
  if (Math.max(bytes.encode(person).length, bytes.encode(name).length) > LONGEST) return `a name is longer than ${LONGEST} bytes`;
  if (inClass && !classes.has(key(inClass))) return `the meet has no class “${inClass}”`;
  return '';
}
