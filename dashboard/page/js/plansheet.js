// The printed plan: one circuit on one sheet, to a stated scale, with its
// pieces, its gates and room for notes. Opened as #plan=<circuit id>.
/** @import {CircuitView} from '../../types/wire.js' */
import { html, svg, nothing } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { fixed, signed } from './format.js';
import { PX_MM, ends, fit, pieceLength, ratioFor, rule } from './planfit.js';
import { beginning, gap, gateMark, levels, paper, ruler, scaleBar, track } from './plandraw.js';
import { CLOSE_DEG, CLOSE_MM, differenceWords, fixedMm } from './drawing.js';

// The paper's own sizes, mm: what fits between the margins of A4 and of letter.
const WIDE = 186;
const HIGH = { plan: 108, manyPieces: 86, rule: 60 };
const FREE = { x: 20, y: 13, foot: 7 };

export function planView() {
  const id = decodeURIComponent(location.hash.split('=')[1] ?? '');
  const c = list(state.view?.circuits).find((o) => o.circuit.id === id);
  if (!state.view) return html`<div class="sheet welcome"><p>Calling the line…</p></div>`;
  if (!c) return html`<div class="sheet welcome"><h1>No such circuit</h1><p>The book has no circuit “${id}”.</p><p><a class="button" href="#book">To the book</a></p></div>`;
  return html`<p class="acts plan-acts"><button class="primary" @click=${() => print()}>Print this plan</button><a class="button" href="#book">Back to the book</a><span class="faint">One sheet of A4 or letter; print at 100 %, or the scale is another.</span></p>${sheetOf(c)}`;
}

/** @param {CircuitView} c */
function sheetOf(c) {
  const pieces = list(c.circuit.pieces);
  const gates = list(c.gates).map((row, key) => ({ key, row }));
  const plain = !pieces.length;
  const points = plain ? rule(c.length_mm) : list(c.plan).map((p) => ({ s: p.s, x: p.x, y: p.y }));
  const high = plain ? HIGH.rule : pieces.length > 45 ? HIGH.manyPieces : HIGH.plan;
  const ratio = ratioFor(points, WIDE - 2 * FREE.x, high - 2 * FREE.y - FREE.foot);
  const on = fit(points, WIDE * PX_MM, high * PX_MM, { x: 0, y: 0, foot: FREE.foot * PX_MM }, PX_MM / ratio);
  const of = { points, pieces, gates, lap: c.length_mm, gapMm: c.gap_mm, open: Boolean(c.hint), lit: -1 };
  const out = plain ? levels(on, of) : new Map();
  const scale = c.circuit.scale_ratio;
  return html`<article class="plan-sheet-paper" aria-labelledby="plan-title">
    <svg class="drawn" width=${`${WIDE}mm`} height=${`${high}mm`} viewBox="0 0 ${on.w} ${on.h}" role="img" aria-label=${`Plan of ${c.circuit.name || c.circuit.id}, 1 to ${ratio}`}>
      ${paper(on, false)}${plain ? ruler(on) : svg`${track(on, of)}${beginning(on)}${gap(on, of)}`}
      ${gates.toSorted((a, b) => (out.get(b.key) ?? 0) - (out.get(a.key) ?? 0)).map((g) => gateMark(on, g.row, c.length_mm, out.get(g.key)))}${scaleBar(on, `scale 1 : ${ratio}`, 0.2)}</svg>
    <div class="plan-block"><div class="plan-name"><h1 id="plan-title">${c.circuit.name || c.circuit.id}</h1><p>Plan of the circuit, on the centre line${scale ? `; models to 1 : ${fixedMm(scale)}` : ''}</p></div>
      <dl><div><dt>Drawn to</dt><dd>1 : ${ratio}</dd></div>${facts(c)}<div><dt>Date</dt><dd>${today()}</dd></div></dl></div>
    <div class="plan-tables">${pieces.length ? pieceTables(c) : nothing}${gateTable(c)}</div>
    <div class="plan-notes"><h2>Notes</h2></div></article>`;
}

/** @param {CircuitView} c */
function facts(c) {
  const measured = c.circuit.lap_length_mm ?? 0;
  const u = c.circuit.lap_length_u_mm ?? 0;
  return html`${c.pieces_mm > 0 ? html`<div><dt>Lap by its pieces</dt><dd>${fixed(c.pieces_mm, 1)} mm</dd></div>` : nothing}
    <div><dt>Lap as measured</dt><dd>${measured > 0 ? `${fixed(measured, 1)} mm${u > 0 ? ` ± ${fixed(u, 1)} mm (standard uncertainty)` : ', uncertainty not stated'}${c.pieces_mm > 0 ? `; ${differenceWords(measured, c.pieces_mm)}` : ''}` : 'not measured'}</dd></div>
    ${c.pieces_mm > 0 ? html`<div><dt>Closure error</dt><dd>${fixed(c.gap_mm, 1)} mm, ${signed(c.heading_deg, 2)}°${c.hint ? `. ${c.hint}` : ` (closed: within ${CLOSE_MM} mm and ${CLOSE_DEG}°)`}</dd></div>` : nothing}`;
}

function today() {
  const t = new Date();
  return `${t.getFullYear()}-${String(t.getMonth() + 1).padStart(2, '0')}-${String(t.getDate()).padStart(2, '0')}`;
}

/** The pieces in up to three columns, as even as they go. @param {CircuitView} c */
function pieceTables(c) {
  const pieces = list(c.circuit.pieces);
  const to = ends(pieces);
  const columns = Math.min(3, Math.ceil(pieces.length / 8));
  const each = Math.ceil(pieces.length / columns);
  return Array.from({ length: columns }, (_, k) => html`<table><caption>${k ? 'pieces, continued' : 'Pieces, in order from 0 mm'}</caption><thead><tr><th scope="col">no.</th><th scope="col">what</th><th scope="col">mm</th><th scope="col">ends at</th></tr></thead>
    <tbody>${pieces.slice(k * each, (k + 1) * each).map((p, i) => html`<tr><td>${k * each + i + 1}</td><td>${p.radius_mm ? `${p.hand} R ${fixedMm(p.radius_mm)}, ${fixedMm(p.angle_deg ?? 0)}°` : 'straight'}</td><td>${fixed(pieceLength(p), 1)}</td><td>${fixed(to[k * each + i], 1)}</td></tr>`)}</tbody></table>`);
}

/** @param {CircuitView} c */
function gateTable(c) {
  return html`<table class="gates"><caption>Gates</caption><thead><tr><th scope="col">gate</th><th scope="col">at mm</th><th scope="col">what</th><th scope="col">two beams</th></tr></thead>
    <tbody>${list(c.gates).map((g) => html`<tr><td>${g.id}</td><td>${fixed(g.position_mm, 1)}</td><td>${g.timing ? 'timing gate' : 'gate'}</td><td>${g.pair_mm ? `${fixedMm(g.pair_mm)} mm` : 'one beam'}</td></tr>`)}</tbody></table>`;
}
