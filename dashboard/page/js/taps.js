// The hand as a gate is an official's alone: its module comes with the first
// official, and what an earlier load of the page could not send goes out then.
import { later } from './later.js';
import { state, changed } from './store.js';

const come = later(() => import('./tapping.js').then((m) => {
  m.listenForKeys(() => document.documentElement.dataset.view === 'line');
  m.tapper.flush();
  setTimeout(() => changed('taps')); // taps are taken from now on: the clocks are compared for them
  return m;
}));

/** The module, null while nobody may tap or it is under way. */
export function taps() {
  return state.me.official ? come() : null;
}
