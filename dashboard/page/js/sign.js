// Signing in as the official, with the key or by a start link.
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { state, changed } from './store.js';
import { me, signIn, signOut, Refused } from './api.js';
import { attempt } from './decide.js';
import { tapper } from './tapping.js';

const box = document.createElement('dialog');
box.className = 'slip';
box.setAttribute('aria-labelledby', 'sign-title');
document.body.append(box);

/** A key that came with the address; it never stays there. */
let linkKey = '';
let refusal = '';

/** Takes the key of a start link out of the address. */
export function takeKey() {
  const found = /[#&]key=([^&]+)/.exec(location.hash);
  if (!found) return false;
  linkKey = decodeURIComponent(found[1]);
  history.replaceState(null, '', location.pathname + location.search);
  return true;
}

/** Who am I? A service that was restarted may have forgotten. */
export async function refreshMe() {
  try {
    state.me = await me();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    return;
  }
  changed('me');
  if (state.me.official) tapper.flush();
}

export function askSignIn() {
  refusal = '';
  draw();
  if (!box.open) box.showModal();
}

export async function leave() {
  await attempt(signOut);
  await refreshMe();
}

function draw() {
  render(html`<form @submit=${submit}>
    <div class="slip-head"><h2 id="sign-title">Sign in as the official</h2><button type="button" @click=${() => box.close()}>Close</button></div>
    <p>${linkKey ? 'The start link brought the key. Say who is writing in the book.' : 'The official opens, closes, corrects and voids. The key was printed where the service was first started.'}</p>
    ${linkKey ? nothing : html`<label>Key<input name="key" type="password" required autocomplete="current-password"></label>`}
    <label>Name in the book<input name="name" value="official" required maxlength="64" autocomplete="name"></label>
    ${refusal ? html`<p class="refusal" role="alert">${refusal}</p>` : nothing}
    <p><button class="primary">Sign in</button></p></form>`, box);
}

/** @param {SubmitEvent} e */
async function submit(e) {
  e.preventDefault();
  const data = new FormData(/** @type {HTMLFormElement} */ (e.target));
  try {
    await signIn(linkKey || String(data.get('key')), String(data.get('name')).trim() || 'official');
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    refusal = error.message;
    linkKey = '';
    return draw();
  }
  linkKey = '';
  box.close();
  await refreshMe();
}
