// What this browser prefers: kept here, never in the book.

/** @type {{minutes: number, beside: boolean, tag: string, strips: string[]}} strips of the roll that are shown */
const defaults = { minutes: innerWidth < 700 ? 1 : 2, beside: false, tag: '', strips: ['slip', 'desync'] };
const KEY = 'rainhill-page';

function load() {
  try {
    return { ...defaults, ...JSON.parse(localStorage.getItem(KEY) ?? '{}') };
  } catch {
    return { ...defaults };
  }
}

export const settings = load();

/** @param {Partial<typeof defaults>} some */
export function prefer(some) {
  Object.assign(settings, some);
  try {
    localStorage.setItem(KEY, JSON.stringify(settings));
  } catch { /* a browser that keeps nothing still shows everything */ }
}
