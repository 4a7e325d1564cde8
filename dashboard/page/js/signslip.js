// The slip on which an official signs in, by key and name.
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { signIn, Refused } from './api.js';
import { refreshMe } from './sign.js';

const box = document.createElement('dialog');
box.className = 'slip';
box.setAttribute('aria-labelledby', 'sign-title');
document.body.append(box);

const NAME = 'rainhill-name';
const slip = { key: '', refusal: '' };

/** @param {string} key that of a start link, or nothing */
export function openSlip(key) {
  Object.assign(slip, { key, refusal: '' });
  draw();
  if (!box.open) box.showModal();
}

function draw() {
  render(html`<form @submit=${submit}>
    <div class="slip-head"><h2 id="sign-title">Sign in as the official</h2><button type="button" @click=${() => box.close()}>Close</button></div>
    <p>${slip.key ? 'The start link brought the key. Say who is writing in the book.' : 'The official opens, closes, corrects and voids. The key was printed where the service was first started.'}</p>
    ${slip.key ? nothing : html`<label>Key<input name="key" type="password" required autocomplete="current-password"></label>`}
    <label>Name in the book<input name="name" value=${localStorage.getItem(NAME) ?? 'official'} required maxlength="60" autocomplete="name"></label>
    <p class="note">Every decision bears this name; several officials may be signed in at once.</p>
    ${slip.refusal ? html`<p class="refusal" role="alert">${slip.refusal}</p>` : nothing}
    <p><button class="primary">Sign in</button></p></form>`, box);
}

/** @param {SubmitEvent} e */
async function submit(e) {
  e.preventDefault();
  const data = new FormData(/** @type {HTMLFormElement} */ (e.target));
  const name = String(data.get('name')).trim() || 'official';
  try {
    await signIn(slip.key || String(data.get('key')), name);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    Object.assign(slip, { key: '', refusal: error.message });
    return draw();
  }
  localStorage.setItem(NAME, name);
  slip.key = '';
  box.close();
  await refreshMe();
}
