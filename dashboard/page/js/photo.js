// Photos of locomotives: made small here, kept by the service on its own machine
// and nowhere else.
import { html, nothing } from '../lib/lit-3.3.3.js';
import { ask, at, Refused } from './api.js';
import { attempt, say } from './decide.js';
import { again } from './again.js';

const MOST_SIDE_PX = 1200;
const MOST_BYTES = 1 << 20;

/** Which locomotives have one, with its version. */
const known = { asked: false, kept: false, busy: '', photos: /** @type {Record<string, string>} */ ({}) };

/** Asks which there are. */
export async function refreshPhotos() {
  known.asked = true;
  try {
    Object.assign(known, await ask('/api/photos'));
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
  again();
}

/** @param {string} id @param {string} name */
export function photoOf(id, name) {
  if (!known.asked) refreshPhotos();
  const version = known.photos[id];
  return version ? html`<img class="photo" src=${at(`/api/photo?locomotive=${id}&v=${version}`)} alt=${name} loading="lazy">` : nothing;
}

/** @param {string} id */
export function photoField(id) {
  if (!known.asked) refreshPhotos();
  if (!known.kept) return html`<p class="note">This service keeps no photos.</p>`;
  const has = id in known.photos;
  return html`<div class="acts photo-acts"><label class="button pick">${known.busy === id ? 'Sending…' : has ? 'Another photo' : 'Add a photo'}<input type="file" accept="image/*" @change=${(/** @type {Event} */ e) => picked(id, e)}></label>
    ${has ? html`<button type="button" @click=${() => drop(id)}>Remove the photo</button>` : nothing}
    <p class="note">It stays on the machine that runs the service: not in the journal, not in any export.</p></div>`;
}

/** @param {string} id @param {Event} e */
async function picked(id, e) {
  e.stopPropagation();
  const field = /** @type {HTMLInputElement} */ (e.target);
  const file = field.files?.[0];
  field.value = '';
  if (!file) return;
  known.busy = id;
  again();
  const picture = await scaled(file);
  if (picture) await attempt(() => ask(`/api/photo?locomotive=${id}`, { method: 'POST', headers: { 'Content-Type': 'image/jpeg', 'X-Rainhill': '1' }, body: picture }));
  else say(`“${file.name}” is no picture that this browser can read.`);
  known.busy = '';
  await refreshPhotos();
}

/** @param {string} id */
async function drop(id) {
  await attempt(() => ask(`/api/photo?locomotive=${id}`, { method: 'DELETE', headers: { 'X-Rainhill': '1' } }));
  await refreshPhotos();
}

/** The picture upright, as a JPEG of at most 1200 px a side and 1 MB; null when it cannot be read. @param {Blob} file */
export async function scaled(file) {
  const picture = await createImageBitmap(file, { imageOrientation: 'from-image' }).catch(() => null);
  if (!picture) return null;
  const by = Math.min(1, MOST_SIDE_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement('canvas');
  canvas.width = Math.max(1, Math.round(picture.width * by));
  canvas.height = Math.max(1, Math.round(picture.height * by));
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
  pen.fillStyle = 'white'; // behind what is clear
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  for (const quality of [0.85, 0.7, 0.5, 0.3]) {
    const blob = await new Promise((/** @type {(b: Blob | null) => void} */ done) => canvas.toBlob(done, 'image/jpeg', quality));
    if (blob && blob.size <= MOST_BYTES) return blob;
  }
  return null;
}
