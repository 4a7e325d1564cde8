// What each motor under authority is asked, commanded and does, read only.
/** @import {Driving, DrivenMotor} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, locomotive, nowUs } from './store.js';
import { list } from './merge.js';
import { drivenOld } from './stopwords.js';
import { fixed, signed, known, DASH } from './format.js';

const OLD_US = 1e6;

/** Per mille as per cent. @param {number | undefined | null} v */
export const perCent = (v) => (known(v) ? `${fixed(v / 10, 1)} %` : DASH);

/** @param {DrivenMotor} m */
export function motorWords(m) {
  const loco = m.locomotive && (locomotive(m.locomotive)?.name || m.locomotive);
  return loco ? `${loco}, ${m.set}` : m.motor;
}

/** How old the last reading is, in words. @param {DrivenMotor} m */
export function ageWords(m) {
  if (!m.heard_us) return 'no reading yet';
  const s = Math.max(0, nowUs() - m.heard_us) / 1e6;
  return s > 99 ? 'over 99 s' : `${fixed(s, 1)} s`;
}

/** @param {DrivenMotor} m */
const old = (m) => drivenOld() || !m.heard_us || nowUs() - m.heard_us > OLD_US;

/** What trim takes off a motor's throttle; null when no trim is on for it. @param {DrivenMotor} m */
export function trimOf(m) {
  const t = list(state.driving?.trims).find((x) => x.locomotive === m.locomotive && (x.a === m.set || x.b === m.set));
  return t ? (t.a === m.set ? t.a_permille : t.b_permille) : null;
}

/** A fraction with its 95 % half width, said to be none where it cannot be told. @param {number | null | undefined} v @param {number | null | undefined} u */
export function share(v, u) {
  if (!known(v)) return DASH;
  const shown = `${signed(100 * v, 2)} %`;
  return known(u) && Math.abs(v) < 1.96 * u ? html`${shown} <small>not distinguishable from zero</small>` : shown;
}

/** @param {Driving} d */
export function drivenTable(d) {
  return html`<div class="scroll"><table class="driven cards" aria-label="Motors under authority"><thead><tr><th scope="col">motor</th><th scope="col" class="num">asked</th><th scope="col" class="num">commanded</th><th scope="col" class="num">trim takes</th>
      <th scope="col" class="num">wheel speed</th><th scope="col" class="num">slip</th><th scope="col" class="num">desync</th><th scope="col" class="num">reading</th></tr></thead>
    <tbody>${list(d.motors).map(row)}</tbody></table></div>`;
}

/** @param {DrivenMotor} m */
function row(m) {
  const v = state.motors.get(m.motor);
  const off = trimOf(m);
  return html`<tr data-motor=${m.motor} class=${old(m) ? 'old' : ''}><th scope="row">${motorWords(m)} <small>${m.motor}</small>${m.why ? html`<br><b>${m.why}</b>` : nothing}</th>
    <td class="num" data-name="asked" data-asked=${m.asked_permille}>${perCent(m.asked_permille)}</td><td class="num" data-name="commanded" data-duty=${m.duty_permille}><b>${perCent(m.duty_permille)}</b></td><td class="num" data-name="trim takes">${off === null ? DASH : perCent(off)}</td>
    <td class="num" data-name="wheel speed">${known(m.wheel_speed_mm_s) ? `${fixed(m.wheel_speed_mm_s, 0)} mm/s` : DASH}</td><td class="num" data-name="slip">${share(v?.slip, v?.u_slip)}</td><td class="num" data-name="desync">${share(v?.desync, v?.u_desync)}</td>
    <td class="num" data-name="age of the reading">${ageWords(m)}</td></tr>`;
}
