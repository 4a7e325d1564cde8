// Letting a sensor in: an agent is given a name, a password and what it may
// speak of. The password is shown once.
/** @import {Credential} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state, circuit } from './store.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { agents, addAgent, Refused } from './api.js';
import { attempt } from './decide.js';
import { field, submitting } from './forms.js';
import { entry, closeEntry } from './entry.js';
import { again } from './again.js';

/** Agents that may speak, and the credential that was just made. */
const known = { agents: /** @type {Credential[]} */ ([]), asked: '', fresh: /** @type {Credential | null} */ (null) };

/** Asks once for each official; a refusal leaves the list empty. */
async function ask() {
  known.asked = state.me.official ?? '';
  try {
    known.agents = list((await agents()).agents);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    known.agents = [];
  }
  again();
}

export function sensorList() {
  if (known.asked !== state.me.official) ask();
  return html`${known.fresh ? shownOnce(known.fresh) : nothing}
    ${known.agents.length ? html`<ul class="entries">${known.agents.map((a) => html`<li><span><b>${a.agent}</b> <span class="faint">${speaksOf(a)}</span></span></li>`)}</ul>` : html`<p class="empty">No sensor has been let in yet.</p>`}`;
}

/** @param {Credential} a */
function speaksOf(a) {
  return [...list(a.gates).map((g) => `gate ${g}`), ...list(a.motors).map((m) => `motor ${m}`), ...list(a.cells).map((c) => `cell ${c}`)].join(', ');
}

export function sensorForm() {
  const gates = list(circuit()?.gates);
  const motors = list(state.view?.locomotives).flatMap((l) => list(l.driver_sets).map((s) => s.motor).filter(Boolean));
  return keyed(entry.key, html`<form class="entry" @submit=${submitting(save)}><h3>Let a sensor in</h3>
    <div class="fields">${field('Name', 'name', { required: true, hint: 'north-beam' })}
      ${field('Gates', 'gates', { hint: gates.map((g) => g.id).join(', ') || 'g1, g2' })}
      ${field('Motors', 'motors', { hint: motors.join(', ') || 'm1' })}
      ${field('Load cells', 'cells', { hint: 'pull' })}</div>
    <p class="note">Name what it reports, with commas between. It may then speak of these and of nothing else.</p>
    <p class="acts"><button class="primary">Make its password</button><button type="button" @click=${closeEntry}>Leave it</button></p></form>`);
}

/** "g1, g2" as ids. @param {string} s */
export function idsOf(s) {
  return s.split(/[\s,;]+/).filter(Boolean).map((w) => slug(w, [], 'x'));
}

/** @param {Filled} f */
async function save(f) {
  const agent = slug(f.text('name'), known.agents.map((a) => a.agent), 'agent');
  const asked = { agent, gates: idsOf(f.text('gates')), motors: idsOf(f.text('motors')), cells: idsOf(f.text('cells')) };
  if (!(await attempt(async () => { known.fresh = await addAgent(asked); }))) return;
  closeEntry();
  ask();
}

/** @param {Credential} c */
function shownOnce(c) {
  return html`<div class="once" role="status"><h3>${c.agent} is let in</h3>
    <p>Its password is shown here once and kept nowhere. Copy the command to the machine that has the wires:</p>
    ${commands(c, state.view?.site ?? '', `nats://${location.hostname}:${state.me.bus?.nats_port || 4137}`).map((line) => html`<pre tabindex="0" aria-label="command to run">${line}</pre>`)}
    <dl class="facts"><div><dt>user (MQTT, NATS)</dt><dd>${c.agent}</dd></div><div><dt>password</dt><dd><code>${c.password}</code></dd></div></dl>
    <p><button @click=${() => { known.fresh = null; again(); }}>I have copied it</button></p></div>`;
}

/**
 * The commands that run the agent, one for each kind of sensor.
 * @param {Credential} c @param {string} site @param {string} server
 */
export function commands(c, site, server) {
  const common = `--agent ${c.agent} --site ${site} --server ${server}`;
  const password = `RAINHILL_PASSWORD=${c.password}`;
  return [
    ...list(c.gates).map((g) => `${password} rainhill-agent gate --gate ${g} ${common}`),
    ...list(c.motors).map((m) => `${password} rainhill-agent motor --motor ${m} ${common}`),
  ];
}
