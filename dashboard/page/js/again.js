// A way for any part to say that the sheet must be drawn again.

/** @type {() => void} */
let ask = () => {};

/** @param {() => void} f */
export function onAgain(f) {
  ask = f;
}

export function again() {
  ask();
}
