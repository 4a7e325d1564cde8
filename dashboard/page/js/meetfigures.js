// How the results of a class are written: places, ties, figures. Pure.
/** @import {ClassResult, Standing} from '../../types/wire.js' */
import { list } from './merge.js';
import { known, time, fixed, DASH } from './format.js';

/** A figure with as many places as ties are judged by: 1 ms, or 0.001 %. @param {string} rank @param {number | null | undefined} v */
export function figure(rank, v) {
  return rank === 'evenness' ? (known(v) ? fixed(100 * v, 3) : DASH) : time(v, 3);
}

/** @param {string} rank */
export const unit = (rank) => (rank === 'evenness' ? '%' : 's');

/** @param {string} rank */
export const rankWords = (rank) => ({ mean_time: 'mean lap time', best_time: 'quickest lap', evenness: 'scatter of lap times' })[rank] ?? rank;

/** The 95 % interval of a figure; of one trial there is none. @param {string} rank @param {Standing} s */
export function interval(rank, s) {
  if (known(s.value.lo) && known(s.value.hi)) return `${figure(rank, s.value.lo)} to ${figure(rank, s.value.hi)}`;
  return DASH;
}

/** A place; an equals sign says that it is shared. @param {Standing} s */
export function place(s) {
  return s.place ? `${s.place}${s.tied ? ' =' : ''}` : DASH;
}

/** What is to be said of shared places, '' when there are none. @param {ClassResult} c @param {string} rank */
export function tieWords(c, rank) {
  /** @type {Map<number, Standing[]>} */ const by = new Map();
  for (const s of list(c.standings)) if (s.tied) by.set(s.place, [...(by.get(s.place) ?? []), s]);
  const said = [...by].map(([p, of]) => `Place ${p} is shared by ${of.map((s) => s.person).join(' and ')}`);
  return said.length ? `${said.join('; ')}: their figures are the same to ${rank === 'evenness' ? '0.001 %' : '1 ms'}, and as many places after are left out.` : '';
}

/** A digest in groups of eight, to be read aloud. @param {string} hex */
export function groups(hex) {
  return hex.match(/.{1,8}/g) ?? [];
}
