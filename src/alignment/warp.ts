import { fittedFrame, frameCamera, seeDirection, showDirection } from './_camera.js';
import { apply } from './_rotation.js';
import { projectDirection, unprojectPixel } from './geometry.js';
import { applyHomography, invertHomography } from './homography.js';
import type { Alignment, MapPoint } from './types.js';

const NOWHERE: readonly [number, number] = [Number.NaN, Number.NaN];

/**
 * The exact mapping from reference px to px of frame `index` that shows the same sky. A left-out frame maps
 * everything to NaN. For the reference itself the mapping is exactly the identity.
 */
export function mapper(alignment: Alignment, index: number): MapPoint {
  const fit = fittedFrame(alignment, index);
  if (!fit) return () => NOWHERE;
  if (index === alignment.referenceIndex) return (x, y) => [x, y];
  if (fit.homography) {
    const h = fit.homography;
    return (x, y) => applyHomography(h, x, y);
  }
  const model = alignment.model;
  if (!model) return () => NOWHERE;
  const reference = frameCamera(model, alignment.frames[alignment.referenceIndex]!);
  const frame = frameCamera(model, fit);
  return (x, y) => showDirection(frame, seeDirection(reference, x, y));
}

/** The inverse of `mapper`: px of frame `index` to reference px. */
export function inverseMapper(alignment: Alignment, index: number): MapPoint {
  const fit = fittedFrame(alignment, index);
  if (!fit) return () => NOWHERE;
  if (index === alignment.referenceIndex) return (x, y) => [x, y];
  if (fit.homography) {
    const h = invertHomography(fit.homography);
    return (x, y) => applyHomography(h, x, y);
  }
  const model = alignment.model;
  if (!model) return () => NOWHERE;
  const reference = frameCamera(model, alignment.frames[alignment.referenceIndex]!);
  const frame = frameCamera(model, fit);
  return (x, y) => showDirection(reference, seeDirection(frame, x, y));
}

/**
 * The camera's own motion against the reference (head sag, a knock, zoom creep), the sky's turn removed:
 * reference px to px of frame `index` that shows the same land. Identity where no sky-motion model tells
 * the two apart; NaN for a left-out frame.
 */
export function landMapper(alignment: Alignment, index: number): MapPoint {
  const fit = fittedFrame(alignment, index);
  if (!fit) return () => NOWHERE;
  const model = alignment.model;
  if (index === alignment.referenceIndex || fit.homography || !model) return (x, y) => [x, y];
  const reference = frameCamera(model, alignment.frames[alignment.referenceIndex]!);
  const frame = frameCamera(model, fit);
  return (x, y) => projectDirection(frame.lens, apply(frame.camera, unprojectPixel(reference.lens, x, y)));
}

/** Exact places on a coarse grid of reference pixels; between nodes interpolate bilinearly. */
export interface WarpGrid {
  /** px between nodes, a power of two from 8 to 64; node (i, j) stands at reference pixel (i step, j step). */
  readonly step: number;
  readonly columns: number;
  readonly rows: number;
  /** Place on the frame of each node, px, f64[rows*columns] row by row; NaN where the frame shows no such sky. */
  readonly x: Float64Array;
  readonly y: Float64Array;
}

/** Bilinear interpolation inside a cell may be off by this at most, px. */
const GRID_ERROR = 0.02;

/**
 * The mapping of frame `index` as a coarse grid. The last column and row lie at or beyond the frame's last
 * pixel plus one, so that every pixel has a full cell. Without `step` the coarsest power of two from 64 to
 * 8 is taken whose bilinear error, measured at cell middles over the whole frame, stays below 0.02 px.
 *
 * @param options.map  another mapping than the sky's, as `landMapper`'s
 */
export function warpGrid(
  alignment: Alignment,
  index: number,
  options: { readonly step?: number; readonly map?: MapPoint } = {},
): WarpGrid {
  const map = options.map ?? mapper(alignment, index);
  const { width, height } = alignment;
  const step = options.step ?? gridStep(map, width, height);
  const columns = Math.floor((width - 1) / step) + 2;
  const rows = Math.floor((height - 1) / step) + 2;
  const x = new Float64Array(columns * rows);
  const y = new Float64Array(columns * rows);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const place = map(i * step, j * step);
      x[j * columns + i] = place[0];
      y[j * columns + i] = place[1];
    }
  }
  return { step, columns, rows, x, y };
}

function gridStep(map: MapPoint, width: number, height: number): number {
  for (const step of [64, 32, 16])
    if (gridError(map, { width, height, step }) < 0.8 * GRID_ERROR) return step;
  return 8;
}

/** Largest bilinear error at the middles of a spread of cells and of their edges, px. */
function gridError(
  map: MapPoint,
  size: { readonly width: number; readonly height: number; readonly step: number },
): number {
  const { width, height, step } = size;
  const probes = 12;
  let worst = 0;
  for (let q = 0; q <= probes; q++) {
    for (let p = 0; p <= probes; p++) {
      const x = Math.floor(((width - 1) * p) / probes / step) * step;
      const y = Math.floor(((height - 1) * q) / probes / step) * step;
      const corners = [map(x, y), map(x + step, y), map(x, y + step), map(x + step, y + step)] as const;
      const middle = map(x + step / 2, y + step / 2);
      const top = map(x + step / 2, y);
      const left = map(x, y + step / 2);
      for (const k of [0, 1] as const) {
        const mean = (corners[0][k] + corners[1][k] + corners[2][k] + corners[3][k]) / 4;
        const errors = [
          mean - middle[k],
          (corners[0][k] + corners[1][k]) / 2 - top[k],
          (corners[0][k] + corners[2][k]) / 2 - left[k],
        ];
        for (const error of errors) if (Math.abs(error) > worst) worst = Math.abs(error);
      }
    }
  }
  return worst;
}
