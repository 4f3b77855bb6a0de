import { radToDeg, SIDEREAL_RATE } from '../core/index.js';
import { fittedFrame, frameCamera, seeDirection, showDirection, turnOf } from './_camera.js';
import { apply } from './_rotation.js';
import { moveBy } from './_surface.js';
import type { PairMatch } from './match.js';
import type { Alignment } from './types.js';
import { inverseMapper, mapper } from './warp.js';

/** A trail: length, px, and direction, deg in [0, 180) from +x toward +y; NaN where nothing can be said. */
export interface Trail {
  readonly length: number;
  readonly angle: number;
}

const UNKNOWN: Trail = { length: Number.NaN, angle: Number.NaN };

/**
 * The trail that the sky's own turn leaves at place (x, y) of frame `index` in `exposureTime` s. With a
 * sky-motion model from the model; with plane mappings from the motion to the nearest fitted frame in time,
 * where frames carry times; NaN otherwise.
 * @source 15.041 arcsec/s about the pole (DESIGN section 6)
 */
export function predictedTrail(
  alignment: Alignment,
  index: number,
  x: number,
  y: number,
  exposureTime: number,
): Trail {
  const fit = fittedFrame(alignment, index);
  if (!fit || !(exposureTime >= 0)) return UNKNOWN;
  const model = alignment.model;
  if (!model || fit.homography) return planeTrail(alignment, index, x, y, exposureTime);
  const frame = frameCamera(model, fit);
  const direction = seeDirection(frame, x, y);
  const half = (exposureTime / 2) * (SIDEREAL_RATE / 3600) * (Math.PI / 180);
  const before = showDirection(frame, apply(turnOf(model, -half), direction));
  const after = showDirection(frame, apply(turnOf(model, half), direction));
  return trailOf(after[0] - before[0], after[1] - before[1]);
}

function planeTrail(alignment: Alignment, index: number, x: number, y: number, exposureTime: number): Trail {
  const time = alignment.frames[index]!.time;
  if (time === undefined) return UNKNOWN;
  let best = -1;
  let span = Number.POSITIVE_INFINITY;
  alignment.frames.forEach((other, i) => {
    if (i === index || other.status !== 'fitted' || other.time === undefined) return;
    const apart = Math.abs(other.time - time);
    if (apart > 0 && apart < span) {
      span = apart;
      best = i;
    }
  });
  if (best < 0) return UNKNOWN;
  const [rx, ry] = inverseMapper(alignment, index)(x, y);
  const [ox, oy] = mapper(alignment, best)(rx, ry);
  return trailOf(((ox - x) * exposureTime) / span, ((oy - y) * exposureTime) / span);
}

/**
 * The trail to expect before a model exists: the neighbour's displacement at the place x exposure /
 * interval. It needs neither lens nor pixel pitch.
 *
 * @param match     the frame matched with a neighbour (`matchPair`)
 * @param interval  s from the frame to the neighbour, either sign
 */
export function neighbourTrail(
  match: PairMatch,
  place: { readonly x: number; readonly y: number },
  timing: { readonly exposureTime: number; readonly interval: number },
): Trail {
  if (!(Math.abs(timing.interval) > 0) || !(timing.exposureTime >= 0)) return UNKNOWN;
  const moved = new Float64Array(2);
  moveBy(match.surface, place.x, place.y, moved);
  const part = timing.exposureTime / Math.abs(timing.interval);
  return trailOf((moved[0]! - place.x) * part, (moved[1]! - place.y) * part);
}

function trailOf(dx: number, dy: number): Trail {
  const length = Math.hypot(dx, dy);
  if (!Number.isFinite(length)) return UNKNOWN;
  const angle = ((radToDeg(Math.atan2(dy, dx)) % 180) + 180) % 180;
  return { length, angle };
}

/**
 * Where the run's tracked stars fall on frame `index`, for measuring their light there whether seen or not:
 * f64[trackCount] each, px, NaN for a left-out frame or a star the frame cannot show; `flux` as `trackFlux`.
 */
export function predictedPositions(
  alignment: Alignment,
  index: number,
): { x: Float64Array; y: Float64Array; flux: Float32Array } {
  const { trackCount, trackDirections, trackX, trackY } = alignment;
  const x = new Float64Array(trackCount).fill(Number.NaN);
  const y = new Float64Array(trackCount).fill(Number.NaN);
  const flux = alignment.trackFlux ?? new Float32Array(trackCount).fill(Number.NaN);
  const fit = fittedFrame(alignment, index);
  if (!fit) return { x, y, flux };
  const model = alignment.model;
  if (model && trackDirections && !fit.homography) {
    const frame = frameCamera(model, fit);
    for (let t = 0; t < trackCount; t++) {
      [x[t], y[t]] = showDirection(frame, trackDirections.subarray(3 * t, 3 * t + 3)) as [number, number];
    }
    return { x, y, flux };
  }
  const map = mapper(alignment, index);
  for (let t = 0; t < trackCount; t++) {
    [x[t], y[t]] = map(trackX?.[t] ?? Number.NaN, trackY?.[t] ?? Number.NaN) as [number, number];
  }
  return { x, y, flux };
}
