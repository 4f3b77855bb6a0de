import type { StarTable } from '../core/index.js';
import type { Alignment } from './types.js';
import { mapper } from './warp.js';

/** Motion of the picture's corners below which a run stands still, px. */
const STILL = 0.6;
/** Motion that the clock must demand before standing still is called wrong, px. */
const DEMANDED = 3;
/** Without a clock this share of the detections must stand still together before they pass for stars. */
const SHARE = 0.6;

/**
 * True when what the frames have in common are defects and lights rather than stars: nothing moves although
 * the clock says the sky did, or, without a clock, although most detections have no part in it. Sensor
 * defects and lamps fit the motion "none" perfectly (P30, L60).
 *
 * @param span  turn of the sky between the first and the last fitted frame, rad; undefined without a clock
 */
export function standsStill(
  alignment: Alignment,
  given: { readonly tables: readonly StarTable[]; readonly span: number | undefined },
): boolean {
  const { width, height } = alignment;
  let most = 0;
  alignment.frames.forEach((fit, i) => {
    if (fit.status !== 'fitted') return;
    const map = mapper(alignment, i);
    for (const [x, y] of [
      [0, 0],
      [width - 1, 0],
      [0, height - 1],
      [width - 1, height - 1],
    ] as const) {
      const [u, v] = map(x, y);
      most = Math.max(most, Math.hypot(u - x, v - y));
    }
  });
  if (!(most < STILL)) return false;
  // With the pole in the middle the corners still move by the turn times half the diagonal; half of that is
  // asked for, which wider and other fields exceed.
  if (given.span !== undefined) return given.span * 0.25 * Math.hypot(width, height) > DEMANDED;
  if (alignment.frames.length < 3) return false;
  let detections = 0;
  let matched = 0;
  alignment.frames.forEach((fit, i) => {
    if (fit.status !== 'fitted') return;
    detections += given.tables[i]!.count;
    matched += fit.matched;
  });
  return matched < SHARE * detections;
}
