// The last trial of a locomotive, in this session or before it: what a new one is
// likely to be run with.
/** @import {Trial} from '../../types/wire.js' */
import { state } from './store.js';
import { list } from './merge.js';
import { ask, Refused } from './api.js';

/** @param {string} locomotive @returns {Promise<Trial | null>} */
export async function lastTrialOf(locomotive) {
  const here = [...state.trials.values()].map((r) => r.trial).filter((t) => t.locomotive === locomotive && !t.void).pop();
  if (here || !locomotive) return here ?? null;
  try {
    const before = /** @type {{trials: {about: Trial}[] | null}} */ (await ask(`/api/history?locomotive=${encodeURIComponent(locomotive)}`));
    return list(before.trials).map((p) => p.about).filter((t) => !t.void).pop() ?? null;
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    return null; // the form can be filled in by hand
  }
}
