// A session or trial run again, on the sheet of the line but on other paper. The
// page begins here and not with main.js: nothing that speaks for the live line,
// takes taps or writes into the book is at work, and every clock is the replay's.
/** @import {ReplayState, ReplayNote} from '../../types/wire.js' */
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { Link } from './link.js';
import { Pace } from './pace.js';
import { state, clock, putView, putFrame, onChange, nowUs } from './store.js';
import { assignMarks } from './marks.js';
import { list } from './merge.js';
import { motion } from './motion.js';
import { again, onAgain } from './again.js';
import { lineSheet } from './line.js';
import { board } from './board.js';
import { slip } from './lap.js';
import { replayed } from './lapbook.js';
import { drawn, probe } from './probe.js';
import { band } from './replayband.js';
import { keys } from './replaykeys.js';
import { replay, driver, say, sayAgain, obeyed } from './replaystate.js';
import './looking.js';

const query = new URLSearchParams(location.search);
const headElement = /** @type {HTMLElement} */ (document.getElementById('head'));
const sheetElement = /** @type {HTMLElement} */ (document.getElementById('sheet'));

/** The replay's own instant: carried on from what was told while it plays, else as told. */
clock.busUs = () => {
  const t = replay.told;
  return t ? Math.min(t.to_us, Math.round(t.at_us + t.rate * 1000 * (performance.now() - replay.heardMs))) : 0;
};

const head = new Pace(() => render(band(), headElement), 45);
const sheet = new Pace(() => {
  render(state.view ? html`<h1 class="aside">Replay</h1>${lineSheet(board())}` : waiting(), sheetElement);
  slip.draw();
  drawn();
}, 25);

function waiting() {
  const t = replay.told;
  if (replay.reason) return html`<div class="sheet welcome"><h1>No replay</h1><p role="alert">${replay.reason}</p><p><button class="primary" @click=${call}>Try again</button></p></div>`;
  return html`<div class="sheet welcome"><p role="status">${t?.facts ? `Reading the session, ${t.done} of ${t.facts} facts` : 'Looking for the session…'}</p>
    ${t?.facts ? html`<progress max=${t.facts} value=${t.done} aria-label="Facts read"></progress>` : nothing}</div>`;
}

const link = new Link('', {
  onMessage(message, atMs) {
    if (message.type === 'replay') return noted(message);
    if (message.type !== 'view' && message.type !== 'frame' || !message.replay) return;
    [replay.told, replay.heardMs] = [message.replay, atMs];
    obeyed(message.replay);
    if (message.replay.ended) replay.playing = false;
    link.url = address();
    if (message.type === 'frame') putFrame(message);
    else viewed(message);
    head.ask();
  },
  onPhase(phase) {
    state.silentUs = phase === 'live' ? 0 : nowUs();
    state.phase = phase;
    again();
  },
});

/** @param {import('../../types/wire.js').View} view */
function viewed(view) {
  const t = /** @type {ReplayState} */ (view.replay);
  if (t.trials) {
    replay.trials = list(t.trials);
    begun = link.socket;
    sayAgain();
    if (replay.playing) say({ do: 'play', rate: replay.rate });
  }
  document.title = `Replay of ${t.name || t.session} – Rainhill`;
  putView(view);
  // A locomotive keeps its mark and ink over the whole session, also before it has run.
  state.marks = assignMarks([...replay.trials.map((r) => r.locomotive), ...list(view.locomotives).map((l) => l.id)]);
}

/** @param {ReplayNote} note */
function noted(note) {
  if (note.replay && !state.view) replay.told = note.replay;
  if (note.reason) {
    replay.reason = note.reason;
    link.hangUp();
    state.view = null;
  }
  again();
}

/** Where the replay is asked for: after a pause of the line at the instant it had reached. */
function address() {
  const t = replay.told;
  if (t?.at_us) query.set('at_us', String(t.at_us));
  return `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/ws/replay?${query}`;
}

function call() {
  replay.reason = '';
  link.url = address();
  link.call();
  again();
}

/** The line whose replay has begun: before it has, what is told waits, or it would be done twice. @type {WebSocket | null} */
let begun = null;
driver.tell = (control) => link.socket === begun && link.send(control);
replayed.rest = (trial) => say({ do: 'laps', trial });
replayed.jump = (atUs) => say({ do: 'seek', at_us: Math.round(atUs) });

onChange((kind) => {
  if (kind === 'driving') return; // it is of now
  motion.ask();
  if (kind !== 'motion') sheet.ask();
});
onAgain(() => {
  sheet.ask();
  head.ask();
  motion.ask();
});
document.documentElement.dataset.view = 'replay';
headElement.replaceChildren();
sheetElement.replaceChildren();
keys();
probe({ link, motion, sheet, head, view: () => 'replay' });
Object.defineProperty(window, 'replay', { get: () => structuredClone(replay.told) });
call();
