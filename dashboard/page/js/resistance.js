// The resistance of running of a locomotive or consist: its fields in a form, folded
// away, and in words.
/** @import {Resistance} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { field } from './forms.js';
import { plain } from './fields.js';

/** @typedef {'a_m_s2' | 'b_per_s' | 'c_per_m' | 'curve_m_s2'} Term */
/** @typedef {'a_u_m_s2' | 'b_u_per_s' | 'c_u_per_m' | 'curve_u_m_s2'} TermU */
/** @type {[Term, TermU, string, string][]} */
const TERMS = [['a_m_s2', 'a_u_m_s2', 'a, always there', 'm/s²'], ['b_per_s', 'b_u_per_s', 'b, with speed', '1/s'], ['c_per_m', 'c_u_per_m', 'c, with its square', '1/m'], ['curve_m_s2', 'curve_u_m_s2', 'more on curves', 'm/s²']];

/** @param {Resistance | undefined} r @param {string} of what it is of */
export function resistanceFields(r, of) {
  return html`<details class="more"><summary>Resistance of running${r ? '' : ', not stated'}</summary>
    <p class="note">${of}: how fast it slows by itself, a + b v + c v², v in m/s, and what a curve adds. Each with its standard uncertainty u.</p>
    <div class="fields">${TERMS.map(([key, u, words, unit]) => html`${field(words, `res.${key}`, { unit, number: true, max: 1000, value: r?.[key] || '' })}${field('its u', `res.${u}`, { unit, number: true, max: 1000, value: r?.[u] || '' })}`)}
      ${field('Had from', 'res.source', { value: r?.source, max: 200, hint: 'coasting down, three runs' })}</div>
    ${r?.covariance ? html`<input type="hidden" name="res.covariance" value=${JSON.stringify(r.covariance)}>` : nothing}</details>`;
}

/** Nothing when no field of it is filled. Terms measured together stay so: where an uncertainty was changed by hand the service leaves their
 * covariance alone. @param {Filled} f @returns {Resistance | undefined} */
export function readResistance(f) {
  const r = /** @type {Resistance} */ ({ a_m_s2: 0, source: f.text('res.source') });
  for (const [key, u] of TERMS) Object.assign(r, { [key]: f.number(`res.${key}`), [u]: f.number(`res.${u}`) });
  if (!Object.values(r).some(Boolean)) return undefined;
  const together = f.text('res.covariance');
  return together ? { ...r, covariance: JSON.parse(together) } : r;
}

/** @param {Resistance | undefined} r */
export function resistanceWords(r) {
  if (!r) return '';
  const told = TERMS.filter(([key]) => r[key]).map(([key, u, words, unit]) => `${words.split(',')[0]} ${plain(r[key] ?? 0)}${r[u] ? ` (u ${plain(r[u] ?? 0)})` : ''} ${unit}`);
  return html`${told.join(', ')}${r.source ? html` <small>${r.source}</small>` : nothing}`;
}
