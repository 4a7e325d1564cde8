// What moves is drawn together, at most 20 times a second; only what is on the
// screen is drawn.
import { Pace } from './pace.js';
import { state } from './store.js';

const calm = matchMedia('(prefers-reduced-motion: reduce)');
/** @type {Map<Element, () => void>} */
const drawers = new Map();
/** @type {WeakSet<Element>} */
const visible = new WeakSet();
const watch = new IntersectionObserver((entries) => {
  for (const e of entries) e.isIntersecting ? visible.add(e.target) : visible.delete(e.target);
  motion.ask();
});

export const motion = new Pace(draw, 45);

function draw() {
  motion.least = calm.matches ? 1000 : 45;
  for (const [element, f] of drawers) if (visible.has(element)) f();
  if (drawers.size && state.phase === 'live') motion.ask();
}

const sizes = new ResizeObserver((entries) => {
  for (const e of entries) drawers.get(e.target)?.();
});

/**
 * Draws an element whenever things move, and when its size changes; the answer ends it.
 * @param {Element} element @param {() => void} f
 */
export function moving(element, f) {
  drawers.set(element, f);
  watch.observe(element);
  sizes.observe(element);
  motion.ask();
  return () => {
    drawers.delete(element);
    watch.unobserve(element);
    sizes.unobserve(element);
  };
}
