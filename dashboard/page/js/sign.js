// Who writes in the book: the official's name, signing in by key or start link,
// and signing out. The slip for it comes when it is asked for.
import { state, changed } from './store.js';
import { me, signOut, Refused } from './api.js';
import { attempt, say } from './decide.js';
import { taps } from './taps.js';

/** A key that came with the address; it never stays there. */
let linkKey = '';

/** Takes the key of a start link out of the address. */
export function takeKey() {
  const found = /[#&]key=([^&]+)/.exec(location.hash);
  if (!found) return false;
  linkKey = decodeURIComponent(found[1]);
  history.replaceState(null, '', location.pathname + location.search);
  return true;
}

/** Who am I? A service that was restarted may have forgotten. */
export async function refreshMe() {
  try {
    state.me = await me();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    return;
  }
  changed('me');
  taps()?.tapper.flush();
}

export async function askSignIn() {
  const key = linkKey;
  linkKey = '';
  try {
    (await import('./signslip.js')).openSlip(key);
  } catch {
    say('The slip could not be fetched: the service did not answer.');
  }
}

export async function leave() {
  await attempt(signOut);
  await refreshMe();
}
