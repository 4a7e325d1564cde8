// window.rainhill: facts of the page for tests and for the curious, to read
// only. Nothing on the page depends on it.
import { state, clock, openTrials, locomotive } from './store.js';
import { list } from './merge.js';
import { figures } from './board.js';
import { lapMarks } from './lap.js';
import { lapTime } from './format.js';

const lags = new Float64Array(512);
let drawings = 0;
let lagged = 0;
let lagOf = 0;
let drawnRev = 0;

/** Called after the sheet was drawn: how old was what it shows? */
export function drawn() {
  drawings++;
  drawnRev = state.rev;
  if (state.phase !== 'live' || state.toldUs === lagOf) return;
  lagOf = state.toldUs;
  lags[lagged++ % lags.length] = (clock.busUs() - state.toldUs) / 1000;
}

/** @param {{link: import('./link.js').Link, motion: import('./pace.js').Pace, sheet: import('./pace.js').Pace, head?: import('./pace.js').Pace, view: () => string}} parts head: where it has a pace of its own */
export function probe(parts) {
  const facts = {
    get rev() { return state.rev; },
    get view() { return parts.view(); },
    get phase() { return state.phase; },
    get official() { return state.me.official; },
    get drawings() { return drawings; },
    /** is something to be drawn that is not drawn yet? */
    get waiting() { return parts.sheet.waiting || Boolean(parts.head?.waiting); },
    /** what the sheet shows is true at this place in the journal */
    get drawnRev() { return drawnRev; },
    /** performance.now() of the last message */
    get heardMs() { return parts.link.heardMs; },
    get moved() { return parts.motion.drawn; },
    get taps() { return { ...state.taps }; },
    get offsetUs() { return clock.offsetUs(); },
    /** ms from a message's own instant to the end of drawing it, newest 512 */
    get lags() { return Array.from(lags.subarray(0, Math.min(lagged, lags.length))); },
    get board() { return board(); },
  };
  Object.defineProperty(window, 'rainhill', { value: Object.freeze(facts) });
}

function board() {
  return openTrials().map((r) => ({
    trial: r.trial.id,
    name: locomotive(r.trial.locomotive)?.name ?? r.trial.locomotive,
    figures: Object.fromEntries(figures(r.result).map((f) => [f.key, f.value])),
    n: r.result?.consistency.n ?? 0,
    mean_s: r.result?.consistency.mean_s ?? null,
    laps: list(r.result?.laps).map((l) => ({ lap: l.lap, lap_time_s: l.lap_time_s, text: lapTime(l.lap_time_s, l.u_s, false), marks: lapMarks(l) })),
    passages: r.passages.length,
  }));
}
