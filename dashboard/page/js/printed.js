// What stands at the edges of a printed page. The text of a page's margin can be
// set by a style rule only; it holds for pages of this sheet alone.
/** @import {Results} from '../../types/wire.js' */
import { day } from './format.js';
import { standing } from './sheet.js';

const rules = new CSSStyleSheet();
document.adoptedStyleSheets = [...document.adoptedStyleSheets, rules];
const said = { left: '', right: '' };

/** @param {Results | null} r @param {string} title when it is of no session */
export function pageFoot(r, title) {
  said.left = r?.session ? [r.session.name || r.session.id, r.circuit?.circuit.name].filter(Boolean).join(', ') : title;
  said.right = r?.session ? standing(r) : '';
  write();
}

function write() {
  const printed = `printed ${day(Date.now() * 1000)}`;
  rules.replaceSync(`@page returns {
    @top-left { content: ${quoted(said.left)}; } @top-right { content: ${quoted(said.right)}; }
    @bottom-left { content: ${quoted(printed)}; } @bottom-right { content: "page " counter(page) " of " counter(pages); }
  }`);
  for (const e of document.querySelectorAll('.printed-when')) e.textContent = printed;
}

addEventListener('beforeprint', write);

/** A text as a string of a style sheet: whatever is not plain is escaped. @param {string} s */
function quoted(s) {
  return `"${[...s].map((c) => (/[\w .,:()-]/.test(c) ? c : `\\${(c.codePointAt(0) ?? 32).toString(16)} `)).join('')}"`;
}
