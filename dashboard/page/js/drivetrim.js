// Trim: it holds two driver sets of a locomotive at one surface speed by taking a little
// off the faster one's throttle, never by adding.
/** @import {Locomotive, DrivenMotor} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { choice, Filled } from './forms.js';
import { command } from './authority.js';
import { perCent, share } from './drivelive.js';

/** Per cent that trim may take off when nothing else is said. */
const MOST = 20;

/** @param {Locomotive} loco @param {DrivenMotor[]} motors */
export function trimSection(loco, motors) {
  const sets = motors.flatMap((m) => (m.set ? [m.set] : []));
  const trim = list(state.driving?.trims).find((t) => t.locomotive === loco.id && t.on);
  const turn = (/** @type {SubmitEvent} */ e) => {
    e.preventDefault();
    if (trim) return trimTo(loco.id, trim.a, trim.b, false, 0);
    const f = new Filled(/** @type {HTMLFormElement} */ (e.target));
    const [a, b] = sets.length > 2 ? [f.text('a'), f.text('b')] : sets;
    return trimTo(loco.id, a, b, true, Math.round(f.number('most') * 10));
  };
  return html`<form class="trim" data-trim=${loco.id} @submit=${turn}><h4>Trim: one surface speed for both sets</h4>
    ${trim ? html`<p>On for ${trim.a} and ${trim.b}, with ${perCent(trim.most_permille || MOST * 10)} at most. Desync <b class="num" data-desync=${trim.desync ?? ''}>${share(trim.desync, trim.u_desync)}</b>;
        it takes <b class="num">${perCent(trim.a_permille)}</b> off ${trim.a} and <b class="num">${perCent(trim.b_permille)}</b> off ${trim.b}.</p>
        ${trim.why ? html`<p class="why"><b>${trim.saturated ? 'At its limit' : 'Not at work'}:</b> ${trim.why}.</p>` : nothing}`
    : html`<div class="fields">${sets.length > 2 ? html`${choice('Set', 'a', sets.map((s) => [s, s]), sets[0])}${choice('and set', 'b', sets.map((s) => [s, s]), sets[1])}` : nothing}
        <label><span>It may take off <small>% of the throttle asked, at most</small></span><input name="most" type="number" inputmode="decimal" min="1" max="100" step="any" value=${MOST} required></label></div>`}
    <p class="acts"><button class=${trim ? '' : 'primary'}>${trim ? 'Trim off' : 'Trim on'}</button></p></form>`;
}

/** @param {string} locomotive @param {string} a @param {string} b @param {boolean} on @param {number} most per mille */
export function trimTo(locomotive, a, b, on, most) {
  return command({ do: 'trim', trim: { locomotive, a, b, on, most_permille: most } });
}
