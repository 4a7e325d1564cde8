// Modules that are fetched when they are first needed.
import { again } from './again.js';

/**
 * Gives the module once it is there and asks for it meanwhile; when the line
 * was down it is asked for again.
 * @template T @param {() => Promise<T>} fetchIt @returns {() => T | null}
 */
export function later(fetchIt) {
  /** @type {T | null} */ let have = null;
  let asked = false;
  const came = (/** @type {T} */ module) => {
    have = module;
    again();
  };
  const failed = () => setTimeout(() => { asked = false; again(); }, 1000);
  return () => {
    if (!asked) fetchIt().then(came, failed);
    asked = true;
    return have;
  };
}
