// Slip and desync on the roll: strips of their own below the pens of speed, each
// with its base line at zero and a faint band where the uncertainty is known. A
// strip is there when somebody tells of it, and can be put away.
/** @import {Named, DynoRoll} from './roll.js' */
import uPlot from '../lib/uplot-1.6.32.js';
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { inks } from './ink.js';
import { prefer, settings } from './settings.js';
import { fixed, known, signed } from './format.js';
import { motion } from './motion.js';

const STRIPS = ['slip', 'desync'];
const HIGH = 112; // px

/** The strips below a roll's own paper. @param {DynoRoll} roll */
export const stripsOf = (roll) => new Strips(roll);

export class Strips {
  /** @type {uPlot[]} */ plots = [];
  key = '';
  told = '';
  /** per cent at the edge of each strip */ tops = [1, 1];

  /** @param {DynoRoll} roll */
  constructor(roll) {
    this.roll = roll;
    this.choice = document.createElement('div');
    this.papers = document.createElement('div');
    this.papers.className = 'strip-papers';
    roll.paper?.after(this.papers, this.choice);
  }

  /** Slip and desync in words for the legend. @param {(number | null)[] | undefined} shares */
  words(shares) {
    return STRIPS.map((name, k) => {
      const [v, u] = [shares?.[2 * k], shares?.[2 * k + 1]];
      if (!known(v) || !settings.strips.includes(name)) return nothing;
      const zero = known(u) && Math.abs(v) < 1.96 * u ? ', not told from 0' : '';
      return html`<span class="num faint">${name} ${signed(100 * v, 2)}${settings.beside && known(u) ? ` ± ${fixed(196 * u, 2)}` : ''} %${zero}</span>`;
    });
  }

  end() {
    for (const p of this.plots) p.destroy();
    this.plots = [];
  }

  /** @param {number[]} times @param {(number | null)[][][]} shares of each pen: slip, its u, desync, its u */
  draw(times, shares) {
    const { roll } = this;
    const told = STRIPS.filter((_, k) => shares.some((of) => of[2 * k]?.some(known)));
    if (told.join() !== this.told) this.choose(told);
    const shown = told.filter((name) => settings.strips.includes(name));
    const width = roll.clientWidth;
    const key = JSON.stringify([shown, roll.named, width, inks().ink]);
    if (key !== this.key) this.build(shown, width);
    this.key = key;
    shown.forEach((name, i) => {
      const k = STRIPS.indexOf(name);
      this.tops[k] = topOf(shares, k);
      this.plots[i]?.setData(columns(times, shares, k));
    });
  }

  /** @param {string[]} told */
  choose(told) {
    this.told = told.join();
    const pick = (/** @type {Event} */ e) => {
      const { value, checked } = /** @type {HTMLInputElement} */ (e.target);
      prefer({ strips: STRIPS.filter((s) => (s === value ? checked : settings.strips.includes(s))) });
      motion.ask();
    };
    render(told.length ? html`<fieldset class="windows strips-shown"><legend class="aside">Strips shown</legend>${told.map((name) => html`<label><input type="checkbox" name="strip" value=${name} .checked=${settings.strips.includes(name)} @change=${pick}><span>${name}</span></label>`)}</fieldset>` : nothing, this.choice);
  }

  /** @param {string[]} shown @param {number} width */
  build(shown, width) {
    this.end();
    this.plots = shown.map((name) => new uPlot(options(this, name, width), undefined, this.papers));
  }
}

/** Per cent and the two ends of the band, pen by pen. @param {number[]} times @param {(number | null)[][][]} shares @param {number} k @returns {any} */
function columns(times, shares, k) {
  const at = (/** @type {(number | null)[][]} */ of, /** @type {number} */ sign) => times.map((_, i) => {
    const [v, u] = [of[2 * k]?.[i], of[2 * k + 1]?.[i]];
    return known(v) && (!sign || known(u)) ? 100 * (v + sign * 1.96 * (u ?? 0)) : null;
  });
  return [times, ...shares.flatMap((of) => [at(of, 0), at(of, 1), at(of, -1)])];
}

