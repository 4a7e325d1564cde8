// Ids are made from names: [a-z0-9][a-z0-9-]{0,31}, never one already taken.

const MOST = 32;

/** @param {string} s */
export function validId(s) {
  return /^[a-z0-9][a-z0-9-]{0,31}$/.test(s);
}

/**
 * @param {string} name
 * @param {Iterable<string>} taken ids that exist already
 * @param {string} otherwise what to use when nothing of the name is left
 */
export function slug(name, taken, otherwise) {
  const plain = name.normalize('NFKD').replace(/[\u0300-\u036f]/g, '').replace(/ß/g, 'ss').toLowerCase();
  const base = trim(plain.replace(/[^a-z0-9]+/g, '-').replace(/^-+/, ''), MOST) || otherwise;
  const used = new Set(taken);
  if (!used.has(base)) return base;
  for (let n = 2; ; n++) {
    const tail = `-${n}`;
    const id = trim(base, MOST - tail.length) + tail;
    if (!used.has(id)) return id;
  }
}

/** @param {string} s @param {number} most */
function trim(s, most) {
  return s.slice(0, most).replace(/-+$/, '');
}

/**
 * A trial is named after its locomotive and the moment it was opened, so that
 * no two of any session share a name.
 * @param {string} locomotive id @param {Date} at @param {Iterable<string>} taken
 */
export function trialId(locomotive, at, taken) {
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  const stamp = two(at.getFullYear() % 100) + two(at.getMonth() + 1) + two(at.getDate()) +
    '-' + two(at.getHours()) + two(at.getMinutes()) + two(at.getSeconds());
  return slug(`${trim(locomotive, 16)}-${stamp}`, taken, 'trial');
}
