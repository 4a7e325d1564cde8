// A throttle for one motor or for all of a locomotive: a slider, a number, steps, and
// keys. Forward and reverse are told apart beside it, and changed with it closed.
/** @import {DrivenMotor} from '../../types/wire.js' */
import { html, live, noChange } from '../lib/lit-3.3.3.js';
import { fixed } from './format.js';
import { again } from './again.js';
import { command, dropped, told } from './authority.js';
import { perCent } from './drivelive.js';

const FULL = 1000;
const OURS_MS = 700; // for so long what was set here is shown, not what is told of a moment ago

/** @type {Map<string, {permille: number, atMs: number}>} by motor: what was set here last */
const wanted = new Map();
/** @type {Set<string>} throttles that stand at reverse */
const reverse = new Set();
/** @type {Map<string, number>} by motor: what has not been told yet */
const waiting = new Map();
const sending = { busy: false, rampS: 2 };

// What was asked under one authority is not sent under the next.
dropped.push(() => [wanted, waiting].forEach((m) => m.clear()));

/** Seconds from closed to full. */
export const rampS = () => sending.rampS;

export function rampField() {
  const set = (/** @type {Event} */ e) => {
    const v = Number(/** @type {HTMLInputElement} */ (e.target).value);
    if (v >= 0.1 && v <= 600) sending.rampS = v;
  };
  return html`<label class="ramp"><span>Ramp <small>seconds from closed to full</small></span><input id="ramp" type="number" inputmode="decimal" min="0.1" max="600" step="any" value=${sending.rampS} @change=${set}></label>`;
}

/** Asks a throttle of motors; what is asked meanwhile goes together. @param {string[]} motors @param {number} permille */
export function setThrottle(motors, permille) {
  const atMs = performance.now();
  for (const m of motors) {
    wanted.set(m, { permille, atMs });
    waiting.set(m, permille);
  }
  send();
  again();
}

async function send() {
  if (sending.busy || !waiting.size) return;
  sending.busy = true;
  const duties = Object.fromEntries(waiting);
  waiting.clear();
  await command({ do: 'throttle', duties_permille: duties, ramp_s: sending.rampS });
  sending.busy = false;
  send();
}

/** What a motor's throttle stands at here. @param {DrivenMotor} m */
function standsAt(m) {
  const ours = wanted.get(m.motor);
  return ours && performance.now() - ours.atMs < OURS_MS ? ours.permille : m.asked_permille;
}

/** @param {string} key @param {string} title @param {DrivenMotor[]} motors */
export function throttle(key, title, motors) {
  const ids = motors.map((m) => m.motor);
  const each = motors.map(standsAt);
  const shown = each.reduce((most, v) => (Math.abs(v) > Math.abs(most) ? v : most), 0);
  const moving = each.some(Boolean) || motors.some((m) => m.duty_permille !== 0);
  if (each.some(Boolean)) reverse[shown < 0 ? 'add' : 'delete'](key);
  const back = reverse.has(key);
  const size = Math.abs(shown);
  const put = (/** @type {number} */ v) => setThrottle(ids, (back ? -1 : 1) * Math.round(Math.min(FULL, Math.max(0, v))));
  const of = (/** @type {Event} */ e) => Number(/** @type {HTMLInputElement} */ (e.target).value);
  // What is typed is taken as it stands or not at all: 640 is a slip, and not full throttle.
  const typed = (/** @type {Event} */ e) => {
    const input = /** @type {HTMLInputElement} */ (e.target);
    const v = Number(input.value);
    if (input.value !== '' && v >= 0 && v <= FULL / 10) return put(v * 10);
    Object.assign(told, { refused: `a throttle is from 0 to 100 %: ${input.value || 'that'} was not taken` });
    input.value = fixed(size / 10, 1);
    again();
  };
  const keys = (/** @type {KeyboardEvent} */ e) => {
    const typing = /** @type {HTMLElement} */ (e.target).matches('input[type=number]');
    const step = { '+': 10, '=': 10, '-': -10, PageUp: 50, PageDown: -50 }[e.key];
    if (e.ctrlKey || e.altKey || e.metaKey || (typing && !e.key.startsWith('Page')) || (!step && e.key !== '0')) return;
    e.preventDefault();
    put(step ? size + step : 0);
  };
  return html`<fieldset class="throttle" data-throttle=${key} @keydown=${keys}><legend>${title}${new Set(each).size > 1 ? html` <small>they differ: ${each.map(perCent).join(', ')}</small>` : ''}</legend>
    <div class="windows ways" role="radiogroup" aria-label="Way: ${title}">${[false, true].map((r) => html`<label><input type="radio" name=${`way-${key}`} .checked=${live(back === r)} ?disabled=${moving} @change=${() => { reverse[r ? 'add' : 'delete'](key); again(); }}><span>${r ? 'Reverse' : 'Forward'}</span></label>`)}</div>
    <input type="range" min="0" max=${FULL} step="5" aria-label="Throttle: ${title}" aria-valuetext=${`${perCent(size)} ${back ? 'reverse' : 'forward'}`} .value=${live(String(size))} @input=${(/** @type {Event} */ e) => put(of(e))}>
    <div class="steps"><button type="button" aria-label="1 % less: ${title}" @click=${() => put(size - 10)}>−</button>
      <label><span class="aside">Per cent: ${title}</span><input id=${`number-${key}`} type="number" inputmode="decimal" min="0" max="100" step="any" .value=${document.activeElement?.id === `number-${key}` ? noChange : live(fixed(size / 10, 1))} @change=${typed}></label><span aria-hidden="true">%</span>
      <button type="button" aria-label="1 % more: ${title}" @click=${() => put(size + 10)}>+</button>
      <button type="button" class="close" aria-label="Close: ${title}" @click=${() => put(0)}>Close</button></div></fieldset>`;
}
