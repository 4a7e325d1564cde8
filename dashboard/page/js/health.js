// The health of the service and of what speaks to it.
/** @import {AgentHealth, Reject, Health} from '../../types/wire.js' */
import { html, nothing, repeat } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { clock, day, span, count, fixed, known, DASH } from './format.js';
import { clockRows, offsetPlot } from './offsets.js';

export function healthView() {
  const h = state.health;
  if (!h) return html`<div class="sheet welcome"><h1>Health</h1><p>Asking the service…</p></div>`;
  return html`<h1 class="aside">Health</h1>
    <section class="sheet" aria-labelledby="h-record"><div class="caption"><h2 id="h-record">Record</h2><p>running since ${day(h.started_us)}, as of ${clock(h.now_us)}</p></div>
      <dl class="tally">${record(h).map(([k, v, why]) => html`<div><dt>${k}</dt><dd class="num">${v}</dd><dd class="why">${why}</dd></div>`)}</dl>
      ${notes(h)}</section>
    <section class="sheet" aria-labelledby="h-agents"><div class="caption"><h2 id="h-agents">Agents</h2><p>what speaks to the bus, and when it last did</p></div>
      ${list(h.agents).length ? html`<div class="agents">${repeat(list(h.agents).toSorted((a, b) => a.agent.localeCompare(b.agent)), (a) => a.agent, (a) => agent(a, h.now_us))}</div>` : html`<p class="empty">No agent has spoken yet.</p>`}</section>
    <section class="sheet" aria-labelledby="h-rejects"><div class="caption"><h2 id="h-rejects">Refused messages</h2><p>newest first, with the first bytes as they came</p></div>
      ${list(h.rejects).length ? html`<ol class="rejects">${list(h.rejects).map(reject)}</ol>` : html`<p class="empty">Nothing has been refused.</p>`}</section>`;
}

/** @param {Health} h */
function record(h) {
  const behind = h.journal_seq - h.scored_seq;
  return [
    ['in the journal', count(h.journal_seq), 'facts, each on disk'],
    ['scored', count(h.scored_seq), behind > 0 ? `${count(behind)} behind` : 'up to the last fact'],
    ['accepted', count(h.accepted), 'since the start'],
    ['duplicates', count(h.duplicates), 'sent again, counted once'],
    ['refused', count(h.rejected), 'not in form; see below'],
    ['denied', count(h.denied), 'not permitted to speak so'],
    ['turned away', count(h.overloaded), 'too many at once'],
    ['pages', count(h.viewers), 'watching now'],
  ];
}

/** @param {Health} h */
function notes(h) {
  const all = [...list(h.doubts), ...list(h.unknown_gates).map((g) => `Gate ${g} reports crossings, but the circuit has no such gate.`)];
  return all.length ? html`<ul class="doubts">${all.map((d) => html`<li>${d}</li>`)}</ul>` : nothing;
}

/** @param {AgentHealth} a @param {number} nowUs */
function agent(a, nowUs) {
  const rows = [
    ['last seen', `${span(nowUs - a.last_us)} ago`],
    ['events', count(a.events)],
    ['duplicates', count(a.duplicates)],
    ['stored up to', count(a.stored_seq)],
    ['missing', count(a.missing)],
    ...clockRows(a, nowUs),
    ['battery', known(a.battery_mv) ? `${fixed(a.battery_mv / 1000, 2)} V` : DASH],
    ['signal', known(a.rssi_dbm) ? `${fixed(a.rssi_dbm, 0)} dBm` : DASH],
  ];
  const serves = [...list(a.gates), ...list(a.motors)].join(', ') || (a.agent.startsWith('tap-') ? 'a hand, on a page' : '');
  return html`<article class="agent ${a.missing ? 'missing' : ''}"><h3>${a.agent}</h3><p>${serves || '\u00a0'}${a.version ? html` <small>${a.version}</small>` : nothing}</p>
    <dl class="facts">${rows.map(([k, v]) => html`<div><dt>${k}</dt><dd class="num">${v}</dd></div>`)}</dl>${offsetPlot(a, nowUs)}</article>`;
}

/** @param {Reject} r */
function reject(r) {
  return html`<li><p><b>${r.reason}</b></p><p class="faint">${clock(r.at_us)} · ${r.subject}${r.agent ? ` · ${r.agent}` : ''} · ${count(r.bytes)} bytes</p><pre tabindex="0" aria-label="first bytes">${r.first}</pre></li>`;
}
