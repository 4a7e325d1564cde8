// The roster: the shed's ledger of locomotives, consists, motors and batteries.
/** @import {Locomotive, Consist, Battery, NamedMotor, DriverSet, Car} from '../../types/wire.js' */
/** @import {Kind, Item} from './differ.js' */
/** @import {Leaf} from './stock.js' */
import { html, svg, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, markOf } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { entry, openEntry } from './entry.js';
import { differences, few, volts, plain } from './differ.js';
import { stock, stockItem, family, motorName, motorsInUse, namesakeNote } from './stock.js';
import { calibrationWords, locomotiveForm } from './stockform.js';
import { resistanceWords } from './resistance.js';
import { consistForm, totals } from './consistform.js';
import { motorForm, batteryForm } from './smallform.js';
import { photoOf, refreshPhotos } from './photo.js';
import { filePapers } from './stockfile.js';

// The ledger's own sheet of styles comes with it, and is there before it is drawn.
await new Promise((done) => {
  const link = document.createElement('link');
  link.rel = 'stylesheet';
  link.href = new URL('../css/roster.css', import.meta.url).href;
  link.onload = link.onerror = () => done(undefined);
  document.head.append(link);
});

// Photos go round no bus: who comes back to this page asks which there are now.
addEventListener('hashchange', () => location.hash === '#roster' && refreshPhotos());

const FORMS = { locomotive: locomotiveForm, consist: consistForm, motor: motorForm, battery: batteryForm };

export function rosterView() {
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  return html`<h1 class="aside">The roster</h1><div class="roster">
    <div>${section('locomotive', 'Locomotives', 'each keeps its mark everywhere')}</div>
    <div>${section('consist', 'Consists', 'the trains behind')}${section('motor', 'Motors', 'one turns each driver set', unnamed())}${section('battery', 'Batteries', 'so that their fading is told from a locomotive’s')}${filePapers()}</div></div>`;
}

/** @param {Kind} what @param {string} title @param {string} caption @param {unknown} [more] */
function section(what, title, caption, more) {
  const leaves = family(stock(what));
  const fresh = state.me.official && entry.what === what && !entry.id && !entry.from;
  return html`<section class="sheet ledger" aria-labelledby="r-${what}"><div class="caption"><h2 id="r-${what}">${title}</h2><p>${caption}</p>
    ${state.me.official && !fresh ? html`<button @click=${() => openEntry(what)}>Write down a ${what}</button>` : nothing}</div>
    ${fresh ? FORMS[what]() : nothing}
    ${leaves.length ? html`<ul class="stock">${repeat(leaves, (l) => l.item.id, (l) => line(what, l))}</ul>` : html`<p class="empty">None yet.</p>`}${more ?? nothing}</section>`;
}

/** One line of the ledger, with the form on it when that is open. @param {Kind} what @param {Leaf} leaf */
function line(what, { item, origin, depth }) {
  const open = state.me.official && entry.what === what && (entry.id ? entry.id === item.id : entry.from === item.id);
  const name = item.name || item.id;
  return html`<li class=${depth ? 'variant' : ''} data-id=${item.id}><div class="line">
    <div class="mark-cell">${picture(what, item)}</div>
    <div class="words"><h3>${name} <small>${item.id}</small></h3>
      ${FACTS[what](item)}${namesakeNote(what, item.name, item.id)}
      ${origin ? differs(what, origin, item) : item.variant_of ? html`<p class="differs">a variant of ${item.variant_of}, which is not in the book</p>` : nothing}
      ${'note' in item && item.note ? html`<p class="stock-note">${item.note}</p>` : nothing}</div>
    ${state.me.official ? html`<div class="does"><button aria-label="Change: ${name}" @click=${() => openEntry(what, item.id)}>Change</button>
      <button aria-label="Copy to a variant: ${name}" @click=${() => openEntry(what, '', item.id)}>Copy to a variant</button></div>` : nothing}
    ${what === 'locomotive' ? photoOf(item.id, name) : nothing}</div>
    ${open ? FORMS[what]() : nothing}</li>`;
}

/** @param {Kind} what @param {Item} origin @param {Item} item */
function differs(what, origin, item) {
  const words = few(differences(what, origin, item, { motorName }));
  return html`<div class="differs"><p>a variant of ${origin.name || origin.id}: ${words.length ? '' : 'nothing differs yet'}</p>
    ${words.length ? html`<ul>${words.map((w) => html`<li>${w}</li>`)}</ul>` : nothing}</div>`;
}

/** @param {Kind} what @param {Item} item */
function picture(what, item) {
  if (what === 'locomotive') return markPicture(markOf(item.id));
  return html`<svg class="mark glyph" viewBox="-12 -12 24 24" aria-hidden="true">${GLYPHS[what]}</svg>`;
}

/** @type {Record<Exclude<Kind, 'locomotive'>, unknown>} */
const GLYPHS = { consist: glyph('M-10-5H10V4H-10ZM-6 4A2.5 2.5 0 1 0-6 9A2.5 2.5 0 1 0-6 4M6 4A2.5 2.5 0 1 0 6 9A2.5 2.5 0 1 0 6 4'), motor: glyph('M-8-6H6V6H-8ZM6-1.5H11V1.5H6M-5-6V6M-2-6V6M1-6V6'), battery: glyph('M-7-7H7V10H-7ZM-3-10H3V-7H-3ZM-3-2H3M0-5V1M-3 5H3') };

/** A drawing in outline: it is of one kind, and tells none from another. @param {string} d */
function glyph(d) {
  return svg`<path d=${d} fill="none" stroke="currentColor" stroke-width="1.4"></path>`;
}

