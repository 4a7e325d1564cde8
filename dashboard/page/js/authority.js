// Authority over motors, as this page holds it: the token stays in the memory of this
// module, is said twice a second while the page is seen and the line speaks to it, and is
// gone when the service says so, when stop is pressed, or when the page is left.
/** @import {DrivingAsk, DrivingReply} from '../../types/wire.js' */
import { state, putDriving, onChange } from './store.js';
import { at } from './api.js';
import { again } from './again.js';
import { pressed } from './stop.js';

const HOLD_EVERY_MS = 500;
const ANSWER_MS = 1800; // later it is no use: authority has lapsed by then
const ARMED_MS = 5000; // arming waits for the book, and what comes late is still to be known
const ALIVE_MS = 1200; // without an answer for so long, controls are dead

/** @typedef {Partial<DrivingAsk> & {do: string}} Ask */
/** @typedef {DrivingReply & {status: number}} Answer status 0: the service was not reached */

const mine = { token: '', sinceUs: 0, answeredMs: 0, timer: 0 };
/** Why this page drives no more, and what was refused last, to be read. */
export const told = { lost: '', refused: '' };

/** What is forgotten with authority. @type {(() => void)[]} */
export const dropped = [];

/** Does this page hold authority, as far as it knows? */
export const holding = () => mine.token !== '';

/** Why its controls are dead; '' while they are not. */
export function deadWhy() {
  if (!mine.token) return 'This page does not drive.';
  const stops = 'Nothing done here is told now, and motors stop 2 s after the service heard this page last.';
  if (state.phase !== 'live') return `The line is silent. ${stops}`;
  return performance.now() - mine.answeredMs > ALIVE_MS ? `The service does not answer. ${stops}` : '';
}

/** Asks the driving service; a no is an answer too. @param {Ask} body @param {number} [waitMs] @returns {Promise<Answer>} */
export async function ask(body, waitMs = ANSWER_MS) {
  const sentMs = performance.now();
  const none = { ok: false, status: 0, reason: 'the service did not answer', driving: state.driving ?? { boot: '', revision: 0, motors: [] } };
  try {
    const response = await fetch(at('/api/driving'), {
      method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Rainhill': '1' }, body: JSON.stringify(body), signal: AbortSignal.timeout(waitMs), cache: 'no-store',
    });
    const reply = await response.json();
    if (reply.driving) putDriving(reply.driving);
    if (reply.ok) mine.answeredMs = Math.max(mine.answeredMs, sentMs);
    return { ...reply, status: response.status };
  } catch {
    return none;
  }
}

/**
 * Takes authority over motors, the cautions having been confirmed.
 * @param {string[]} motors @param {boolean} takeOver knowingly from another
 */
export async function arm(motors, takeOver) {
  Object.assign(told, { lost: '', refused: '' });
  const reply = await ask({ do: 'arm', motors, take_over: takeOver, cautions: true }, ARMED_MS);
  if (reply.ok && reply.hold) {
    clearInterval(mine.timer);
    Object.assign(mine, { token: reply.hold, sinceUs: reply.driving.since_us ?? 0, timer: setInterval(hold, HOLD_EVERY_MS) });
  } else told.refused = reply.reason ?? '';
  again();
  return reply;
}

/** Says that this page is still there, but not while nobody sees it, nor while it sees no train: who cannot see does not drive. */
async function hold() {
  if (document.hidden || state.phase !== 'live') return;
  await said({ do: 'hold' });
  again();
}

/** Says something as the holder. Who is told that he holds no more, lets go. @param {Ask} body */
async function said(body) {
  const token = mine.token;
  const reply = await ask({ ...body, hold: token });
  const gone = reply.status === 401 || reply.status === 403 || reply.status === 409 || (body.do === 'hold' && reply.status === 400);
  if (gone && token === mine.token) drop(reply.reason ?? '');
  return reply;
}

/** Does something as the holder, and says whether it was done. @param {Ask} body */
export async function command(body) {
  if (!mine.token) return false;
  const reply = await said(body);
  told.refused = reply.ok || !mine.token ? '' : reply.reason ?? '';
  again();
  return reply.ok;
}

export async function release() {
  const token = mine.token;
  drop('');
  await ask({ do: 'release', hold: token });
}

/** @param {string} why for the official to read */
function drop(why) {
  clearInterval(mine.timer);
  mine.token = '';
  Object.assign(told, { lost: why, refused: '' });
  for (const f of dropped) f();
  again();
}

pressed.push(() => holding() && drop('stop was pressed here'));
// The service tells everybody who took over or stopped, before the next hold is refused.
onChange((kind) => {
  const d = state.driving;
  if (kind !== 'driving' || !mine.token || !d || d.since_us === mine.sinceUs || (d.stopped_us ?? 0) < mine.sinceUs) return;
  const [why, by] = [d.why || 'stopped', d.stopped_by ?? ''];
  drop(why.includes(by) ? why : `${why} (${by})`);
});
document.addEventListener('visibilitychange', () => mine.token && hold());
setInterval(() => mine.token && again(), 300); // dead controls are seen to be dead while nothing comes
