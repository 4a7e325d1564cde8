// A circuit that is being drawn up: its pieces and gates as they stand in the
// form, and what the service makes of them. No form and no picture is in here.
/** @import {Circuit, CircuitView, Gate, Piece, PieceChange} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { Rows } from './forms.js';
import { ends, pieceLength, rule } from './planfit.js';
import { list } from './merge.js';
import { validId } from './slug.js';
import { fixed } from './format.js';
import { post, Refused } from './api.js';

const PAUSE_MS = 120; // of typing, before the service is asked
/** Closed within this: what pkg/circuit takes for closed. */
export const CLOSE_MM = 1;
export const CLOSE_DEG = 0.1;

/** Sum of the pieces' centre lines, mm. @param {Piece[]} of */
export function lengthOf(of) {
  return of.reduce((sum, p) => sum + pieceLength(p), 0);
}

/** @param {number} radius @param {number} straight @returns {Piece[]} */
export function ovalOf(radius, straight) {
  const half = { radius_mm: radius, angle_deg: 180, hand: 'left' };
  return straight > 0 ? [{ straight_mm: straight }, half, { straight_mm: straight }, { ...half }] : [half, { ...half }];
}

/** The pieces with changes made to them, which count in the old ones. @param {Piece[]} pieces @param {PieceChange[]} changes */
export function changed(pieces, changes) {
  /** @type {Piece[]} */ const out = [];
  for (let i = 0; i <= pieces.length; i++) {
    const here = changes.filter((c) => c.at === i);
    out.push(...here.filter((c) => c.do === 'add').map((c) => c.piece));
    if (i < pieces.length && !here.some((c) => c.do === 'remove')) out.push(here.find((c) => c.do === 'change')?.piece ?? pieces[i]);
  }
  return out;
}

/** The piece one tap adds: like the last of its kind. @param {Piece[]} pieces @param {string} kind straight, left or right @returns {Piece} */
export function nextPiece(pieces, kind) {
  const curve = pieces.findLast((p) => p.radius_mm);
  if (kind === 'straight') return { straight_mm: pieces.findLast((p) => p.straight_mm)?.straight_mm ?? 300 };
  return { radius_mm: curve?.radius_mm ?? 400, angle_deg: curve?.angle_deg ?? 45, hand: kind };
}

/** @param {Piece} p */
export function pieceWords(p) {
  return p.radius_mm ? `curve ${p.hand}, R ${fixedMm(p.radius_mm)} mm, ${fixedMm(p.angle_deg ?? 0)}°` : `straight ${fixedMm(p.straight_mm ?? 0)} mm`;
}

/** As many decimals as there are, three at most. @param {number} v */
export function fixedMm(v) {
  return String(Number(v.toFixed(3)));
}

/** The measured length against the pieces' sum. @param {number} measured @param {number} sum */
export function differenceWords(measured, sum) {
  const d = measured - sum;
  if (Math.abs(d) < 0.05) return 'as long as its pieces';
  const share = Math.abs(d) / sum;
  return `${fixed(Math.abs(d), 1)} mm (${share < 1e-3 ? `${fixed(share * 1e6, 0)} ppm` : `${fixed(share * 100, 2)} %`}) ${d > 0 ? 'longer' : 'shorter'} than its pieces`;
}

/** What is wrong with it, in words; or nothing. @param {Circuit} c @param {Gate[]} g */
export function faultOf(c, g) {
  const length = c.lap_length_mm || lengthOf(list(c.pieces));
  if (!(length > 0)) return 'The lap needs a length: measured, or from pieces.';
  if (!g.length) return 'A circuit needs at least one gate, or nothing can be timed.';
  const bad = g.find((x) => !validId(x.id));
  if (bad) return `Gate “${bad.id}”: a gate is named with small letters, digits and hyphens.`;
  const far = g.find((x) => x.position_mm >= length);
  return far ? `Gate ${far.id} stands at ${fixed(far.position_mm, 0)} mm, beyond the end of the lap (${fixed(length, 0)} mm).` : '';
}

/** @param {Filled} f @returns {Piece[]} */
export function readPieces(f) {
  const [kinds, mm, deg] = [f.texts('piece.kind'), f.numbers('piece.mm'), f.numbers('piece.deg')];
  return kinds.map((k, i) => (k === 'straight' ? { straight_mm: mm[i] } : { radius_mm: mm[i], angle_deg: deg[i], hand: k }));
}

