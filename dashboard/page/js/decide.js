// What an official does: each act is one decision in the book. The words of a
// refusal are shown where all can see them.
/** @import {Trial, Session} from '../../types/wire.js' */
import { decide, desk, Refused } from './api.js';
import { clock, state } from './store.js';
import { again } from './again.js';

// A definition is written whole, from the view; a lap and the order are judged by what the frames since have shown.
desk.seen = (what) => (what === 'lap' || what === 'order' ? state.rev : state.view?.rev);
// Each decision can be taken back, and right after it that is offered.
desk.written = (reply, asked) => import('./takeback.js').then((m) => m.offer(reply, asked), () => {});

/** What was refused last, and why. */
export const notice = { text: '' };

/** @param {string} text */
export function say(text) {
  notice.text = text;
  again();
}

/**
 * Does it, and says whether it was done. Where somebody else decided meanwhile,
 * the official is shown what stands there and chooses.
 * @param {() => Promise<unknown>} act
 */
export async function attempt(act) {
  try {
    await act();
    say('');
    return true;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    const two = e.conflict && (await import('./conflict.js').catch(() => null));
    if (two) return two.settle(e);
    say(e.signIn ? `Not written: ${e.message}. Sign out and in again.` : e.message);
    return false;
  }
}

/** The session in the book when it is closed: what is decided about it names it. */
export function over() {
  const s = state.view?.session;
  return s?.closed_us ? s.id : undefined;
}

/** @param {Trial} trial */
export function closeTrial(trial) {
  return attempt(() => decide('trial', { ...trial, to_us: Math.max(clock.busUs(), (trial.from_us ?? 0) + 1) }));
}

/** @param {Session} session */
export function closeSession(session) {
  return attempt(() => decide('session', { ...session, closed_us: Math.max(clock.busUs(), (session.opened_us ?? 0) + 1) }));
}

/** @param {string} trial @param {number} lap @param {boolean} voided @param {string} why */
export function voidLap(trial, lap, voided, why) {
  return attempt(() => decide('lap', { trial, lap, void: voided }, why, { session: over() }));
}
