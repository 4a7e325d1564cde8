// Stop-all, on every screen: a large button while anything is driven, and the escape
// key. It needs nobody signed in, and it does not wait for the rest of the page: what
// was pressed is shown at once, and is told again and again until it is answered. Who
// drives, or stopped, is in words that are fetched when there is something to say.
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state, onChange, putDriving } from './store.js';
import { at } from './api.js';
import { later } from './later.js';

const EVERY_MS = 400; // told again when not answered
const LOST_MS = 2000; // a request is given up

const box = /** @type {HTMLElement} */ (document.getElementById('stop'));
const words = later(() => import('./stopwords.js').then((m) => (setTimeout(drawStop), m)));
const stop = { pressed: 0, timer: 0, trouble: '' };
/** Who holds authority here lets go of it when stop is pressed, told or not. @type {(() => void)[]} */
export const pressed = [];

/** Tells every motor to stop. @param {string} why */
function stopAll(why) {
  Object.assign(stop, { pressed: performance.now(), trouble: '' });
  for (const f of pressed) f();
  tell(why);
  drawStop();
}

/** @param {string} why */
async function tell(why) {
  const from = stop.pressed;
  clearTimeout(stop.timer);
  stop.timer = setTimeout(() => {
    stop.trouble ||= 'no answer';
    tell(why);
    drawStop();
  }, EVERY_MS);
  const trouble = await post(why).catch(() => 'no answer');
  if (from !== stop.pressed) return;
  stop.trouble = trouble;
  if (!trouble) {
    clearTimeout(stop.timer);
    stop.pressed = 0;
  }
  drawStop();
}

/** Why it could not be told; '' when it was. @param {string} why @returns {Promise<string>} */
async function post(why) {
  const response = await fetch(at('/api/stop'), { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Rainhill': '1' }, body: JSON.stringify({ why }), keepalive: true, signal: AbortSignal.timeout(LOST_MS) });
  const reply = await response.json();
  if (reply.ok) putDriving(reply.driving);
  return reply.ok ? '' : reply.reason;
}

export function drawStop() {
  const { pressed: asked, trouble } = stop;
  const driven = Boolean(asked || state.driving?.holder);
  const said = state.driving && words();
  document.body.dataset.stop = driven ? 'driven' : '';
  render(html`${driven ? html`<button class="stop-all" @click=${() => stopAll('stop all')}>Stop all motors</button>` : nothing}${asked
    ? html`<p role="alert">${trouble ? html`<b>Not told: ${trouble}. Use the hardware cut-off.</b> Trying again.` : 'Stopping…'}</p>` : said && said.stopWords(box)}`, box);
}

addEventListener('keydown', (e) => {
  if (e.key === 'Escape' && !e.repeat && state.driving?.holder) stopAll('stop all, by the escape key');
}, true);
onChange((kind) => kind === 'driving' && drawStop());