/** @param {Filled} f @returns {Gate[]} */
export function readGates(f) {
  const [ids, at, pair, keys] = [f.texts('gate.id'), f.numbers('gate.at'), f.numbers('gate.pair'), f.texts('gate.key')];
  const timing = Math.max(0, keys.indexOf(f.text('timing')));
  return ids.map((id, i) => ({ id, position_mm: at[i], ...(i === timing && { timing: true }), ...(pair[i] && { pair_mm: pair[i] }) }));
}

export class Drawing {
  /** @type {CircuitView | null} */ answer = null;
  answered = false; // the answer is to what stands there now
  refusal = '';
  at = -1; // key of the piece the hand is on
  over = -1; // key of the piece the mouse is over
  asked = 0;
  key = ''; // the pieces that were asked about last
  /** @type {ReturnType<typeof setTimeout> | undefined} */ timer;

  /**
   * @param {CircuitView | undefined} view what is in the book already
   * @param {() => void} redraw
   * @param {(value: unknown) => Promise<CircuitView>} [draw]
   */
  constructor(view, redraw, draw = (value) => post('/api/draw', value)) {
    this.redraw = redraw;
    this.draw = draw;
    this.pieces = new Rows(list(view?.circuit.pieces), () => nextPiece(this.laid, 'straight'));
    this.gates = new Rows(view ? list(view.gates) : [{ id: 'g1', position_mm: 0, timing: true }], () => this.freshGate(0));
    this.way = this.pieces.rows.length ? 'pieces' : 'measured';
    this.measured = view?.circuit.lap_length_mm ?? 0;
    this.measuredU = view?.circuit.lap_length_u_mm ?? 0;
    this.ask();
  }

  /** The pieces in order. @returns {Piece[]} */
  get laid() {
    return this.way === 'pieces' ? this.pieces.rows.map((r) => r.row) : [];
  }

  /** @param {number} mm @returns {Gate} */
  freshGate(mm) {
    const taken = this.gates.rows.map((r) => r.row.id);
    let n = taken.length + 1;
    while (taken.includes(`g${n}`)) n++;
    return { id: `g${n}`, position_mm: mm, ...(!taken.length && { timing: true }) };
  }

  /** The lap that gates are measured in, mm. */
  get lap() {
    return this.measured > 0 ? this.measured : lengthOf(this.laid);
  }

  /** Everything that was typed. @param {Filled} f */
  read(f) {
    const [pieces, gates] = [readPieces(f), readGates(f)]; // as drawn last: a line may have come or gone since
    if (pieces.length === this.pieces.rows.length) pieces.forEach((p, i) => (this.pieces.rows[i].row = p));
    if (gates.length === this.gates.rows.length) gates.forEach((g, i) => (this.gates.rows[i].row = g));
    [this.measured, this.measuredU] = [f.number('length'), f.number('length_u')];
    this.changed();
  }

  /** Pieces, gates or lengths are others. */
  changed() {
    this.ask();
    this.redraw();
  }

  /** The first piece that cannot be laid, in words; nothing when all can. */
  get unlaid() {
    const i = this.laid.findIndex((p) => !(pieceLength(p) > 0) || (p.angle_deg ?? 0) > 360);
    return i < 0 ? '' : `Piece ${i + 1} has no length yet.`;
  }

  /** Has the service lay the pieces, a moment after the last change. */
  ask() {
    const pieces = this.laid;
    const value = { circuit: { id: 'draft', name: '', pieces, lap_length_mm: this.measured }, gates: this.soundGates() };
    const key = JSON.stringify(pieces);
    if (key !== this.key) this.answered = false;
    else if (this.answered) return; // a gate moved: the plan is the same
    this.key = key;
    clearTimeout(this.timer);
    if (pieces.length && !this.unlaid) this.timer = setTimeout(() => this.fetch(value), PAUSE_MS);
  }

  /** Gates that a circuit can have: others are still being typed. */
  soundGates() {
    const all = this.gates.rows.map((r) => r.row);
    return all.filter((g, i) => validId(g.id) && g.position_mm >= 0 && all.findIndex((o) => o.id === g.id) === i);
  }

