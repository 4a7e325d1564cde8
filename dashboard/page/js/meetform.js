// Making a session a meet: its classes, what ranks, and how each run is made.
/** @import {Class, Meet} from '../../types/wire.js' */
/** @import {Filled} from './forms.js' */
import { html, nothing, keyed } from '../lib/lit-3.3.3.js';
import { state } from './store.js';
import { list } from './merge.js';
import { slug } from './slug.js';
import { field, choice, Rows, submitting } from './forms.js';
import { again } from './again.js';
import { act, refusal, write, tell } from './meetact.js';
import { seen } from './shown.js';
import { know, className } from './meetknow.js';

/** @type {[string, string][]} */
export const RANKS = [['mean_time', 'mean lap time'], ['best_time', 'quickest lap'], ['evenness', 'evenness: least scatter of lap times']];
/** @type {[string, string][]} */
const ENDS = [['laps', 'after so many laps'], ['seconds', 'after so many seconds'], ['hand', 'by hand']];

const classes = new Rows(/** @type {Class[]} */ ([]), () => ({ id: '', name: '' }));
const form = { open: false, key: 0, base: 0, ends: 'laps' };

export function openMeetForm() {
  const m = know().meet;
  classes.set(m ? list(m.classes) : [{ id: '', name: 'Open' }]);
  Object.assign(form, { open: true, key: form.key + 1, base: seen(), ends: !m || m.laps ? 'laps' : m.seconds ? 'seconds' : 'hand' });
  again();
}

function close() {
  form.open = false;
  again();
}

export const meetFormOpen = () => form.open;

export function meetForm() {
  const m = know().meet;
  /** @type {[string, string][]} */
  const consists = [['', 'none, light engine'], ...list(state.view?.consists).map((c) => /** @type {[string, string]} */ ([c.id, c.name || c.id]))];
  return keyed(form.key, html`<form class="entry" id="meet-form" @submit=${submitting(save)}><h2>${m ? 'The meet' : 'Make this session a meet'}</h2>
    ${classes.show('Classes, each with results of its own', 'class', (c) => html`${field('Class', 'class.name', { value: c.name, required: true })}<input type="hidden" name="class.id" value=${c.id}>`)}
    <div class="fields">${choice('Ranked by', 'rank', RANKS, m?.rank)}${field('Rounds', 'rounds', { unit: 'runs of each entry', number: true, min: 1, max: 1000, value: m?.rounds ?? 2, required: true })}
      ${choice('A run ends', 'ends', ENDS, form.ends, (v) => { form.ends = v; again(); })}
      ${form.ends === 'laps' ? field('Laps', 'laps', { unit: 'beyond the warm-up', number: true, min: 1, max: 100000, value: m?.laps || 5, required: true }) : nothing}
      ${form.ends === 'seconds' ? field('Seconds', 'seconds', { unit: 'from its opening', number: true, min: 1, max: 1e6, value: m?.seconds || 120, required: true }) : nothing}
      ${field('Warm-up laps', 'warmup', { number: true, max: 10000, value: m?.warmup_laps ?? 1 })}
      ${choice('Consist behind each', 'consist', consists, m?.consist)}${choice('Direction', 'direction', [['forward', 'forward'], ['reverse', 'reverse']], m?.direction)}
      ${field('Fresh battery', 'swap', { unit: 'after so many runs of an entry; 0: none planned', number: true, max: 1000, value: m?.swap_every ?? 0 })}</div>
    ${refusal('meet')}
    <p class="acts"><button class="primary">${m ? 'Write down the meet' : 'Make it a meet'}</button><button type="button" @click=${close}>Leave it</button></p></form>`);
}

/** @param {Filled} f */
async function save(f) {
  const value = read(f);
  const kept = new Set(list(value.classes).map((c) => c.id));
  const orphan = know().entries.find((e) => e.class && !kept.has(e.class));
  if (orphan) return tell('meet', `${orphan.person} is entered in class ${className(orphan.class)}: change that entry first.`);
  if (await act('meet', () => write('meet', value, { base: form.base }))) close();
}

/** @param {Filled} f @returns {Meet} */
function read(f) {
  const [ids, names] = [f.texts('class.id'), f.texts('class.name')];
  const taken = ids.filter(Boolean);
  const whole = (/** @type {string} */ name) => Math.round(f.number(name));
  return {
    classes: names.map((name, i) => {
      const id = ids[i] || slug(name, taken, 'class');
      if (!ids[i]) taken.push(id);
      return { id, name };
    }),
    rank: f.text('rank'), rounds: whole('rounds'), laps: form.ends === 'laps' ? whole('laps') : 0, seconds: form.ends === 'seconds' ? f.number('seconds') : 0,
    warmup_laps: whole('warmup'), consist: f.text('consist'), direction: f.text('direction'), swap_every: whole('swap'),
  };
}
