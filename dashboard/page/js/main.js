// The page's beginning: it ties the line, the store, the views and the keys
// together, and shows a probe of itself for tests.
import { html, nothing, render } from '../lib/lit-3.3.3.js';
import { Link } from './link.js';
import { Pace } from './pace.js';
import { state, clock, openTrials, putView, putFrame, putDriving, onChange, changed } from './store.js';
import { localUs } from './clock.js';
import { health, Refused } from './api.js';
import { motion } from './motion.js';
import { onAgain } from './again.js';
import { coming, later } from './later.js';
import { head, silence } from './head.js';
import { lineView } from './line.js';
import { slip } from './lap.js';
import { askSignIn, refreshMe, takeKey } from './sign.js';
import { taps } from './taps.js';
import { drawn, probe } from './probe.js';
import './stop.js';

// Views other than the line are fetched when they are first asked for.
const wall = later(() => import('./wall.js'));
const book = later(() => import('./book.js'));
const roster = later(() => import('./roster.js'));
const orders = later(() => import('./order.js'));
const healthPage = later(() => import('./health.js'));
const auditPage = later(() => import('./audit.js'));
const plans = later(() => import('./plansheet.js'));
const results = later(() => import('./results.js'));
const drive = later(() => import('./drive.js').then((m) => m.ready()));
const meet = later(() => import('./meet.js').then((m) => m.ready()));
const sets = later(() => import('./sets.js'));
const motors = later(() => import('./motors.js'));
const compare = later(() => import('./compare.js'));
const pull = later(() => import('./pull.js'));
const coast = later(() => import('./coast.js'));
const predict = later(() => import('./predict.js'));
/** @type {Record<string, () => unknown>} */
const VIEWS = {
  line: lineView, wall: () => wall()?.wallView(), book: () => book()?.bookView(), roster: () => roster()?.rosterView(),
  health: () => healthPage()?.healthView(), plan: () => plans()?.planView(), meet: () => meet()?.meetView(), call: () => meet()?.callView(),
  results: () => results()?.resultsView(), audit: () => auditPage()?.auditView(),
  sets: () => sets()?.setsView(), motors: () => motors()?.motorsView(), predict: () => predict()?.predictView(), compare: () => compare()?.compareView(), pull: () => pull()?.pullView(), coast: () => coast()?.coastView(), drive: () => drive()?.driveView(),
};
const build = document.querySelector('meta[name=build]')?.getAttribute('content') ?? '';
const headElement = /** @type {HTMLElement} */ (document.getElementById('head'));
const sheetElement = /** @type {HTMLElement} */ (document.getElementById('sheet'));

let view = location.pathname.slice(1) in VIEWS ? location.pathname.slice(1) : 'line';

/** The sheet: words and figures, drawn when one of them changed. */
const sheet = new Pace(() => {
  render(head(view), headElement);
  const asked = state.order && state.order.state !== 'clear' && view !== 'health' && view !== 'call' && (view !== 'meet' || openTrials().length > 1);
  render(html`${asked ? orders()?.orderNotice(state.order) : nothing}${VIEWS[view]() ?? coming()}`, sheetElement);
  slip.draw();
  drawn();
}, 25);

headElement.replaceChildren(); // what stood there while the modules came
sheetElement.replaceChildren();

function route() {
  const asked = (location.hash.slice(1) || location.pathname.slice(1) || 'line').split('=')[0];
  if (takeKey()) askSignIn();
  if (!(asked in VIEWS)) return;
  const other = asked !== view;
  view = asked;
  document.documentElement.dataset.view = view;
  document.title = view === 'line' ? 'Rainhill' : `Rainhill: ${view}`;
  if (other) scrollTo(0, 0);
  if (view === 'health') askHealth();
  sheet.ask();
}

const link = new Link(`${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/ws${location.search}`, {
  onMessage(message, atMs) {
    if (message.type === 'told') return told(message, atMs);
    if (message.type === 'driving') return putDriving(message);
    if (message.type !== 'view' && message.type !== 'frame') return;
    clock.hint(message.now_us, localUs(atMs));
    if (message.type === 'frame') return putFrame(message);
    if (message.build && message.build !== build && newPage(message.build)) return;
    putView(message);
  },
  onPhase(phase, sinceMs) {
    state.phase = phase;
    silence.fromMs = sinceMs;
    if (phase === 'live') begin();
    else if (phase !== 'calling' && !state.silentUs) state.silentUs = clock.busUs(localUs(sinceMs));
    changed('line');
  },
});

/** The line speaks again. */
function begin() {
  if (state.silentUs) clock.forget();
  state.silentUs = 0;
  refreshMe();
  burst(5);
  taps()?.tapper.flush();
}

/** Another build is served: load it, once. @param {string} other */
function newPage(other) {
  if (sessionStorage.getItem('rainhill-build') === other) return false;
  sessionStorage.setItem('rainhill-build', other);
  location.reload();
  return true;
}

// Clock exchanges: five quick ones when the line begins, then one every few
// seconds. While taps are taken they go into the journal, so that the taps'
// instants can be corrected.
const BURST_MS = 150;
const EVERY_MS = 5000;

/** @param {number} n */
function burst(n) {
  if (!link.send({ type: 'ask', t1_us: localUs() }) || n <= 1) return;
  setTimeout(() => burst(n - 1), BURST_MS);
}

/** @param {{t1_us: number, t2_us: number, t3_us: number}} m @param {number} atMs */
function told(m, atMs) {
  const exchange = { t1_us: m.t1_us, t2_us: m.t2_us, t3_us: m.t3_us, t4_us: localUs(atMs) };
  clock.put(exchange);
  const hand = taps();
  if (hand?.tapsTaken()) hand.tapper.sync(exchange);
}

let tookTaps = false;

onChange((kind) => {
  if (kind === 'motion') return motion.ask();
  if (kind === 'driving' && view !== 'drive') return;
  const taken = Boolean(taps()?.tapsTaken());
  if (taken && !tookTaps) burst(5);
  tookTaps = taken;
  motion.ask();
  sheet.ask();
});

async function askHealth() {
  try {
    state.health = await health();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
  }
  changed('health');
}

setInterval(() => burst(1), EVERY_MS);
setInterval(() => view === 'health' && !document.hidden && askHealth(), 2000);
setInterval(() => state.phase !== 'live' && sheet.ask(), 1000);

onAgain(() => {
  sheet.ask();
  motion.ask();
});
addEventListener('hashchange', route);
document.documentElement.dataset.view = view;
probe({ link, motion, sheet, view: () => view });
route();
sheet.ask();
if (view === 'health') askHealth();
link.call();
