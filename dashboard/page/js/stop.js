// Stop-all, on every screen: the escape key always, and a button wherever a motor could
// be driven, large while one is. It needs nobody signed in and leans on nothing that the
// page knows, which may be old: what was pressed is shown at once, and is told again and
// again until it is answered. Who drives, or stopped, is in words that are fetched when
// there is something to say.
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state, onChange, putDriving } from './store.js';
import { list } from './merge.js';
import { at } from './api.js';
import { later } from './later.js';

const EVERY_MS = 400; // told again when not answered
const LOST_MS = 2000; // a request is given up
const BLIND_MS = 2000; // a page that knows nothing for so long has the button as well

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

/** Could a motor be driven, as far as is known? Only motors of the roster can be armed. */
function drivable() {
  const v = state.view;
  return v ? Boolean(state.motors.size || list(v.named_motors).length || list(v.locomotives).some((l) => list(l.driver_sets).some((d) => d.motor))) : performance.now() > BLIND_MS;
}

/** Whoever cut the power need not be told any more. */
function leave() {
  clearTimeout(stop.timer);
  stop.pressed = 0;
  drawStop();
}

export function drawStop() {
  const { pressed: asked, trouble } = stop;
  const driven = asked || state.driving?.holder;
  const button = driven || drivable();
  const said = button && state.driving && words();
  document.body.dataset.stop = driven ? 'driven' : button ? 'ready' : '';
  render(html`${button ? html`<button class="stop-all" @click=${() => stopAll('stop all')}>Stop all motors</button>` : nothing}${asked
    ? html`<p role="alert">${trouble ? html`<b>Not confirmed: ${trouble}. Cut the power to the motors.</b> Trying again. <button @click=${leave}>The power is cut</button>` : 'Stopping…'}</p>` : said ? said.stopWords(box) : nothing}`, box);
}

addEventListener('keydown', (e) => {
  if (e.key === 'Escape' && !e.repeat) stopAll('stop all, by the escape key');
}, true);
onChange((kind) => kind !== 'motion' && drawStop());
setTimeout(drawStop, BLIND_MS);
new ResizeObserver(() => document.documentElement.style.setProperty('--stop', `${box.offsetHeight}px`)).observe(box, { box: 'border-box' });
