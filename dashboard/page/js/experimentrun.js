// Running an experiment with and without trim: turn by turn a trial is opened with its
// conditions, trim is set, the throttle opened, and closed when the trial has had its
// laps. What was run stands in the book; what is left can be gone on with.
/** @import {PairTurn, Trial} from '../../types/wire.js' */
import { state, clock, onChange, openTrials, sessionOpen, nowUs } from './store.js';
import { list } from './merge.js';
import { trialId } from './slug.js';
import { Refused } from './api.js';
import { send, write } from './meetact.js';
import { shown } from './shown.js';
import { again } from './again.js';
import { holding, deadWhy, command, told } from './authority.js';
import { setThrottle } from './throttle.js';
import { trimTo } from './drivetrim.js';

/**
 * @typedef {object} Plan
 * @property {string} id of the experiment
 * @property {string} locomotive
 * @property {[string, string]} sets
 * @property {number} pairs
 * @property {number} seed
 * @property {number} laps that count, a run
 * @property {number} warmup laps before them
 * @property {number} permille throttle
 * @property {number} most per mille that trim may take off
 * @property {Record<string, string | number>} conditions that the person gave, the same for all runs
 * @property {PairTurn[]} turns
 */

const LOOK_MS = 100;
const STANDING_MM_S = 5;
const ROLL_OUT_MS = 12_000;

export const run = {
  /** @type {Plan | null} */ plan: null,
  /** @type {PairTurn | null} under way */ turn: null,
  doing: '', trial: '', halted: '',
  /** the trial as it was opened, and whether the view has had it */ value: /** @type {Trial | null} */ (null), seen: false,
  /** stop after the run under way, or at once */ wish: /** @type {'' | 'after' | 'now'} */ (''),
};

/** Conditions that are the experiment's own. */
export const OWN = ['experiment', 'pair', 'place', 'trim', 'throttle_permille', 'pairs', 'seed', 'trim_most_permille', 'set_a', 'set_b'];

/** Which trials of the session are of an experiment, oldest first. @param {string} id @returns {Trial[]} */
export function trialsOf(id) {
  return [...state.trials.values()].map((r) => r.trial).filter((t) => t.conditions?.experiment === id);
}

/** Was it run with all its laps, so that it can be compared? @param {Trial} t */
function good(t) {
  const laps = state.trials.get(t.id)?.result?.consistency.n ?? 0;
  return Boolean(t.to_us) && !t.void && !t.outcome && laps >= (t.ends_after_laps ?? 1);
}

/** The trial of a run that this page does not make, and that is still open. @param {Plan} plan */
export const interrupted = (plan) => (run.turn ? undefined : trialsOf(plan.id).find((t) => !t.to_us));

/** The turns of a plan that have not been run yet. @param {Plan} plan */
export function left(plan) {
  const done = trialsOf(plan.id).filter(good);
  return plan.turns.filter((x) => !done.some((t) => t.conditions?.pair === x.pair && t.conditions?.trim === x.trim));
}

/** What keeps an experiment from being run now; '' when nothing does. @param {string} locomotive @param {string[]} motors */
export function hindrance(locomotive, motors) {
  if (!sessionOpen()) return 'No session is open, so no trial can be.';
  if (!holding()) return 'Arm the motors of both sets above first.';
  const armed = list(state.driving?.motors).map((m) => m.motor);
  if (motors.some((m) => !armed.includes(m))) return 'The motors of both sets are to be armed: release, and arm them together.';
  if (openTrials().some((r) => r.trial.locomotive === locomotive)) return 'A trial of this locomotive is open: close it first, so that its laps are not mixed with these.';
  return '';
}

class Halted extends Error {}

/** Runs what is left of a plan. @param {Plan} plan */
export async function runPlan(plan) {
  if (run.turn) return;
  Object.assign(run, { plan, halted: '', wish: '' });
  try {
    for (const turn of left(plan)) {
      run.turn = turn;
      await oneRun(plan, turn);
      if (run.wish === 'after') throw new Halted('ended after a run, as was asked');
    }
  } catch (e) {
    setThrottle(motorsOf(plan), 0); // first, whatever it was
    if (!(e instanceof Halted) && !(e instanceof Refused)) throw e;
    run.halted = e.message;
    await abandon(e.message);
  } finally {
    Object.assign(run, { turn: null, doing: '', trial: '', value: null, wish: '' });
    if (holding()) await trimTo(plan.locomotive, ...plan.sets, false, 0);
    again();
  }
}

/** @param {Plan} plan */
export function motorsOf(plan) {
  const sets = list(list(state.view?.locomotives).find((l) => l.id === plan.locomotive)?.driver_sets);
  return plan.sets.map((s) => sets.find((d) => d.id === s)?.motor ?? '');
}

