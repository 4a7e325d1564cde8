// The colours of the style sheet, for what is drawn on a canvas.

/** @typedef {{paper: string, ink: string, faint: string, rule: string, grid: string, gridStrong: string, pens: string[], font: string, small: string}} Inks */

/** @type {Inks | null} */
let read = null;
matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => (read = null));

/** @returns {Inks} */
export function inks() {
  if (read) return read;
  const style = getComputedStyle(document.documentElement);
  const v = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
  const family = v('--serif');
  read = {
    paper: v('--sheet'), ink: v('--ink'), faint: v('--faint'), rule: v('--rule'),
    grid: v('--grid'), gridStrong: v('--grid-strong'),
    pens: [1, 2, 3, 4, 5, 6].map((n) => v(`--ink${n}`)),
    font: `14px ${family}`, small: `12.5px ${family}`,
  };
  return read;
}

/**
 * Fits a canvas to its box at the screen's own resolution.
 * @param {HTMLCanvasElement} canvas @param {number} width @param {number} height css px
 */
export function fit(canvas, width, height) {
  const ratio = Math.min(3, devicePixelRatio || 1);
  const [w, h] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
  }
  const c = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  return c;
}
