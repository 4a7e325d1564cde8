// How one lap is written, wherever it stands.
/** @import {Lap} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, incidents } from './store.js';
import { lapTime } from './format.js';
import { settings, prefer } from './settings.js';
import { again } from './again.js';
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

/** The one switch of uncertainty; it stands where figures do. */
export function besideSwitch() {
  const turn = (/** @type {Event} */ e) => {
    prefer({ beside: /** @type {HTMLInputElement} */ (e.target).checked });
    again();
  };
  return html`<label class="check"><input type="checkbox" .checked=${settings.beside} @change=${turn}><span>show ± (95 %)</span></label>`;
}

/** Why a lap looks as it does, in the order that matters. @param {Lap} lap */
export function lapMarks(lap) {
  const marks = [];
  if (lap.counts !== 'yes') marks.push(lap.counts === 'warmup' ? 'warm-up' : lap.counts);
  if (lap.source === 'inferred') marks.push('inferred');
  if (!lap.final) marks.push('provisional');
  return marks;
}

/** Why a lap is left out, in words; '' when nothing is said. @param {string} trial @param {Lap} lap */
export function lapWhy(trial, lap) {
  if (lap.why || lap.counts !== 'incident') return lap.why ?? '';
  const r = state.trials.get(trial);
  const end = lap.start_us + lap.lap_time_s * 1e6;
  const within = r ? incidents(r).filter((i) => i.at_us < end && (i.until_us || Infinity) > lap.start_us) : [];
  return within.map((i) => i.text || i.kind).join('; ');
}

/** When what is provisional becomes final. */
export function finalWhen() {
  const n = state.view?.rules?.lag_gates;
  return n ? `when the train has passed ${n} ${n === 1 ? 'gate' : 'gates'} more` : 'a little later';
}

/** All of it in one line, for the pointer that rests on a lap. @param {string} trial @param {Lap} lap */
export function lapWords(trial, lap) {
  const marks = lapMarks(lap).filter((m) => m !== 'provisional');
  return [...marks, lapWhy(trial, lap), lap.final ? '' : `provisional: final ${finalWhen()}`].filter(Boolean).join('; ');
}

/** A lap as a small cell; it opens the lap's slip. @param {string} trial @param {Lap} lap */
export function lapCell(trial, lap) {
  const marks = lapMarks(lap);
  const [value, u] = lapTime(lap.lap_time_s, lap.u_s, settings.beside).split(' ± ');
  return html`<button class="lap ${marks.join(' ')}" data-lap=${lap.lap} title=${lapWords(trial, lap) || nothing} @click=${() => showLap(trial, lap.lap)}>
    <small><span class="aside">lap </span>${lap.lap}</small><b class="num">${value}</b>${u ? html`<small class="num">± ${u}</small>` : nothing}<small class="why">${marks.join(', ') || '\u00a0'}</small></button>`;
}