/** @param {Strips} strips @param {string} name @param {number} width @returns {any} */
function options({ roll, tops }, name, width) {
  const { ink, faint, grid, rule, small, pens: colours } = inks();
  const stepped = uPlot.paths.stepped?.({ align: 1 });
  const pen = (/** @type {Named} */ p) => ({ stroke: colours[p.ink - 1], width: 1.5, dash: p.dash, points: { show: false }, paths: stepped });
  const edge = { stroke: 'transparent', width: 0, points: { show: false }, paths: stepped };
  const axis = { stroke: faint, font: small, grid: { stroke: grid, width: 1 }, ticks: { stroke: rule, width: 1, size: 5 } };
  return {
    width, height: HIGH, padding: [10, 34, 6, 0], legend: { show: false }, cursor: { show: false },
    scales: { x: { time: false, range: () => [roll.fromS, roll.toS] }, y: { range: () => [-tops[STRIPS.indexOf(name)], tops[STRIPS.indexOf(name)]] } },
    axes: [{ ...axis, show: false }, { ...axis, size: 56, space: 24 }],
    series: [{}, ...roll.named.flatMap((p) => [pen(p), edge, edge])],
    bands: roll.named.map((p, i) => ({ series: [3 * i + 2, 3 * i + 3], fill: `${colours[p.ink - 1]}1c` })),
    hooks: { draw: [(/** @type {any} */ u) => { baseLine(u, `${name}, %`, ink, faint); letters(u, roll.named, colours); }] },
  };
}

/**
 * Per cent that nine in ten of what is told, with its interval, lie within, and one at
 * least: a set that spins as it starts runs off its strip, and the rest stays readable.
 * @param {(number | null)[][][]} shares @param {number} k
 */
export function topOf(shares, k) {
  const all = shares.flatMap((of) => (of[2 * k] ?? []).flatMap((v, i) => (known(v) ? [100 * (Math.abs(v) + 1.96 * (of[2 * k + 1]?.[i] ?? 0))] : []))).sort((a, b) => a - b);
  const most = all[Math.floor(0.9 * (all.length - 1))] ?? 0;
  return [1, 2, 3, 5, 10, 20, 50, 100].find((t) => t >= most) ?? 200;
}

/** @param {any} u @param {string} words @param {string} ink @param {string} faint */
function baseLine(u, words, ink, faint) {
  const [c, ratio] = [u.ctx, uPlot.pxRatio];
  const y = Math.round(u.valToPos(0, 'y', true));
  c.save();
  Object.assign(c, { strokeStyle: ink, fillStyle: faint, lineWidth: ratio, textAlign: 'left', textBaseline: 'top', font: `${12.5 * ratio}px ${getComputedStyle(u.root).fontFamily}` });
  c.setLineDash([]);
  c.beginPath();
  c.moveTo(u.bbox.left, y);
  c.lineTo(u.bbox.left + u.bbox.width, y);
  c.stroke();
  c.fillText(words, u.bbox.left + 6 * ratio, u.bbox.top);
  c.restore();
}

/** The letter of each pen where it ends. @param {any} u @param {Named[]} named @param {string[]} colours */
function letters(u, named, colours) {
  const [c, ratio] = [u.ctx, uPlot.pxRatio];
  const ends = named.flatMap((p, i) => {
    const last = u.data[3 * i + 1]?.findLast(known);
    return known(last) ? [{ y: u.valToPos(last, 'y', true), p }] : [];
  }).sort((a, b) => a.y - b.y);
  c.save();
  Object.assign(c, { textAlign: 'left', textBaseline: 'middle', font: `bold ${13 * ratio}px ${getComputedStyle(u.root).fontFamily}` });
  let above = -Infinity;
  for (const { y, p } of ends) {
    above = Math.max(y, above + 13 * ratio);
    c.fillStyle = colours[p.ink - 1];
    c.fillText(p.letter, u.bbox.left + u.bbox.width + 8 * ratio, above);
  }
  c.restore();
}