/** @param {Plan} plan @param {PairTurn} turn */
async function oneRun(plan, turn) {
  const motors = motorsOf(plan);
  doing('setting trim');
  if (!(await trimTo(plan.locomotive, ...plan.sets, turn.trim === 'on', turn.trim === 'on' ? plan.most : 0))) throw new Halted(`trim was not set: ${told.refused || told.lost || 'not answered'}`);
  doing('opening the trial');
  run.trial = trialId(plan.locomotive, new Date(clock.busUs() / 1000), state.trials.keys());
  const value = trialValue(plan, turn, run.trial);
  const reply = await send('trial', value);
  Object.assign(run, { value: { ...value, from_us: clock.busUs() }, seen: false });
  await shown(reply.seq ?? 0);
  doing('running');
  if (!(await command({ do: 'throttle', duties_permille: Object.fromEntries(motors.map((m) => [m, plan.permille])), ramp_s: 2, why: `experiment ${plan.id}` }))) throw new Halted(`the throttle was not opened: ${told.refused || told.lost || 'not answered'}`);
  await until(() => Boolean(state.trials.get(run.trial)?.trial.to_us), () => otherwise(plan, turn, motors));
  Object.assign(run, { trial: '', value: null });
  doing('rolling out');
  setThrottle(motors, 0);
  const from = performance.now();
  await until(() => performance.now() - from > ROLL_OUT_MS || motors.every(stands));
}

/** @param {Plan} plan @param {PairTurn} turn @param {string} id */
function trialValue(plan, turn, id) {
  const before = [...state.trials.values()].map((r) => r.trial).filter((t) => t.locomotive === plan.locomotive).at(-1);
  return {
    id, locomotive: plan.locomotive, consist: before?.consist, direction: before?.direction || 'forward', tag: before?.tag, battery: before?.battery, entrant: before?.entrant,
    warmup_laps: plan.warmup, ends_after_laps: plan.laps,
    conditions: {
      ...plan.conditions, experiment: plan.id, pair: turn.pair, place: turn.place, trim: turn.trim, throttle_permille: plan.permille,
      pairs: plan.pairs, seed: plan.seed, trim_most_permille: plan.most, set_a: plan.sets[0], set_b: plan.sets[1],
    },
  };
}

/** @param {string} motor */
function stands(motor) {
  const m = list(state.driving?.motors).find((x) => x.motor === motor);
  return !m || (m.duty_permille === 0 && Math.abs(m.wheel_speed_mm_s ?? 0) < STANDING_MM_S && nowUs() - (m.heard_us ?? 0) < 1e6);
}

/** @param {string} words */
function doing(words) {
  run.doing = words;
  again();
}

/** What is not as the trial's conditions say; '' when all is. @param {Plan} plan @param {PairTurn} turn @param {string[]} motors */
function otherwise(plan, turn, motors) {
  const now = list(state.driving?.motors).filter((m) => motors.includes(m.motor));
  if (now.some((m) => m.asked_permille !== plan.permille)) return now.find((m) => m.why)?.why ?? 'the throttle was changed by hand';
  const on = list(state.driving?.trims).some((t) => t.locomotive === plan.locomotive && t.on);
  return on === (turn.trim === 'on') ? '' : 'trim was switched by hand';
}

/** Waits for something of the view, and ends when authority or the wish to go on does. @param {() => boolean} there @param {() => string} [wrong] */
async function until(there, wrong) {
  for (;;) {
    if (!holding()) throw new Halted(told.lost || 'authority was given back');
    const why = !there() && wrong?.();
    if (why) throw new Halted(why);
    if (run.wish === 'now') throw new Halted('aborted');
    run.seen ||= state.trials.has(run.trial);
    if (run.trial && run.seen && !there() && !state.trials.has(run.trial)) throw new Halted('its trial was taken back');
    if (there()) return;
    await new Promise((r) => setTimeout(r, LOOK_MS));
    if (deadWhy()) again();
  }
}

/** The trial of a run that was not made to its end is void: the turn is run again. @param {string} why */
async function abandon(why) {
  const t = state.trials.get(run.trial)?.trial ?? (run.seen ? null : run.value); // a view that holds it may be on its way
  if (!t || t.to_us) return;
  try {
    await voidRun(t, why);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    run.halted += `; its trial is still open (${e.message}): close it in the book`;
  }
}

/** @param {Trial} t @param {string} why */
export function voidRun(t, why) {
  return write('trial', { ...t, to_us: Math.max(clock.busUs(), (t.from_us ?? 0) + 1), outcome: 'abandoned', void: true }, { why: `experiment: ${why}` });
}

/** @param {'after' | 'now'} wish */
export function halt(wish) {
  run.wish = wish;
  again();
}

onChange((kind) => kind === 'setup' && run.turn && again());
