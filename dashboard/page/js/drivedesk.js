// The desk of who drives: throttles, trim, the sweep, and giving authority back. While
// the line or the service is silent it is dead, and says so.
/** @import {DrivenMotor} from '../../types/wire.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state, locomotive, markOf, openTrials } from './store.js';
import { list } from './merge.js';
import { markPicture } from './marks.js';
import { clock } from './format.js';
import { deadWhy, release } from './authority.js';
import { drivenTable } from './drivelive.js';
import { throttle, rampField } from './throttle.js';
import { trimSection } from './drivetrim.js';
import { sweepSection } from './sweep.js';

export function desk() {
  const d = state.driving;
  const dead = deadWhy();
  keepHand(dead);
  const motors = list(d?.motors);
  return html`<section class="sheet desk" aria-labelledby="d-desk" id="desk"><div class="caption"><h2 id="d-desk">You drive</h2><p>as ${d?.holder ?? state.me.official}, since ${clock(d?.since_us)}</p><button id="release" @click=${release}>Release: stop and give authority back</button></div>
    ${dead ? html`<p class="refusal dead" role="alert" id="dead"><span><b>Controls are dead.</b> ${dead} Use the hardware cut-off when in doubt.</span></p>` : nothing}
    ${d ? drivenTable(d) : nothing}
    <div class="controls" ?inert=${Boolean(dead)}>
      ${rampField()}
      ${repeat(byLocomotive(motors), (g) => g.id, (g) => locoDesk(g.id, g.motors))}
      ${sweepSection(motors)}
    </div>
    <p class="note">While this page is open and seen it says twice a second that it is here. Hidden, closed or cut off it lapses within 2 s, and the motors stop: so keep it in front.</p>
    ${openTrials().length ? nothing : html`<p class="acts no-trial"><span>No trial is open, so what is driven is timed for none.</span> <a class="button" href="#book">Open one in the book</a></p>`}</section>`;
}

/** What had the keys when the controls died: it has them again when they live, or who presses 0 to stop would press in vain. @type {HTMLElement | null} */
let hand = null;

/** @param {string} dead */
function keepHand(dead) {
  if (dead) return void (hand ??= document.querySelector('#desk .controls :focus'));
  const held = hand;
  hand = null;
  if (held) requestAnimationFrame(() => document.activeElement === document.body && held.focus({ preventScroll: true }));
}

/** Motors by locomotive; those in none stand by themselves. @param {DrivenMotor[]} motors */
function byLocomotive(motors) {
  /** @type {Map<string, DrivenMotor[]>} */
  const by = new Map();
  for (const m of motors) by.set(m.locomotive || `motor ${m.motor}`, [...(by.get(m.locomotive || `motor ${m.motor}`) ?? []), m]);
  return [...by].map(([id, of]) => ({ id, motors: of }));
}

/** @param {string} id @param {DrivenMotor[]} motors */
function locoDesk(id, motors) {
  const loco = locomotive(id);
  return html`<article class="loco-desk" data-locomotive=${id}><h3>${loco ? markPicture(markOf(id)) : nothing} ${loco?.name || id}</h3>
    ${motors.length > 1 ? throttle(`all-${id}`, `Whole locomotive, ${motors.length} motors`, motors) : nothing}
    <div class="singles">${motors.map((m) => throttle(m.motor, m.set ? `${m.set} set, motor ${m.motor}` : `Motor ${m.motor}`, [m]))}</div>
    ${motors.length > 1 && loco ? trimSection(loco, motors) : nothing}</article>`;
}
