import { same } from './check.js';
import { offsetText, driftText, clockRows, layout } from '../../page/js/offsets.js';

const NOW = 1.7e15;
/** @param {object} more @returns {any} */
const agent = (more) => ({ agent: 'a', clock: 'synced', epochs: 0, offset_us: -1000, u_offset_us: 100, drift_ppm: 10, u_drift_ppm: 1, delay_us: 500, last_sync_us: NOW - 3e6, ...more });

// A number is written to the second digit of the half width of its 95 % interval,
// 1.96 u (GUM, JCGM 100:2008, 7.2.6 and G.1.3).
export function testOffsetsAreWrittenToTheirUncertainty() {
  same(offsetText(agent({})), '−1.00 ± 0.20 ms', 'u 0.1 ms');
  same(offsetText(agent({ offset_us: 123456, u_offset_us: 21000 })), '+123 ± 41 ms', 'u 21 ms');
  same(offsetText(agent({ offset_us: 12_500_400, u_offset_us: 250 })), '+12.50040 ± 0.00049 s', 'seconds');
  same(offsetText(agent({ offset_us: null })), '–', 'none');
  same(offsetText(agent({ offset_us: 1.7e15, u_offset_us: 300 })), 'behind by 19675 days, ± 0.59 ms', 'a clock that counts from its start');
}

export function testDriftIsFastOrSlowWhenItIsShown() {
  same(driftText(agent({ drift_ppm: 38.2, u_drift_ppm: 0.66 })), '38.2 ± 1.3 ppm fast', 'fast');
  same(driftText(agent({ drift_ppm: -38.2, u_drift_ppm: 0.66 })), '38.2 ± 1.3 ppm slow', 'slow');
  same(driftText(agent({ drift_ppm: -1.2, u_drift_ppm: 0.66 })), '−1.2 ± 1.3 ppm', 'neither');
  same(driftText(agent({ drift_ppm: null, u_drift_ppm: null })), '–', 'none');
}

export function testAClockWithoutExchange() {
  same(clockRows(agent({ clock: 'by arrival' }), NOW).length, 1, 'one row');
  same(layout(agent({ clock_points: null }), NOW), null, 'nothing to draw');
}

export function testTheLineGoesThroughItsPoints() {
  const p = [0, 1, 2, 3].map((i) => ({ at_us: NOW - i * 1e8, offset_us: -1000 + 10 * i * 100, delay_us: 500 + 400 * i, used: true }));
  const l = layout(agent({ clock_points: [...p, { at_us: NOW - 5e7, offset_us: 9e6, delay_us: 2e7, used: false }] }), NOW);
  if (!l) throw new Error('nothing drawn');
  const [x1, y1, x2, y2] = l.line;
  for (const d of l.drawn) {
    const off = d.y - (y1 + ((y2 - y1) * (d.x - x1)) / (x2 - x1));
    if (Math.abs(off) > 0.01) throw new Error(`a point lies ${off} beside the line`);
  }
  same(l.left, 1, 'one beyond the drawing');
  same(l.drawn.length, 4, 'four within');
  if (!(l.drawn[0].r > l.drawn[3].r && l.drawn[0].dark > l.drawn[3].dark)) throw new Error('a slow exchange is not smaller and paler');
}
