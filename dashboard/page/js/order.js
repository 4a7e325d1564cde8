// The order of trains: which is which, when nothing on the circuit tells. The
// page asks the official, who taps locomotives; an answer is a decision.
/** @import {Order} from '../../types/wire.js' */
import { html, nothing } from '../lib/lit-3.3.3.js';
import { state, nameOf, markOf, openTrials } from './store.js';
import { markPicture } from './marks.js';
import { list } from './merge.js';
import { known } from './format.js';
import { decide } from './api.js';
import { attempt } from './decide.js';
import { again } from './again.js';

/** The trials tapped so far, the question they are the answer to, and what had been seen at the first tap. */
const tapped = { key: '', trials: /** @type {string[]} */ ([]), rev: 0, sent: false };
/** The longest reason that the book takes, in letters of any alphabet. */
const LONGEST = 333;

/** @param {Order | null} order not clear */
export function orderNotice(order) {
  if (!order) return nothing;
  const offered = order.state === 'contradicted' && list(order.offer).length > 1;
  const all = offered ? list(order.offer) : asked();
  const key = order.state + all;
  if (tapped.key !== key) Object.assign(tapped, { key, trials: [], sent: false });
  return html`<section class="sheet order" aria-labelledby="order-title"><h2 id="order-title">Order of trains</h2>
    <p role="status">${words(order, offered)}</p>
    ${!state.me.official || all.length < 2 ? nothing : tapped.sent ? html`<p class="note">Written down.</p>` : offered ? take(order) : ask(all)}</section>`;
}

/** @param {Order} order @param {boolean} offered */
function words(order, offered) {
  const official = state.me.official;
  const needed = official ? '' : ' An official must tell.';
  if (order.state === 'contradicted') return `${sentence(order.text)}${offered && !official ? ` The order may be ${named(list(order.offer))}.` : ''}${needed}`;
  return html`<b>Which locomotive passed the timing gate first?</b> ${sentence(order.text)}${needed}`;
}

/** @param {string} text */
function sentence(text) {
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.?!]$/.test(text) ? '' : '.');
}

/** The open trials that nothing but their order tells apart, whether their trains have come yet or not. */
function asked() {
  return openTrials().map((r) => r.trial).filter((t) => !t.tag && !known(t.start_mm)).map((t) => t.id).reverse();
}

/** @param {string[]} trials */
function named(trials) {
  return trials.map(nameOf).join(', then ');
}

/** @param {Order} order */
function take(order) {
  return html`<p class="acts"><button class="primary" @click=${() => tell(list(order.offer), order.text)}>Take the order ${named(list(order.offer))}</button></p>`;
}

/** One tap tells two trains apart; more are tapped one after the other. @param {string[]} all */
function ask(all) {
  const left = all.filter((t) => !tapped.trials.includes(t));
  return html`${all.length > 2 ? html`<p>${tapped.trials.length ? `${named(tapped.trials)}, then` : 'Tap them in the order in which they run.'}</p>` : nothing}
    <p class="acts">${left.map((t) => html`<button data-order=${t} @click=${() => tap(all, t)}>${markPicture(markOf(state.trials.get(t)?.trial.locomotive ?? ''))} ${nameOf(t)}</button>`)}
      ${tapped.trials.length ? html`<button class="undo" @click=${undo}>Undo the last tap</button>` : nothing}</p>`;
}

function undo() {
  tapped.trials.pop();
  again();
}

/** @param {string[]} all @param {string} trial */
function tap(all, trial) {
  if (!tapped.trials.length) tapped.rev = state.rev;
  tapped.trials.push(trial);
  const left = all.filter((t) => !tapped.trials.includes(t));
  if (all.length === 2) tapped.trials.push(...left);
  if (tapped.trials.length === all.length) tell([...tapped.trials], 'seen by an official', tapped.rev);
  again();
}

/** @param {string[]} trials @param {string} why @param {number} [baseSeq] */
async function tell(trials, why, baseSeq) {
  tapped.sent = true;
  if (await attempt(() => decide('order', { trials }, why.slice(0, LONGEST), { baseSeq }))) return;
  Object.assign(tapped, { trials: [], sent: false });
  again();
}
