// Asking for what may take long: nothing is given up by the clock, and an
// AbortSignal ends it. A refusal is an error with the gateway's own reason.
import { Refused } from './api.js';

/** @param {string} path @param {RequestInit} [init] */
export async function open(path, init) {
  let response;
  try {
    response = await fetch(path, { ...init, cache: 'no-store' });
  } catch (e) {
    if (init?.signal?.aborted) throw e;
    throw new Refused(0, 'The service did not answer. Is it running, and is this machine on its network?');
  }
  if (response.ok) return response;
  const body = await response.json().catch(() => null);
  throw new Refused(response.status, body?.reason || `The service answered ${response.status} to ${path}.`);
}

/** @param {string} path @param {RequestInit} [init] @returns {Promise<any>} */
export async function fetched(path, init) {
  return (await open(path, init)).json();
}

/** @param {string} path @param {unknown} body @param {AbortSignal} [signal] */
export function posted(path, body, signal) {
  return open(path, { method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Rainhill': '1' }, body: JSON.stringify(body), signal });
}

/**
 * The lines of an answer as they come.
 * @param {Response} response
 */
export async function* lines(response) {
  const reader = /** @type {ReadableStream<Uint8Array>} */ (response.body).getReader();
  const decoder = new TextDecoder();
  let rest = '';
  for (;;) {
    const { done, value } = await reader.read();
    rest += decoder.decode(value, { stream: !done });
    const all = rest.split('\n');
    rest = all.pop() ?? '';
    for (const line of all) if (line) yield line;
    if (done) {
      if (rest) yield rest;
      return;
    }
  }
}
