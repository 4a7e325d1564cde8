// Asking for a session's results, and again when they may have changed.
import { state } from './store.js';
import { Refused, at } from './api.js';
import { again } from './again.js';
import { asked, live, redraw, shown } from './returns.js';
import { fetched } from './fetched.js';

/** How long to wait before an open session is asked for again. */
const EVERY_MS = 2000;
const came = { key: '?', rev: -1, viewRev: -1, ms: -Infinity, busy: false };

addEventListener('popstate', redraw);

/** Asks for the results when they are others, or may have changed. */
export function refresh() {
  const key = asked().session;
  const other = key !== came.key || state.view?.rev !== came.viewRev;
  const moved = live() && state.rev !== came.rev;
  if (came.busy || !(other || moved)) return;
  const wait = came.ms + EVERY_MS - performance.now();
  if (key === came.key && wait > 0) setTimeout(again, wait);
  else load(key);
}

/** @param {string} key */
async function load(key) {
  Object.assign(came, { busy: true, rev: state.rev, viewRev: state.view?.rev ?? 0, ms: performance.now() });
  if (key !== came.key) Object.assign(shown, { results: null, refused: '' });
  came.key = key;
  try {
    shown.results = await fetched(at(`/api/results?session=${encodeURIComponent(key)}`));
    shown.refused = '';
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    shown.refused = e.message;
  } finally {
    came.busy = false;
    redraw();
  }
}

/** Asks for the results at once. */
export function reload() {
  came.ms = -Infinity;
  return load(asked().session);
}
