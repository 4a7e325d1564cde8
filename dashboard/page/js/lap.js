// How one lap is written, wherever it stands.
/** @import {Lap} from '../../types/wire.js' */
import { html } from '../lib/lit-3.3.3.js';
import { lapTime } from './format.js';
import { say } from './decide.js';

/** The slip that is open, to be drawn again when its lap changes. */
export const slip = { draw: () => {} };

/** Opens the slip of a lap; lap 0 is the list of all. @param {string} trial @param {number} lap */
export async function showLap(trial, lap) {
  try {
    const book = await import('./lapbook.js');
    slip.draw = book.drawLap;
    book.openLap(trial, lap);
  } catch {
    say('The slip could not be fetched: the service did not answer.');
  }
}

/** Why a lap looks as it does, in the order that matters. @param {Lap} lap */
export function lapMarks(lap) {
  const marks = [];
  if (lap.counts !== 'yes') marks.push(lap.counts === 'warmup' ? 'warm-up' : lap.counts);
  if (lap.source === 'inferred') marks.push('inferred');
  if (!lap.final) marks.push('provisional');
  return marks;
}

/** A lap as a small cell; it opens the lap's slip. @param {string} trial @param {Lap} lap */
export function lapCell(trial, lap) {
  const marks = lapMarks(lap);
  return html`<button class="lap ${marks.join(' ')}" data-lap=${lap.lap} @click=${() => showLap(trial, lap.lap)}>
    <small><span class="aside">lap </span>${lap.lap}</small><b class="num">${lapTime(lap.lap_time_s, lap.u_s, false)}</b><small class="why">${marks.join(', ') || '\u00a0'}</small></button>`;
}
