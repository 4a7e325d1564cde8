// When to draw: in an animation frame, the newest state only, and less often
// when drawing takes long, so that a slow machine keeps up with its line.

export class Pace {
  /** @param {() => void} draw @param {number} least ms between drawings @param {number} [most] */
  constructor(draw, least, most = 400) {
    this.draw = draw;
    this.least = least;
    this.most = most;
    this.costMs = 0;
    this.lastMs = -Infinity;
    this.drawn = 0;
    this.waiting = false;
  }

  /** A quarter of the time at most goes into drawing. */
  get gapMs() {
    return Math.min(this.most, Math.max(this.least, 4 * this.costMs));
  }

  ask() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame((t) => this.frame(t));
  }

  /** @param {number} atMs */
  frame(atMs) {
    if (atMs - this.lastMs < this.gapMs - 2) {
      requestAnimationFrame((t) => this.frame(t));
      return;
    }
    this.waiting = false;
    this.lastMs = atMs;
    const begin = performance.now();
    this.draw();
    this.drawn++;
    // The browser's own layout and painting come before the next task.
    setTimeout(() => (this.costMs += 0.2 * (performance.now() - begin - this.costMs)));
  }
}
