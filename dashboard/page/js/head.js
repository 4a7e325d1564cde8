// The head of the sheet: whose book it is, the state of the line, the views and
// the official.
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, circuit } from './store.js';
import { clock, span } from './format.js';
import { askSignIn, leave } from './sign.js';
import { notice, say } from './decide.js';

const VIEWS = [['line', 'Line'], ['book', 'Book'], ['roster', 'Roster'], ['sets', 'Sets'], ['meet', 'Meet'], ['drive', 'Drive'], ['compare', 'Findings'], ['results', 'Results'], ['audit', 'Audit'], ['health', 'Health']];

/** Views that stand under another one's name. @type {Record<string, string>} */
const UNDER = { wall: 'line', call: 'meet', motors: 'sets', predict: 'sets', pull: 'compare', coast: 'compare' };

/** @param {string} view the view that is shown */
export function head(view) {
  const s = state.view?.session;
  const where = circuit()?.circuit;
  return html`<div class="mast">
    <a class="title" href="#line"><svg viewBox="-12 -12 24 24" aria-hidden="true"><use href="#wheel" x="-12" y="-12" width="24" height="24"></use></svg>Rainhill</a>
    <p class="session">${s ? html`<b>${s.name || s.id}</b>` : html`<b>no session</b>`}${where && s && where.name !== s.name ? html`<span>${where.name || where.id}</span>` : nothing}${s?.closed_us ? html`<span>closed</span>` : nothing}${state.me.demo ? html`<span class="demo">demonstration: simulated trains</span>` : nothing}</p>
    <nav aria-label="Views">${VIEWS.map(([id, name]) => html`<a href="#${id}" aria-current=${(UNDER[view] ?? view) === id ? 'page' : nothing}>${name}</a>`)}</nav>
    ${lineState(view)}
    <div class="official">${state.me.official
      ? html`<span>official: <b>${state.me.official}</b></span><button @click=${leave}>Sign out</button>`
      : html`<button @click=${askSignIn}>Sign in</button>`}</div>
  </div>
  ${notice.text ? html`<p class="refusal" role="alert">${notice.text} <button @click=${() => say('')}>Dismiss</button></p>` : nothing}`;
}

/** Live, or since when not, and the way to how everything is. The ticking part is kept from the voice of a reader. @param {string} view */
function lineState(view) {
  const { phase, silentUs } = state;
  const since = silentUs ? ` since ${clock(silentUs)}` : '';
  const words = { live: 'live', calling: 'calling the line', stale: `stale${since}`, down: `line down${since}` }[phase];
  return html`<p class="state ${phase}"><a href="#health" aria-current=${view === 'health' ? 'page' : nothing}><span class="aside">Health: </span><span role="status" id="line-state">${words}</span>
    ${phase === 'down' ? html`<small aria-hidden="true">calling again · ${span(silentFor())}</small>` : nothing}</a></p>`;
}

/** Time since the last message, by the page's own clock. */
export const silence = { fromMs: 0 };

function silentFor() {
  return (performance.now() - silence.fromMs) * 1000;
}
