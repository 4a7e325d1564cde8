// What stands beside stop-all: who drives, and for a minute who stopped and why. And
// where it stands: a slip that is laid over the sheet shuts out what is beneath, so
// stop-all goes on top of the slip.
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, clock } from './store.js';
import { clock as timeOf } from './format.js';
import { drawStop } from './stop.js';

const SHOWN_US = 60e6;

let timer = 0;

/** @param {HTMLElement} box in which stop-all stands */
export function stopWords(box) {
  place(box);
  const d = state.driving;
  if (d?.holder) return html`<p role="status"><b>${d.holder}</b> drives ${d.motors?.length ?? 0} motors <small>Escape stops too</small></p>`;
  const nowUs = state.view?.replay ? Date.now() * 1000 : clock.busUs(); // a replay's clock is of then
  const leftUs = d?.stopped_us ? SHOWN_US - (nowUs - d.stopped_us) : 0;
  if (leftUs <= 0) return nothing;
  clearTimeout(timer);
  timer = setTimeout(drawStop, leftUs / 1000 + 50);
  document.body.dataset.stop = 'lately';
  return html`<p role="status"><b>All motors stopped</b> at ${timeOf(d?.stopped_us)} by ${d?.stopped_by}${d?.why ? `: ${d.why}` : ''}</p>`;
}

/** @param {HTMLElement} box */
function place(box) {
  const slip = [...document.querySelectorAll('dialog:modal')].pop();
  if (box.parentElement === (slip ?? document.body)) return;
  if (slip) slip.prepend(box);
  else document.getElementById('head')?.after(box);
}

document.addEventListener('toggle', drawStop, true);
