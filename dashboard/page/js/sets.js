// Driver sets: how far each slips and runs apart from the others, by speed,
// throttle, load and place, whether its motor holds its speed by itself, and the
// run that its wheels are measured by.
/** @import {Results, TrialResult} from '../../types/wire.js' */
import { html, nothing, guard } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { clock, day, fixed, known } from './format.js';
import { asked, consistName, locomotiveName, session, shown } from './returns.js';
import { refresh } from './refetch.js';
import { styles } from './css.js';
import { pick } from './pick.js';
import { setsNav } from './setsnav.js';
import { families, goSets, loadOf } from './setsknow.js';
import { setSheet } from './setsheet.js';
import { wheels, wheelsVersion } from './wheels.js';

await Promise.all([styles('results'), styles('sets')]);

export function setsView() {
  if (!state.view) return html`<div class="sheet welcome"><h1>Driver sets</h1><p>Calling the line…</p></div>`;
  refresh();
  return guard([shown.version, state.view, state.me.official, location.search, wheelsVersion()], view);
}

function view() {
  const r = shown.results;
  const by = r ? families(r) : new Map();
  const root = by.has(asked().locomotive) ? asked().locomotive : by.keys().next().value ?? '';
  const all = by.get(root) ?? [];
  return html`<h1 class="aside">Slip and desync of driver sets</h1>${setsNav('sets')}<div class="returns sets">${r ? chooser([...by.keys()], root, all) : nothing}
    ${shown.refused ? html`<p class="refusal" role="alert">${shown.refused}</p>` : nothing}
    ${r && all.length ? html`${setSheet(r, root, chosen(all))}${wheels(r, all)}` : html`<div class="sheet welcome"><p>${r?.session ? nobody(r) : r ? 'No session has been opened yet: there is nothing to report.' : shown.refused ? 'Nothing to show.' : 'Fetching the results…'}</p></div>`}</div>`;
}

/** @param {Results} r */
function nobody(r) {
  return list(r.trials).length ? 'No locomotive of this session has driver sets in the roster: wheel, gear and encoder of each are written down there.' : 'No trial yet.';
}

/** Those that are asked for; all of them when none is. @param {TrialResult[]} all */
function chosen(all) {
  const some = all.filter((t) => asked().trials.includes(t.trial));
  return some.length ? some : all;
}

/** @param {string[]} roots @param {string} root @param {TrialResult[]} all */
function chooser(roots, root, all) {
  const present = state.view?.session;
  const sessions = list(state.view?.sessions).toSorted((x, y) => (y.opened_us ?? 0) - (x.opened_us ?? 0));
  /** @type {[string, string][]} */
  const choices = sessions.map((s) => [s.id, `${s.name || s.id}, ${day(s.opened_us)}${s.id === present?.id && !s.closed_us ? ', open' : ''}`]);
  const on = chosen(all);
  const toggle = (/** @type {string} */ id) => {
    const ids = on.map((t) => t.trial);
    const now = ids.includes(id) ? ids.filter((x) => x !== id) : [...ids, id];
    goSets({ trials: now.length === all.length ? [] : now });
  };
  return html`<form class="choose" aria-label="Which trials" @submit=${(/** @type {Event} */ e) => e.preventDefault()}>
    ${pick('Session', 'session', choices, asked().session || session()?.id || '', (v) => goSets({ session: v === present?.id ? '' : v, trials: [], locomotive: '' }))}
    ${pick('Locomotive', 'locomotive', roots.map((id) => [id, locomotiveName(id)]), root, (v) => goSets({ locomotive: v, trials: [] }))}
    ${all.length > 1 ? html`<fieldset class="of-trials"><legend>Trials laid over each other${all.some((t) => t.train !== root) ? ', variants too' : ''}</legend>${all.map((t) => html`<label class="check"><input type="checkbox" name="of" value=${t.trial} .checked=${on.includes(t)} @change=${() => toggle(t.trial)}><span>${trialWords(t, root)}</span></label>`)}</fieldset>` : nothing}</form>`;
}

/** @param {TrialResult} t @param {string} root */
function trialWords(t, root) {
  const load = loadOf(t);
  return [t.train === root ? '' : locomotiveName(t.train), t.trial, consistName(t.consist) || 'light engine', known(load) && load > 0 ? `${fixed(load, 0)} g` : '', t.about?.from_us ? clock(t.about.from_us, false) : ''].filter(Boolean).join(', ');
}
