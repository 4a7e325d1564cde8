// What can be taken away of a sheet: tables of what is shown, and the journal.
/** @import {Results} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { at, Refused } from './api.js';
import { list } from './merge.js';
import { fixed } from './format.js';
import { asked, redraw } from './returns.js';
import { open } from './fetched.js';

const journal = {
  /** @type {AbortController | null} */ stop: null,
  bytes: 0,
  said: '',
};

/** How much is held outside of the page's own memory at a time. */
const PIECE = 4 << 20;

/** @param {Results} r */
export function papers(r) {
  const q = query(r.session?.id ?? '');
  const link = (/** @type {string} */ name, /** @type {string} */ words) => html`<a class="button" href=${at(`/api/${name}${q}`)} download>${words}</a>`;
  const some = asked().trials.length || asked().locomotive || asked().class;
  return html`<section class="sheet" aria-labelledby="r-papers"><div class="caption"><h2 id="r-papers">To take away</h2><p>${some ? 'of what is shown' : 'of the whole session'}; each with its uncertainties</p></div>
    <div class="kinds"><p class="acts"><b>CSV</b>${link('trials.csv', 'Trials')}${link('laps.csv', 'Laps')}${link('sectors.csv', 'Sectors')}${list(r.meet?.classes).length ? link('standings.csv', 'Standings') : nothing}</p>
    <p class="acts"><b>Parquet</b>${link('trials.parquet', 'Trials')}${link('laps.parquet', 'Laps')}${link('sectors.parquet', 'Sectors')}${list(r.meet?.classes).length ? link('standings.parquet', 'Standings') : nothing}</p>
    <p class="acts"><b>JSON</b><a class="button" href=${at(`/api/results${q}`)} download="results-${r.session?.id}.json">Results</a></p>
    <p class="acts"><b>Season</b><a class="button" href=${at('/api/trials.csv?session=all')} download>All trials, CSV</a><a class="button" href=${at('/api/trials.parquet?session=all')} download>All trials, Parquet</a></p>
    <p class="acts"><b>Journal</b>${journal.stop ? html`<span role="status">${megabytes(journal.bytes)} so far</span><button @click=${() => journal.stop?.abort()}>Cancel</button>`
      : html`<button @click=${() => takeJournal(r.session?.id ?? '')}>JSON Lines</button><span role="status">${journal.said}</span>`}</p></div></section>`;
}

/** What is asked for, as the gateway takes it. @param {string} session */
function query(session) {
  const a = asked();
  const q = new URLSearchParams({ session });
  if (a.locomotive) q.set('locomotive', a.locomotive);
  if (a.class) q.set('class', a.class);
  for (const t of a.trials) q.append('trial', t);
  return `?${q}`;
}

/** @param {number} bytes */
const megabytes = (bytes) => (bytes < 1e6 ? `${fixed(bytes / 1e3, 0)} kB` : `${fixed(bytes / 1e6, 1)} MB`);

/**
 * Fetches the journal of a session and gives it to the browser to keep. What came
 * is handed to the browser's own store of files piece by piece. @param {string} session
 */
async function takeJournal(session) {
  const stop = new AbortController();
  Object.assign(journal, { stop, bytes: 0, said: '' });
  redraw();
  const beat = setInterval(redraw, 250);
  try {
    const whole = await pieces(await open(at(`/api/journal?session=${session}`), { signal: stop.signal }));
    keep(whole, `session-${session}.jsonl`);
    journal.said = `${megabytes(journal.bytes)} fetched`;
  } catch (e) {
    if (!stop.signal.aborted && !(e instanceof Refused) && !(e instanceof TypeError)) throw e;
    journal.said = stop.signal.aborted ? 'Cancelled: nothing was kept.' : e instanceof Refused ? e.message : 'The line was cut: nothing was kept. Try again.';
  } finally {
    clearInterval(beat);
    journal.stop = null;
    redraw();
  }
}

/** @param {Response} response */
async function pieces(response) {
  const reader = /** @type {ReadableStream<Uint8Array<ArrayBuffer>>} */ (response.body).getReader();
  /** @type {Blob[]} */ const done = [];
  /** @type {Uint8Array<ArrayBuffer>[]} */ let held = [];
  let heldBytes = 0;
  for (;;) {
    const { done: ended, value } = await reader.read();
    if (value) {
      held.push(value);
      heldBytes += value.length;
      journal.bytes += value.length;
    }
    if (ended || heldBytes > PIECE) {
      done.push(new Blob(held));
      held = [];
      heldBytes = 0;
    }
    if (ended) return new Blob(done, { type: 'application/jsonl' });
  }
}

/** @param {Blob} whole @param {string} name */
function keep(whole, name) {
  const a = document.createElement('a');
  a.href = URL.createObjectURL(whole);
  a.download = name;
  a.click();
  setTimeout(() => URL.revokeObjectURL(a.href), 60_000);
}
