// What stands beside stop-all: who drives, or that this is not known any more, and for a
// minute who stopped and why. And where it stands: a slip that is laid over the sheet
// shuts out what is beneath, so stop-all goes on top of the slip.
import { html } from '../lib/lit-3.3.3.js';
import { state, clock } from './store.js';
import { clock as timeOf } from './format.js';
import { again } from './again.js';
import { drawStop } from './stop.js';

const SHOWN_US = 60e6;
/** While somebody drives it is told four times a second; a replay's page asks once a second. */
const OLD_MS = 2500;

let timer = 0;

/** @param {HTMLElement} box in which stop-all stands */
export function stopWords(box) {
  place(box);
  const d = state.driving;
  const leftUs = d?.stopped_us && !d.holder ? SHOWN_US - (presentUs() - d.stopped_us) : 0;
  clearTimeout(timer);
  timer = setTimeout(anew, leftUs > 0 ? Math.min(leftUs / 1000 + 50, OLD_MS) : OLD_MS);
  const too = html`<small>Escape stops too</small>`;
  if (d?.holder) return html`<p role="status">${drivenOld() ? html`<b>Not known whether ${d.holder} still drives:</b> ${notToldSince()}.` : html`<b>${d.holder}</b> drives ${d.motors?.length ?? 0} motors`} ${too}</p>`;
  if (leftUs > 0) return html`<p role="status"><b>All motors stopped</b> at ${timeOf(d?.stopped_us)} by ${d?.stopped_by}${d?.why ? `: ${d.why}` : ''}</p>`;
  return html`<p class="idle">${drivenOld() ? 'Not known whether anybody drives.' : 'Nobody drives.'} ${too}</p>`;
}

function anew() {
  drawStop();
  if (drivenOld()) again();
}

/** A replay's clock is of then. */
const presentUs = () => (state.view?.replay ? Date.now() * 1000 : clock.busUs());

/** Is what was told of who drives too old to be so still? */
export function drivenOld() {
  const old = performance.now() - state.drivenMs > OLD_MS;
  return state.view?.replay ? old : state.phase !== 'live' || (old && Boolean(state.driving?.holder));
}

/** Since when nothing was told, in words. */
export function notToldSince() {
  return `nothing was told since ${timeOf(presentUs() - (performance.now() - state.drivenMs) * 1000)}`;
}

/** @param {HTMLElement} box */
function place(box) {
  const slip = [...document.querySelectorAll('dialog:modal')].pop();
  if (box.parentElement === (slip ?? document.body)) return;
  if (slip) slip.prepend(box);
  else document.getElementById('head')?.after(box);
}

document.addEventListener('toggle', drawStop, true);
