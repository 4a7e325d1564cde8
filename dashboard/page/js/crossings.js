// Where raw crossings lie against a lap. Pure. Their instants are known as far as
// arrivals tell only, so the lap's ends are the crossings of its gate nearest to them.

/**
 * @typedef {object} Raw a crossing as the journal has it
 * @property {number} journal_seq @property {string} gate @property {string} edge @property {number} [beam] @property {string} [tag]
 * @property {string} [agent] @property {string} [boot] @property {number} [seq] @property {number} at_us @property {number} [u_us]
 * @property {number} bus_us @property {number} about_us
 */
/** @typedef {{x: Raw, where: string, within: boolean}} Placed */

/** How far a crossing may lie from a lap's end to be taken for it. */
const NEAR_US = 1e6;

/**
 * @param {Raw[]} all in order of about_us @param {number} fromUs @param {number} toUs @param {string} gate the lap's own
 * @param {string} [tag] of the trial: one read with it goes before others, and one with another train's is not taken for the lap's end
 * @returns {Placed[]}
 */
export function placed(all, fromUs, toUs, gate, tag = '') {
  const there = all.filter((x) => x.gate === gate && (!tag || !x.tag || x.tag === tag));
  const read = there.filter((x) => tag && x.tag === tag); // these are its own for sure
  const begin = nearest(read, fromUs) ?? nearest(there, fromUs);
  const last = nearest(read, toUs) ?? nearest(there, toUs);
  const from = begin ? begin.about_us : fromUs;
  const to = last && last !== begin ? last.about_us : toUs;
  return all.map((x) => {
    const within = x.about_us >= from && x.about_us <= to;
    const where = x === begin ? 'nearest its beginning' : x === last ? 'nearest its end' : within ? 'within' : x.about_us < from ? 'before' : 'after';
    return { x, where, within };
  });
}

/** @param {Raw[]} all @param {number} us */
function nearest(all, us) {
  const off = (/** @type {Raw} */ x) => Math.abs(x.about_us - us);
  /** @type {Raw | null} */ let best = null;
  for (const x of all) if (off(x) <= NEAR_US && (!best || off(x) < off(best))) best = x;
  return best;
}
