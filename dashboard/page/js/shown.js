// When the page shows what was decided.
import { state, onChange } from './store.js';

/** What has been seen of the book: a decision is based on it. */
export function seen() {
  return state.view?.rev ?? 0;
}

/** @type {{seq: number, tell: () => void}[]} */
let waiting = [];
onChange((kind) => {
  if (kind !== 'setup') return;
  const there = waiting.filter((w) => w.seq <= seen());
  waiting = waiting.filter((w) => w.seq > seen());
  for (const w of there) w.tell();
});

/** Resolves when the view holds the decision, or after a while all the same. @param {number} seq */
export function shown(seq) {
  if (seq <= seen()) return Promise.resolve();
  return Promise.race([new Promise((tell) => waiting.push({ seq, tell: () => tell(null) })), new Promise((r) => setTimeout(r, 3000))]);
}