/** @param {[string, unknown][]} cells heading and words; those without words are left out */
function cells(cells) {
  const told = cells.filter(([, words]) => words);
  return told.length ? html`<dl class="cells">${told.map(([head, words]) => html`<div><dt>${head}</dt><dd>${words}</dd></div>`)}</dl>` : nothing;
}

/** @param {number | undefined} v @param {string} unit */
const figure = (v, unit) => (v ? html`<span class="num">${plain(v)}${unit && ` ${unit}`}</span>` : '');

/** @type {Record<Kind, (item: Item) => unknown>} */
const FACTS = {
  locomotive: (item) => {
    const l = /** @type {Locomotive} */ (item);
    return html`${cells([['owner', l.owner], ['mass', figure(l.mass_g, 'g')], ['length', figure(l.length_mm, 'mm')], ['resistance', resistanceWords(l.resistance)]])}${list(l.driver_sets).map(driverSet)}`;
  },
  consist: (item) => {
    const { cars, resistance } = /** @type {Consist} */ (item);
    const of = list(cars);
    return html`<p class="total">${totals(of)}</p>${cells([['resistance', resistanceWords(resistance)]])}${of.length ? html`${train(of)}<ol class="cars">${groups(of).map((g) => html`<li>${g}</li>`)}</ol>` : nothing}`;
  },
  motor: (item) => {
    const m = /** @type {NamedMotor} */ (item);
    return cells([['nominal', m.nominal_mv ? `${volts(m.nominal_mv)} V` : ''], ['turns', motorsInUse().get(m.id)?.join('; ')], ['curve', m.curve ? html`${m.curve.source || 'measured'}, <a href="#motors">see it</a>` : '']]);
  },
  battery: (item) => {
    const b = /** @type {Battery} */ (item);
    return cells([['chemistry', b.chemistry], ['cells', figure(b.cells, '')], ['capacity', figure(b.capacity_mah, 'mAh')], ['nominal', b.nominal_mv ? `${volts(b.nominal_mv)} V` : '']]);
  },
};

/** @param {number | undefined} v @param {number | undefined} u */
const withU = (v, u) => (v ? `${plain(v)}${u ? ` (u ${plain(u)})` : ''}` : '');

/** @param {DriverSet} s */
function driverSet(s) {
  return html`<div class="set"><b>${s.id}</b>${cells([['motor', s.motor && motorName(s.motor)], ['wheel', figure(s.wheel_diameter_mm, 'mm')], ['u', figure(s.wheel_diameter_u_mm, 'mm')], ['gear', figure(s.gear_ratio, '')],
    ['counts', figure(s.counts_per_motor_rev, '')], ['weight', figure(s.weight_g, 'g')], ['tyres', s.tyres ? 'fitted' : ''], ['efficiency', withU(s.gear_efficiency, s.gear_efficiency_u)], ['adhesion', withU(s.adhesion, s.adhesion_u)],
    ['wheel calibrated', s.calibration ? calibrationWords(s.calibration) : '']])}</div>`;
}

/** The train drawn to scale by the lengths that are known. @param {Car[]} of */
function train(of) {
  const known = of.map((c) => c.length_mm ?? 0).filter(Boolean);
  const usual = known.length ? known.reduce((a, b) => a + b, 0) / known.length : 100;
  const gap = usual / 8;
  let x = 0;
  const boxes = of.map((c) => {
    const w = c.length_mm || usual;
    const box = svg`<rect x=${x} y="0" width=${w} height=${usual / 3} class=${c.length_mm ? '' : 'unsure'}></rect>`;
    x += w + gap;
    return box;
  });
  return html`<svg class="train-drawing" viewBox="0 0 ${x - gap} ${usual / 3}" preserveAspectRatio="xMinYMid meet" aria-hidden="true">${boxes}</svg>`;
}

/** Cars in words, those alike that follow each other together. @param {Car[]} of */
function groups(of) {
  /** @type {{n: number, words: string}[]} */ const out = [];
  for (const c of of) {
    const words = [c.name, c.mass_g ? `${plain(c.mass_g)} g` : '', c.length_mm ? `${plain(c.length_mm)} mm` : '', c.axles ? `${c.axles} axles` : '', c.bearings ? `${c.bearings} bearings` : ''].filter(Boolean).join(', ') || 'a car, nothing stated';
    const last = out.at(-1);
    if (last?.words === words) last.n++;
    else out.push({ n: 1, words });
  }
  return out.map((g) => (g.n > 1 ? `${g.n} alike: ${g.words}` : g.words));
}

/** Motors that driver sets speak of and nobody has named. */
function unnamed() {
  const without = [...motorsInUse()].filter(([id]) => !stockItem('motor', id));
  const open = state.me.official && entry.what === 'motor' && entry.id && !stockItem('motor', entry.id);
  if (!without.length) return nothing;
  return html`<ul class="stock unnamed">${without.map(([id, sets]) => html`<li data-id=${id}><div class="line"><div class="mark-cell">${picture('motor', { id, name: '' })}</div>
    <div class="words"><h3><small>${id}</small></h3><p class="note">Turns ${sets.join('; ')}. It has no name yet.</p></div>
    ${state.me.official ? html`<div class="does"><button aria-label="Name it: motor ${id}" @click=${() => openEntry('motor', id)}>Name it</button></div>` : nothing}</div>
    ${open && entry.id === id ? motorForm() : nothing}</li>`)}</ul>`;
}
