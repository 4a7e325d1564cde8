// What the page knows of its replay, and how it tells it to go on.
/** @import {ReplayState, ReplayTrial} from '../../types/wire.js' */

/** What the page knows of its replay. */
export const replay = {
  /** @type {ReplayState | null} as last told */ told: null,
  /** performance.now() when it was told */ heardMs: 0,
  /** @type {ReplayTrial[]} all of the session */ trials: [],
  /** how fast it plays when it plays */ rate: 1,
  /** it was playing: it goes on after the line was down */ playing: false,
  /** why it ended or never began */ reason: '',
};

/** @typedef {{do: string, rate?: number, at_us?: number, by?: number, trial?: string, n?: number}} Control */

/** The line to the replay, once there is one. */
export const driver = { tell: (/** @type {Control} */ _) => {} };

// What was told and not yet done: a line that breaks may swallow it.
/** @type {Control[]} */ let waiting = [];
let said = 0;

/** Tells the replay how to go on. @param {Control} control */
export function say(control) {
  control.n = ++said;
  waiting.push(control);
  driver.tell(control);
  if (control.do === 'play') replay.playing = true;
  if (control.do === 'pause' || control.do === 'step') replay.playing = false;
}

/** Takes in how far the replay has obeyed. @param {ReplayState} told */
export function obeyed(told) {
  const n = told.obeyed ?? 0;
  waiting = waiting.filter((c) => /** @type {number} */ (c.n) > n);
}

/** Tells a replay that has just begun where the last one stood what that one did not do. */
export function sayAgain() {
  for (const control of waiting) driver.tell(control);
}

export function playOrPause() {
  say(replay.told?.rate ? { do: 'pause' } : { do: 'play', rate: replay.rate });
}
