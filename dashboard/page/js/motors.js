// Motor curves: what each motor of the roster is known to be, curves laid over each
// other, the sweep that finds them, and how well motors would run together.
/** @import {NamedMotor} from '../../types/wire.js' */
/** @import {Curved} from './overlay.js' */
import { html, nothing, guard, repeat } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { styles } from './css.js';
import { again } from './again.js';
import { setsNav } from './setsnav.js';
import { stock, motorName, motorsInUse } from './stock.js';
import { curveSheet, rowsOf, origin } from './motorcurve.js';
import { told } from './curve.js';
import { overlay, overlaid } from './overlay.js';
import { sweepSheet } from './sweepguide.js';
import { pairingSheet, pairing } from './pairing.js';
import { volts } from './differ.js';
import { narrow } from './chart.js';

await Promise.all([styles('results'), styles('sets'), styles('motors')]);

/** Motors whose sheet is unfolded, and those that were folded by hand. */
const folds = { open: new Set(), version: 0 };

/** All motors: those of the roster, and those that sets speak of. @returns {NamedMotor[]} */
function everyMotor() {
  const named = /** @type {NamedMotor[]} */ (stock('motor'));
  const ids = new Set(named.map((m) => m.id));
  return [...named, ...[...motorsInUse().keys()].filter((id) => !ids.has(id)).map((id) => ({ id, name: '' }))];
}

export function motorsView() {
  if (!state.view) return html`${setsNav('motors')}<div class="sheet welcome"><h1>Motor curves</h1><p>Calling the line…</p></div>`;
  const motors = everyMotor();
  const curved = /** @type {Curved[]} */ (motors.filter((m) => m.curve));
  const deps = [state.view, narrow.matches];
  return html`${setsNav('motors')}<h1 class="aside">Motor curves</h1><div class="motor-sheets">
    ${guard([...deps, folds.version], () => section('m-motors', 'Motors', 'what each is known to be', motors.length ? html`<ul class="motor-list">${repeat(motors, (m) => m.id, line)}</ul>` : html`<p class="empty">There is no motor yet. Write one down in the <a href="#roster">roster</a>, and name it in a locomotive’s driver set.</p>`))}
    ${guard([...deps, overlay.ids, overlay.volts], () => section('m-over', 'Laid over each other', 'the same voltage for all', curved.length > 1 ? overlaid(curved, motorName) : html`<p class="empty">Two motors with a curve are needed.</p>`))}
    ${section('m-sweep', 'Throttle sweep', 'finds the curve of every motor of a locomotive', sweepSheet())}
    ${guard([...deps, pairing.version], () => section('m-pairing', 'Pairing', 'how far every two would run apart', pairingSheet(curved)))}</div>`;
}

/** @param {string} id @param {string} title @param {string} caption @param {unknown} body */
function section(id, title, caption, body) {
  return html`<section class="sheet" aria-labelledby=${id}><div class="caption"><h2 id=${id}>${title}</h2><p>${caption}</p></div>${body}</section>`;
}

/** @param {NamedMotor} m */
function line(m) {
  const turns = motorsInUse().get(m.id);
  const head = html`<h3>${m.name || m.id}${m.name && m.name !== m.id ? html` <small>${m.id}</small>` : nothing}</h3><p class="faint">${[turns?.length ? `turns ${turns.join('; ')}` : 'in no driver set', m.nominal_mv ? `nominal ${volts(m.nominal_mv)} V` : ''].filter(Boolean).join(' · ')}</p>`;
  if (!m.curve) return html`<li data-motor=${m.id}>${head}<p class="note">No curve yet: sweep it below, or <a href="#roster">type one in from its data sheet</a></p></li>`;
  const open = folds.open.has(m.id);
  const [r, , kv, i0] = rowsOf(m.curve).map((x) => told(x.e, x.scale, x.alone).value);
  const fold = (/** @type {Event} */ e) => {
    const to = /** @type {HTMLDetailsElement} */ (e.target).open;
    if (to === folds.open.has(m.id)) return;
    folds.open[to ? 'add' : 'delete'](m.id);
    folds.version++;
    again();
  };
  return html`<li data-motor=${m.id}>${head}<p class="num in-short">R ${r} Ω · ${kv} rpm per V · I₀ ${i0} mA</p><p class="faint">${origin(m.curve)}</p>
    <details ?open=${open} @toggle=${fold}><summary>The curve of ${m.name || m.id}</summary>${open ? curveSheet(m.id, m.curve, m.nominal_mv) : nothing}</details></li>`;
}
