// One quiet line after each act of the official's own: what was written, and the
// offer to take it back. It goes by itself; the audit keeps the offer.
/** @import {Reply} from '../../types/wire.js' */
/** @import {Asked} from './api.js' */
/** @import {Audited} from './past.js' */
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { Refused } from './api.js';
import { attempt } from './decide.js';
import { audit, takeBack, words } from './past.js';

const STAYS_MS = 20_000;
const line = document.createElement('p');
line.className = 'takeback';
line.setAttribute('aria-live', 'polite');
document.body.append(line);

let timer = 0;
let offered = 0;

for (const held of ['pointerenter', 'focusin']) line.addEventListener(held, () => clearTimeout(timer));
for (const free of ['pointerleave', 'focusout']) line.addEventListener(free, wait);

function wait() {
  clearTimeout(timer);
  timer = setTimeout(() => draw(null), STAYS_MS);
}

/** @param {Reply} reply @param {Asked} asked */
export async function offer(reply, asked) {
  if (!reply.id) return;
  const mine = ++offered;
  try {
    const [d] = (await audit({ id: reply.id })).decisions;
    if (d && mine === offered) draw(d);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
}

/** @param {Audited | null} d */
function draw(d) {
  settleIn();
  render(d ? html`<span>Written: ${words(d)}</span><button @click=${() => back(d)}>${d.took ? 'Put it back' : 'Take back'}</button>` : nothing, line);
  if (d) wait();
}

/** A slip that is open lets nothing be pressed but what it holds. */
function settleIn() {
  const slips = document.querySelectorAll('dialog[open]');
  const slip = slips[slips.length - 1];
  if (line.parentElement === (slip ?? document.body)) return;
  (slip ?? document.body).append(line);
  slip?.addEventListener('close', () => document.body.append(line), { once: true });
}

/** Without a reason of its own, what stood before keeps the one it had. @param {Audited} d */
async function back(d) {
  draw(null);
  await attempt(() => takeBack(d, '', d.seq));
}
