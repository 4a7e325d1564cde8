// What unit tests say things with.

/** @param {unknown} got @param {unknown} want @param {string} what */
export function same(got, want, what) {
  const [g, w] = [JSON.stringify(got), JSON.stringify(want)];
  if (g !== w) throw new Error(`${what}: got ${g}, want ${w}`);
}

/** @param {number | null | undefined} got @param {number} want @param {number} within @param {string} what */
export function near(got, want, within, what) {
  if (typeof got !== 'number' || !(Math.abs(got - want) <= within)) throw new Error(`${what}: got ${got}, want ${want} within ${within}`);
}