  /** The latest answer wins. @param {unknown} value */
  async fetch(value) {
    const n = ++this.asked;
    const key = this.key;
    try {
      const answer = await this.draw(value);
      if (n !== this.asked || !Array.isArray(answer.plan)) return;
      [this.answer, this.refusal] = [answer, ''];
      this.answered = key === this.key;
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      if (n !== this.asked) return;
      this.refusal = e.message;
    }
    this.redraw();
  }

  /** The answer's hint, while it is about what stands there. */
  get hint() {
    return this.answered && this.laid.length ? this.answer?.hint ?? '' : '';
  }

  /** Does what the hint says, and gives the key of the first piece that it changed. */
  close() {
    const changes = list(this.answer?.changes);
    if (!this.hint || !changes.length) return -1;
    const first = Math.min(...changes.map((c) => c.at));
    this.pieces.set(changed(this.laid, changes));
    this.changed();
    return this.pieces.rows[Math.min(first, this.pieces.rows.length - 1)].key;
  }

  /** What the plan shows; null when there is nothing to draw yet. @returns {import('./drawnplan.js').Editable | null} */
  picture() {
    const { answer, lap } = this;
    const acts = { place: this.place, move: this.move, drop: this.dropGate };
    if (!(lap > 0)) return null;
    if (!this.laid.length) return { points: rule(lap), pieces: [], gates: this.gates.rows, lap, gapMm: 0, open: false, lit: -1, ...acts };
    if (!answer) return null;
    const points = list(answer.plan).map((p) => ({ s: p.s, x: p.x, y: p.y }));
    return { points, pieces: list(answer.circuit.pieces), gates: this.gates.rows, lap, gapMm: answer.gap_mm, open: this.open, lit: this.pieces.rows.findIndex((r) => r.key === this.shown), ...acts };
  }

  get open() {
    return Boolean(this.answer && (this.answer.gap_mm > CLOSE_MM || Math.abs(this.answer.heading_deg) > CLOSE_DEG));
  }

  /** The middle of the longest stretch without a gate, whole mm. */
  get roomiest() {
    const at = this.gates.rows.map((r) => r.row.position_mm).sort((a, b) => a - b);
    if (!at.length || !(this.lap > 0)) return 0;
    const long = at.map((mm, i) => (at[i + 1] ?? at[0] + this.lap) - mm);
    const i = long.indexOf(Math.max(...long));
    return Math.floor((at[i] + long[i] / 2) % this.lap);
  }

  /** Sets a gate on the line. @param {number} mm */
  place = (mm) => {
    this.gates.rows.push({ key: this.gates.next++, row: this.freshGate(mm) });
    this.redraw();
  };

  /** @param {number} key @param {number} mm */
  move = (key, mm) => {
    const gate = this.gates.rows.find((r) => r.key === key);
    if (!gate) return;
    gate.row = { ...gate.row, position_mm: mm };
    this.redraw();
  };

  /** @param {number} key */
  dropGate = (key) => {
    this.gates.rows = this.gates.rows.filter((r) => r.key !== key);
    const first = this.gates.rows[0];
    if (first && !this.gates.rows.some((r) => r.row.timing)) first.row = { ...first.row, timing: true };
    this.redraw();
  };

  /** @param {Piece[]} pieces @param {number} [at] before which; at the end when not said */
  insert(pieces, at = this.pieces.rows.length) {
    const rows = pieces.map((row) => ({ key: this.pieces.next++, row: { ...row } }));
    this.pieces.rows.splice(at, 0, ...rows);
    this.changed();
    return rows[0].key;
  }

  /** @param {number} key @param {number} by places down */
  shift(key, by) {
    const rows = this.pieces.rows;
    const i = rows.findIndex((r) => r.key === key);
    const to = i + by;
    if (i < 0 || to < 0 || to >= rows.length) return;
    rows.splice(to, 0, ...rows.splice(i, 1));
    this.changed();
  }

  /** Takes a piece out and gives the key of its neighbour, -1 when none is left. @param {number} key */
  dropPiece(key) {
    const rows = this.pieces.rows;
    const i = rows.findIndex((r) => r.key === key);
    if (i >= 0) rows.splice(i, 1);
    this.changed();
    return rows[Math.min(i, rows.length - 1)]?.key ?? -1;
  }

  /** Key of the piece that the plan shows. */
  get shown() {
    return this.over >= 0 ? this.over : this.at;
  }

  /** Where each piece ends, mm. */
  get ends() {
    return ends(this.laid);
  }
}
