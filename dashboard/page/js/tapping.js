// A hand as a gate: the large button, the space bar and the digits. The instant
// is the event's own, taken before anything else is done.
/** @import {Gate} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, circuit, openTrials, locomotive, clock } from './store.js';
import { Tapper, agentName } from './tap.js';
import { localUs } from './clock.js';
import { list } from './merge.js';
import { clock as clockTime } from './format.js';
import { settings, prefer } from './settings.js';
import { again } from './again.js';
import { say } from './decide.js';

/** What the last tap was, for who looks or listens. */
const noted = { text: '', count: 0 };

export const tapper = new Tapper(agentName(sessionStorage), localStorage, (t) => {
  state.taps = t;
  if (t.refused) say(t.refused);
  again();
});

/** Gates in order along the lap: the digit of a gate is its place. @returns {Gate[]} */
export function tapGates() {
  return list(circuit()?.gates).toSorted((a, b) => a.position_mm - b.position_mm);
}

/** The gate of the space bar. */
export function timingGate() {
  const gates = tapGates();
  return gates.find((g) => g.timing) ?? gates[0];
}

export function tapsTaken() {
  return Boolean(state.me.official && openTrials().length && timingGate());
}

/** @param {Gate | undefined} gate @param {number} stampMs the event's timeStamp */
function tapAt(gate, stampMs) {
  if (!gate || !tapsTaken()) return;
  const atUs = localUs(stampMs);
  tapper.tap(gate.id, atUs, tagInUse());
  noted.count++;
  noted.text = `Tap ${noted.count} noted at ${gate.id}, ${clockTime(clock.busUs(atUs))}`;
  const plate = document.querySelector(`[data-gate="${gate.id}"]`);
  plate?.classList.remove('struck');
  requestAnimationFrame(() => plate?.classList.add('struck'));
}

/** A tag only counts while its trial is open. */
function tagInUse() {
  return openTrials().some((r) => r.trial.tag === settings.tag) ? settings.tag : '';
}

/** Is the key meant for what has the focus? @param {EventTarget | null} target */
function busy(target) {
  if (document.querySelector('dialog[open]')) return true;
  if (!(target instanceof HTMLElement)) return false;
  return target.isContentEditable || Boolean(target.closest('input, select, textarea, summary, button:not(.plate)'));
}

/** @param {KeyboardEvent} e @returns {Gate | undefined} */
function gateOfKey(e) {
  if (e.ctrlKey || e.altKey || e.metaKey) return undefined;
  const plate = e.target instanceof HTMLElement ? e.target.closest('.plate') : null;
  if (plate && (e.code === 'Enter' || e.code === 'Space')) return tapGates().find((g) => g.id === plate.getAttribute('data-gate'));
  if (e.code === 'Space') return timingGate();
  return /^[1-9]$/.test(e.key) ? tapGates()[Number(e.key) - 1] : undefined;
}

/** Listens for keys for as long as the page lives; onLine says whether taps are shown. @param {() => boolean} onLine */
export function listenForKeys(onLine) {
  addEventListener('keydown', (e) => {
    if (!onLine() || !tapsTaken() || busy(e.target)) return;
    const gate = gateOfKey(e);
    if (!gate) return;
    e.preventDefault(); // no scrolling, and no click of the button as well
    if (!e.repeat) tapAt(gate, e.timeStamp);
  });
  addEventListener('keyup', (e) => {
    const plate = e.target instanceof HTMLElement && e.target.closest('.plate');
    if (plate && e.code === 'Space') e.preventDefault();
  });
  // A control used with the mouse gives the space bar back to the gate.
  addEventListener('click', (e) => {
    if (!onLine() || !tapsTaken() || e.detail === 0 || !(e.target instanceof HTMLElement)) return;
    const used = e.target.closest('button, label, summary, input[type=radio], input[type=checkbox]');
    if (used && !e.target.closest('dialog')) /** @type {HTMLElement | null} */ (document.activeElement)?.blur();
  });
}

export function tapPanel() {
  if (!tapsTaken()) return nothing;
  const timing = timingGate();
  const others = tapGates().filter((g) => g !== timing);
  return html`<section class="tap" aria-label="Tap timing">
    <div class="plates">${plate(timing, true)}${others.length ? html`<div class="others">${others.map((g) => plate(g, false))}</div>` : nothing}</div>
    <div class="tap-words">${tags()}<p role="status">${noted.text || html`<span class="hint">Tap as the same part of the train passes the gate.</span>`}</p>${unsent()}</div>
  </section>`;
}

/** @param {Gate} gate @param {boolean} timing */
function plate(gate, timing) {
  const digit = tapGates().indexOf(gate) + 1;
  return html`<button class="plate ${timing ? 'timing' : ''}" data-gate=${gate.id}
    @pointerdown=${(/** @type {PointerEvent} */ e) => press(e, gate)} @click=${(/** @type {MouseEvent} */ e) => e.detail === 0 && tapAt(gate, e.timeStamp)}>
    <b>${timing ? 'Tap' : gate.id}</b><small>${timing ? html`${gate.id}<span class="keys"> · space bar</span>` : html`<span class="keys">${digit < 10 ? `key ${digit}` : ''}</span>`}</small></button>`;
}

/** @param {PointerEvent} e @param {Gate} gate */
function press(e, gate) {
  if (e.button === 0) tapAt(gate, e.timeStamp);
}

/** With several trains out, a tap can say which one it was. */
function tags() {
  const tagged = openTrials().filter((r) => r.trial.tag);
  if (openTrials().length < 2 || !tagged.length) return nothing;
  const names = tagged.map((r) => [String(r.trial.tag), locomotive(r.trial.locomotive)?.name ?? r.trial.locomotive]);
  return html`<fieldset class="windows"><legend>Taps are for</legend>${[['', 'any train'], ...names].map(([tag, name]) => html`
    <label><input type="radio" name="tag" .checked=${tagInUse() === tag} @change=${() => { prefer({ tag }); again(); }}><span>${name}</span></label>`)}</fieldset>`;
}

function unsent() {
  const { unsent: n, why } = state.taps;
  return n ? html`<p class="unsent"><b>${n} ${n === 1 ? 'tap' : 'taps'} not yet in the book.</b> Kept here and sent again.${why ? ` ${why}` : ''}</p>` : nothing;
}
