// How far every two motors would run apart, each alone, over the range of throttles:
// a table of pairs with a small plot of each.
/** @import {Assumption, Pairing, PairingTable} from '../../types/wire.js' */
/** @import {Curved} from './overlay.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, svg } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { again } from './again.js';
import { at, Refused } from './api.js';
import { posted } from './fetched.js';
import { choice, submitting } from './forms.js';
import { chart } from './chart.js';
import { motorName } from './stock.js';
import { fixed, known, DASH } from './format.js';

const MOST = 30;

export const pairing = {
  /** @type {PairingTable | null} */ table: null,
  refused: '', asking: false, all: false, sort: 'worst',
  version: 0,
};

function redraw() {
  pairing.version++;
  again();
}

/** @param {Curved[]} motors */
export function pairingSheet(motors) {
  const engines = list(state.view?.locomotives).filter((l) => list(l.driver_sets).length);
  if (motors.length < 2) return html`<p class="empty">Two motors with a curve are needed.</p>`;
  if (!engines.length) return html`<p class="empty">A locomotive with a driver set is needed, to put the motors into.</p>`;
  const volts = Math.max(0, ...motors.map((m) => (m.nominal_mv ?? 0) / 1000)) || 6;
  return html`<form class="pair-form" @submit=${submitting(ask)}><p class="part">Each pair of motors, with each gear, is put into the first driver set of a locomotive in turn, running alone with its share of the train. Desync is the difference of the two speeds over their mean.</p>
    <div class="fields">${choice('In', 'locomotive', engines.map((l) => [l.id, l.name || l.id]))}${choice('With', 'consist', [['', 'nothing behind'], ...list(state.view?.consists).map((c) => /** @type {[string, string]} */ ([c.id, c.name || c.id]))])}
      <label><span>Supply <small>V</small></span><input type="number" name="volts" inputmode="decimal" step="any" min="0.1" max="100" required value=${volts}></label>
      <label><span>Gears <small>motor turns a wheel turn, with commas</small></span><input name="gears" placeholder="the set’s own" autocomplete="off" maxlength="100"></label></div>
    <fieldset class="picks"><legend>Motors</legend>${motors.map((m) => html`<label class="check"><input type="checkbox" name="motor" value=${m.id} checked><span>${motorName(m.id)}</span></label>`)}</fieldset>
    <p class="acts"><button class="primary">${pairing.asking ? 'Reckoning…' : 'Reckon the pairs'}</button></p></form>
    <div role="status">${pairing.refused ? html`<p class="refusal">${pairing.refused}</p>` : nothing}</div>
    ${pairing.table ? answer(pairing.table) : nothing}`;
}

/** @param {Filled} f */
async function ask(f) {
  const l = list(state.view?.locomotives).find((x) => x.id === f.text('locomotive'));
  const gears = f.text('gears').split(/[;,\s]+/).filter(Boolean).map(Number);
  if (!l || gears.some((g) => !(g > 0))) {
    Object.assign(pairing, { refused: 'Gears are numbers above 0, with commas between them: 18, 22.5.' });
    return redraw();
  }
  Object.assign(pairing, { asking: true, refused: '', all: false });
  redraw();
  const consist = list(state.view?.consists).find((c) => c.id === f.text('consist'));
  try {
    pairing.table = await (await posted(at('/api/pairing'), { locomotive: l, ...(consist && { consist }), compare: f.texts('motor'), gears, supply_mv: f.number('volts') * 1000 })).json();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    Object.assign(pairing, { refused: e.message, table: null });
  }
  pairing.asking = false;
  redraw();
}

/** @param {PairingTable} t */
function answer(t) {
  const sorted = list(t.pairings).toSorted(SORTS[pairing.sort]);
  const shown = pairing.all ? sorted : sorted.slice(0, MOST);
  const l = list(state.view?.locomotives).find((x) => x.id === t.locomotive);
  return html`<div class="pair-sort">${choice('Sorted by', 'pair-sort', [['worst', 'worst case, best pair first'], ['last', 'worst case, worst pair first'], ['name', 'names']], pairing.sort, (v) => { pairing.sort = v; redraw(); })}</div>
    <table class="ruled pairs"><caption>In ${l?.name || t.locomotive}${t.consist ? ` with ${t.consist}` : ''}, at ${fixed(t.supply_mv / 1000, 1)} V: ${sorted.length} ${sorted.length === 1 ? 'pair' : 'pairs'}</caption><thead><tr><th scope="col">A</th><th scope="col">B</th><th scope="col">worst desync, <span class="unit">%</span><small>95 % interval</small></th><th scope="col">over the throttle</th></tr></thead>
      <tbody>${shown.map(row)}</tbody></table>
    ${shown.length < sorted.length ? html`<p class="acts"><button @click=${() => { pairing.all = true; redraw(); }}>Show all ${sorted.length}</button></p>` : nothing}
    ${assumed(list(t.assumed), list(t.doubts))}`;
}

