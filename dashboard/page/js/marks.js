// The mark of a locomotive: a shape with a pattern, the same everywhere. Ink
// goes with it, but shape and pattern tell marks apart by themselves.
import { svg, html } from '../lib/lit-3.3.3.js';

// Outlines in a square from -10 to 10.
const SHAPES = [
  { name: 'circle', d: 'M9 0A9 9 0 1 1-9 0A9 9 0 1 1 9 0Z' },
  { name: 'square', d: 'M-8-8H8V8H-8Z' },
  { name: 'triangle', d: 'M0-9.5L9.5 7.5H-9.5Z' },
  { name: 'diamond', d: 'M0-10L10 0L0 10L-10 0Z' },
  { name: 'cross', d: 'M-3.5-9H3.5V-3.5H9V3.5H3.5V9H-3.5V3.5H-9V-3.5H-3.5Z' },
  { name: 'hexagon', d: 'M-9.5 0L-4.75-8.2H4.75L9.5 0L4.75 8.2H-4.75Z' },
  { name: 'hourglass', d: 'M-8.5-9H8.5L2.5 0L8.5 9H-8.5L-2.5 0Z' },
  { name: 'inverted triangle', d: 'M0 9.5L9.5-7.5H-9.5Z' },
];
const PATTERNS = ['filled', 'open', 'barred', 'dotted'];
const INKS = 6;

/** @typedef {{shape: string, d: string, pattern: string, ink: number, words: string}} Mark */

/** Mark number n; 32 differ in shape or pattern. @param {number} n @param {number} [ink] 0 to 5 @returns {Mark} */
export function mark(n, ink = 0) {
  const shape = SHAPES[n % SHAPES.length];
  const pattern = PATTERNS[(n + Math.floor(n / SHAPES.length)) % PATTERNS.length];
  return { shape: shape.name, d: shape.d, pattern, ink: (ink % INKS) + 1, words: `${pattern} ${shape.name}` };
}

const MARKS = SHAPES.length * PATTERNS.length;

/**
 * Which mark each locomotive has: its id says so by itself, on every screen and
 * in every session; only where two ids say the same does the later in the list
 * take the next one free. Ink goes round in the order of the list.
 * @param {Iterable<string>} ids those first seen first @returns {Map<string, Mark>}
 */
export function assignMarks(ids) {
  /** @type {Map<string, Mark>} */ const given = new Map();
  const taken = new Set();
  for (const id of ids) {
    if (given.has(id)) continue;
    let n = hash(id) % MARKS;
    for (let tries = 0; taken.has(n) && tries < MARKS; tries++) n = (n + 1) % MARKS;
    taken.add(n);
    given.set(id, mark(n, given.size));
  }
  return given;
}

/** FNV-1a, 32 bits. @param {string} s */
function hash(s) {
  let h = 0x811c9dc5;
  for (let i = 0; i < s.length; i++) h = Math.imul(h ^ s.charCodeAt(i), 0x01000193) >>> 0;
  return h;
}

/** The mark's drawing, for use inside an svg. @param {Mark} m */
export function markShape(m) {
  return svg`<g class="mark-shape ${m.pattern} ink${m.ink}"><path d=${m.d}></path>${
    m.pattern === 'barred' ? svg`<path class="inner" d="M-6 0H6"></path>` : ''
  }${m.pattern === 'dotted' ? svg`<path class="inner" d="M0-.1V.1"></path>` : ''}</g>`;
}

/** The mark as a picture of its own, named by its words. @param {Mark} m */
export function markPicture(m) {
  return html`<svg class="mark" viewBox="-12 -12 24 24" role="img" aria-label=${`mark: ${m.words}`}>${markShape(m)}</svg>`;
}

/** @type {Map<string, Path2D>} */
const paths = new Map();

/**
 * The mark on a canvas.
 * @param {CanvasRenderingContext2D} c @param {Mark} m @param {number} x @param {number} y
 * @param {number} size half of its width, px @param {string} ink @param {string} paper
 */
export function drawMark(c, m, x, y, size, ink, paper) {
  let path = paths.get(m.d);
  if (!path) paths.set(m.d, (path = new Path2D(m.d)));
  c.save();
  c.translate(x, y);
  c.scale(size / 10, size / 10);
  c.lineWidth = 2.6;
  c.setLineDash([]);
  c.strokeStyle = ink;
  c.fillStyle = m.pattern === 'filled' ? ink : paper;
  c.fill(path);
  c.stroke(path);
  if (m.pattern === 'barred') c.stroke(new Path2D('M-6 0H6'));
  if (m.pattern === 'dotted') {
    c.lineCap = 'round';
    c.lineWidth = 6;
    c.stroke(new Path2D('M0-.1V.1'));
  }
  c.restore();
}
