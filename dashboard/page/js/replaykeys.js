// The keys of a replay: space plays and pauses, comma and full stop or the arrows go
// from crossing to crossing.
import { say, playOrPause } from './replaystate.js';

const CROSSINGS = new Map([[',', -1], ['ArrowLeft', -1], ['.', 1], ['ArrowRight', 1]]);

/** Is the key meant for what has the focus? @param {KeyboardEvent} e */
function busy(e) {
  if (e.ctrlKey || e.altKey || e.metaKey || document.querySelector('dialog[open]')) return true;
  if (!(e.target instanceof HTMLElement)) return false;
  const own = e.key === ' ' ? 'select, summary, button, a, input:not([type=range])' : e.key.startsWith('Arrow') ? 'select, input, train-graph' : 'select, input:not([type])';
  return Boolean(e.target.closest(own));
}

export function keys() {
  addEventListener('keydown', (e) => {
    const by = CROSSINGS.get(e.key);
    if (!by && e.key !== ' ' || busy(e)) return;
    e.preventDefault();
    if (by) say({ do: 'step', by });
    else if (!e.repeat) playOrPause();
  });
  // A control used with the mouse gives the space bar back to the replay.
  addEventListener('click', (e) => {
    if (e.detail === 0 || !(e.target instanceof HTMLElement) || e.target.closest('dialog')) return;
    if (e.target.closest('button, label, summary')) /** @type {HTMLElement | null} */ (document.activeElement)?.closest('button, summary, input[type=radio], input[type=checkbox]') && /** @type {HTMLElement} */ (document.activeElement).blur();
  });
}