/** @type {Record<string, (a: Pairing, b: Pairing) => number>} */
const SORTS = {
  worst: (a, b) => a.worst_abs - b.worst_abs,
  last: (a, b) => b.worst_abs - a.worst_abs,
  name: (a, b) => motorName(a.a).localeCompare(motorName(b.a)) || motorName(a.b).localeCompare(motorName(b.b)) || a.gear_a - b.gear_a || a.gear_b - b.gear_b,
};

/** What was taken, in words with the figure; and doubts. @param {Assumption[]} taken @param {string[]} doubts */
export function assumed(taken, doubts) {
  return html`${taken.length ? html`<details class="assumed"><summary>What nobody measured and had to be taken (${taken.length})</summary><ul>${taken.map((a) => html`<li><b>${a.name}</b> <span class="num">${plain(a.value)} ± ${plain(a.u)}</span> <small>standard uncertainty</small>: ${a.text}</li>`)}</ul></details>` : nothing}
    ${doubts.length ? html`<ul class="doubts">${doubts.map((d) => html`<li>${d}</li>`)}</ul>` : nothing}`;
}

/** @param {number} v */
const plain = (v) => String(Number(v.toPrecision(3)));

/** @param {number | null | undefined} v */
const part = (v) => (known(v) ? fixed(100 * v, 2) : DASH);

/** @param {Pairing} p */
function row(p) {
  const worst = list(p.at).toSorted((a, b) => Math.abs(b.desync.value ?? 0) - Math.abs(a.desync.value ?? 0))[0];
  const name = (/** @type {string} */ id, /** @type {number} */ gear) => html`${motorName(id)}<small>gear ${plain(gear)}</small>`;
  const points = list(p.at).map((x) => ({ x: x.duty_permille / 10, y: known(x.desync.value) ? 100 * x.desync.value : null, lo: known(x.desync.lo) ? 100 * x.desync.lo : null, hi: known(x.desync.hi) ? 100 * x.desync.hi : null }));
  const words = `${motorName(p.a)} and ${motorName(p.b)}`;
  return html`<tr data-pair=${`${p.a} ${p.gear_a} ${p.b} ${p.gear_b}`}><th scope="row">${name(p.a, p.gear_a)}</th><td data-label="B">${name(p.b, p.gear_b)}</td><td data-label="worst desync, %" class="num">${part(worst?.desync.value)}<small>${part(worst?.desync.lo)} to ${part(worst?.desync.hi)}, at ${fixed((worst?.duty_permille ?? 0) / 10, 0)} %</small></td>
    <td class="remarks"><details><summary>${spark(points, words)}<span class="aside">Desync of ${words} in figures</span></summary>
      ${chart({ title: words, x: 'throttle, %', y: 'desync, %', layers: [{ kind: 'rule', points: [{ x: 0, y: 0 }] }, { kind: 'band', ink: 2, points, name: '95 % interval' }, { kind: 'line', ink: 2, points }] })}
      <table class="figures-of"><thead><tr><th scope="col">throttle</th><th scope="col">desync, %</th><th scope="col">95 % interval</th></tr></thead><tbody>${points.map((q) => html`<tr><th scope="row" class="num">${fixed(q.x, 0)} %</th><td class="num">${fixed(q.y, 2)}</td><td class="num">${fixed(q.lo, 2)} to ${fixed(q.hi, 2)}</td></tr>`)}</tbody></table></details></td></tr>`;
}

/** A small picture of a pair: the line, its band, and nought. @param {import('./chart.js').Point[]} points @param {string} words */
function spark(points, words) {
  const there = points.filter((q) => known(q.y) && known(q.lo) && known(q.hi));
  if (there.length < 2) return html`<span>${DASH}</span>`;
  const ends = [0, ...there.flatMap((q) => [q.lo ?? 0, q.hi ?? 0])];
  const [lo, hi] = [Math.min(...ends), Math.max(...ends)];
  const x = (/** @type {number} */ v) => fixed(2 + ((v - there[0].x) / (there[there.length - 1].x - there[0].x)) * 156, 1);
  const y = (/** @type {number} */ v) => (40 - ((v - lo) / Math.max(hi - lo, 1e-9)) * 36).toFixed(1);
  return html`<svg class="spark" viewBox="0 0 160 44" role="img" aria-label=${`${words}: desync from ${fixed(lo, 2)} to ${fixed(hi, 2)} % with its interval`}><path class="base" d="M2 ${y(0)}H158"></path>
    ${svg`<path class="band ink2" d=${`M${there.map((q) => `${x(q.x)} ${y(q.hi ?? 0)}`).join('L')}L${there.toReversed().map((q) => `${x(q.x)} ${y(q.lo ?? 0)}`).join('L')}Z`}></path><path class="thread ink2" d=${`M${there.map((q) => `${x(q.x)} ${y(q.y ?? 0)}`).join('L')}`}></path>`}</svg>`;
}
