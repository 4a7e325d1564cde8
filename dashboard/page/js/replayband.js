// The head of a replay: that it is one, of what, which instant it shows, and what
// it is driven with.
/** @import {ReplayState, ReplayTrial} from '../../types/wire.js' */
import { html, svg, nothing } from '../lib/lit-3.3.3.js';
import { state, nowUs } from './store.js';
import { list } from './merge.js';
import { at } from './api.js';
import { clock, day, time, count } from './format.js';
import { replay, say, playOrPause } from './replaystate.js';
import './replayrule.js';

const RATES = [[0.25, '¼'], [0.5, '½'], [1, '1'], [2, '2'], [5, '5'], [10, '10'], [25, '25'], [50, '50'], [100, '100']];
const SEEK_MS = 80;

/** What the hand on the scrub bar is at; null: no hand. */
const scrub = { us: /** @type {number | null} */ (null), askedMs: 0, timer: 0 };

export function band() {
  const t = replay.told;
  return html`<div class="mast">
    <a class="title" href=${at('/')} title="To the live line"><svg viewBox="-12 -12 24 24" aria-hidden="true"><use href="#wheel" x="-12" y="-12" width="24" height="24"></use></svg>Rainhill</a>
    <p class="session"><b class="stamp">Replay</b><span>of <b>${t?.name || t?.session || 'a session'}</b>${t?.from_us ? `, ${day(t.from_us)}` : ''}${trialName(t)}${t?.running ? '; the session is not closed: as far as it had come' : ''}</span></p>
    ${t?.at_us ? html`<p class="instant"><b class="num">${clock(nowUs())}</b> <small class="num">${into(t)}</small></p>` : nothing}
    ${state.phase === 'down' ? html`<p class="state down"><span role="status">interrupted: the service does not answer</span></p>` : nothing}
    <a class="button" href=${at('/')}>To the live line</a>
  </div>
  ${t?.at_us && state.view ? player(t) : nothing}`;
}

/** @param {ReplayState | null} t */
function trialName(t) {
  const r = t?.trial && replay.trials.find((x) => x.trial === t.trial);
  return r ? `, trial of ${r.name}` : '';
}

/** Time since the beginning of the replay. @param {ReplayState} t */
function into(t) {
  const [now, all] = [nowUs() - t.from_us, t.to_us - t.from_us].map((us) => time(us / 1e6, 0));
  return `${now} of ${all}`;
}

/** @param {ReplayState} t */
function player(t) {
  return html`<section class="player" aria-label="Replay">
    <div class="drive">
      <button class="step" @click=${() => say({ do: 'step', by: -1 })} aria-label="To the crossing before" title="comma or arrow left">${arrow('M6-7L-5 0L6 7M-8-8V8')}<span>crossing</span></button>
      <button class="primary play" @click=${playOrPause} title="space bar">${arrow(t.rate ? 'M-4-7V7M4-7V7' : 'M-5-8L8 0L-5 8Z')}<span>${t.rate ? 'Pause' : t.ended ? 'Again' : 'Play'}</span></button>
      <button class="step" @click=${() => say({ do: 'step', by: 1 })} aria-label="To the next crossing" title="full stop or arrow right"><span>crossing</span>${arrow('M-6-7L5 0L-6 7M8-8V8')}</button>
      <label class="rate"><span class="aside">Speed of the replay</span><select @change=${turn}>${RATES.map(([r, words]) => html`<option value=${r} .selected=${r === replay.rate}>${words}× speed</option>`)}</select></label>
      <label class="jump"><span class="aside">Go to a trial or a lap</span><select @change=${jump} @focus=${(/** @type {Event} */ e) => { field(e).value = ''; }}><option value="">Go to…</option>${replay.trials.filter((r) => r.from_us <= t.to_us && (r.to_us || Infinity) >= t.from_us).map((r) => places(r, t))}</select></label>
      <p class="crossing" aria-live="off">${crossing(t)}</p>
    </div>
    <div class="scrub"><replay-rule></replay-rule>
      <input type="range" aria-label="Instant of the session" min="0" max=${t.to_us - t.from_us} step="any" .value=${String((scrub.us ?? nowUs()) - t.from_us)} aria-valuetext=${clock(scrub.us ?? nowUs())}
        @input=${drag} @change=${drop} @keydown=${nudge}>
      <div class="ends" aria-hidden="true"><span class="num">${clock(t.from_us)}</span><span class="num">${clock(t.to_us)}</span></div></div>
  </section>`;
}

/** @param {string} d */
function arrow(d) {
  return html`<svg viewBox="-10 -10 20 20" aria-hidden="true">${svg`<path d=${d}></path>`}</svg>`;
}

/** The newest crossing, as its gate reported it. @param {ReplayState} t */
function crossing(t) {
  const x = t.crossing;
  if (!x) return html`before the first of ${count(t.crossings)} crossings`;
  const ms = String(Math.floor((x.at_us % 1e6) / 1000)).padStart(3, '0');
  return html`crossing <b class="num">${count(t.index)}</b> of ${count(t.crossings)}: <b>${x.gate}</b> ${x.edge} <span class="num">${clock(x.at_us)}.${ms}</span>, record <span class="num">${count(x.journal_seq)}</span>`;
}

/** A trial and its laps, to go to. @param {ReplayTrial} r @param {ReplayState} t */
function places(r, t) {
  const within = (/** @type {number} */ us) => us >= t.from_us && us <= t.to_us;
  return html`<optgroup label=${`${r.name}, from ${clock(r.from_us)}`}>
    <option value=${Math.max(r.from_us, t.from_us)}>beginning of the trial</option>
    ${list(r.laps_us).map((us, i) => (within(us) ? html`<option value=${us}>lap ${i + 1}, ${clock(us)}</option>` : nothing))}</optgroup>`;
}

/** @param {Event} e */
function field(e) {
  return /** @type {HTMLInputElement | HTMLSelectElement} */ (e.target);
}

/** @param {Event} e */
function turn(e) {
  replay.rate = Number(field(e).value);
  if (replay.told?.rate) say({ do: 'play', rate: replay.rate });
}

/** @param {Event} e */
function jump(e) {
  const us = Number(field(e).value);
  if (us) say({ do: 'seek', at_us: Math.round(us) });
}

/** While the bar is dragged the replay follows, a few times a second. @param {Event} e */
function drag(e) {
  const t = replay.told;
  if (!t) return;
  scrub.us = t.from_us + Number(field(e).value);
  clearTimeout(scrub.timer);
  scrub.timer = setTimeout(seek, Math.max(0, scrub.askedMs + SEEK_MS - performance.now()));
}

function drop() {
  clearTimeout(scrub.timer);
  seek();
  scrub.us = null;
}

function seek() {
  if (scrub.us === null) return;
  scrub.askedMs = performance.now();
  say({ do: 'seek', at_us: Math.max(1, Math.round(scrub.us)) });
}

/** Keys on the bar: a second on or back, a minute with page up and down. @param {KeyboardEvent} e */
function nudge(e) {
  const s = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: 60, PageDown: -60 }[e.key];
  if (!s) return;
  e.preventDefault();
  say({ do: 'seek', at_us: Math.round(nowUs() + s * 1e6) });
}

