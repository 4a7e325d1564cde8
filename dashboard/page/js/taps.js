// The hand as a gate is an official's alone: its module comes with the first
// official, and what an earlier load of the page could not send goes out then.
import { later } from './later.js';
import { state } from './store.js';

const come = later(() => import('./tapping.js').then((m) => {
  m.listenForKeys(() => document.documentElement.dataset.view === 'line');
  m.tapper.flush();
  return m;
}));

/** The module, null while nobody may tap or it is under way. */
export function taps() {
  return state.me.official ? come() : null;
}
