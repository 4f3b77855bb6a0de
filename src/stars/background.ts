import { type Mask, makePlane, median, type Plane } from '../core/index.js';
import { fillNodes, filterNodes, makeRowReader, modeOfSorted } from './_mesh.js';
import { findPeaks } from './_peaks.js';
import type { Background, BackgroundMesh } from './types.js';

/** A cell with fewer than this share of its samples free of mask and objects takes its neighbours' level. */
const MIN_FREE_SHARE = 0.2;
/** Enough for a level to 6 % of the pixel noise. */
const SAMPLES_PER_CELL = 600;

/** Mesh cell for a frame, px: far above a star, far below the gradients of a sky. */
export function defaultMesh(width: number, height: number): number {
  return width * height > 6e6 ? 128 : Math.min(width, height) >= 192 ? 64 : 32;
}

/**
 * Level and noise of each mesh cell from a lattice of its pixels; masked and NaN pixels are left out.
 *
 * @param avoid exclusion map of objects, u8[height*width], non-zero = left out
 * @returns undefined when no cell has enough pixels (an all-masked frame)
 */
export function meshOf(
  plane: Plane,
  options: {
    readonly mask?: Mask | undefined;
    readonly avoid?: Uint8Array | undefined;
    readonly cell: number;
  },
): BackgroundMesh | undefined {
  const { width, height, data } = plane;
  const { cell } = options;
  const columns = Math.max(1, Math.round(width / cell));
  const rows = Math.max(1, Math.round(height / cell));
  const cellWidth = width / columns;
  const cellHeight = height / rows;
  const mask = options.mask?.data;
  const avoid = options.avoid;
  const step = Math.max(1, Math.floor(Math.sqrt((cell * cell) / SAMPLES_PER_CELL)));
  const level = new Float32Array(columns * rows).fill(Number.NaN);
  const noise = new Float32Array(columns * rows).fill(Number.NaN);
  const samples = new Float32Array((Math.ceil(cellWidth / step) + 2) * (Math.ceil(cellHeight / step) + 2));
  for (let row = 0; row < rows; row++) {
    const y0 = Math.floor(row * cellHeight);
    const y1 = Math.floor((row + 1) * cellHeight);
    for (let column = 0; column < columns; column++) {
      const x0 = Math.floor(column * cellWidth);
      const x1 = Math.floor((column + 1) * cellWidth);
      let n = 0;
      let seen = 0;
      for (let y = y0; y < y1; y += step) {
        // The lattice is staggered so that no column or CFA phase is preferred.
        for (let x = x0 + (((y / step) % step) | 0); x < x1; x += step) {
          const i = y * width + x;
          seen++;
          if (mask && mask[i] !== 0) continue;
          if (avoid && avoid[i] !== 0) continue;
          const value = data[i]!;
          if (!Number.isNaN(value)) samples[n++] = value;
        }
      }
      if (n < 16 || n < MIN_FREE_SHARE * seen) continue;
      const sorted = samples.subarray(0, n);
      sorted.sort();
      const found = modeOfSorted(sorted, n);
      level[row * columns + column] = found.level;
      noise[row * columns + column] = found.noise;
    }
  }
  if (!fillNodes(level, columns, rows)) return undefined;
  fillNodes(noise, columns, rows);
  filterNodes(level, columns, rows);
  filterNodes(noise, columns, rows);
  return { columns, rows, cellWidth, cellHeight, level, noise };
}

/**
 * Estimates the smooth background of a plane and its noise: a clipped mesh with the mode estimate and the
 * median as its fallback, outlying nodes replaced, spline-interpolated; two passes, the second with the
 * objects of the first left out so that no star leaves a bump (L66, L67).
 *
 * @param plane f32[height*width], ADU; NaN = no data, left out. Not modified.
 * @param options.mask pixels to leave out; the level is still given there, continued from the neighbours
 * @param options.mesh cell size, px; default 64, 128 above 6 MP, 32 for small frames
 * @returns a fully masked or empty plane gives level and noise NaN
 * @source E. Bertin and S. Arnouts, A&AS 117 (1996) 393, section 3
 */
export function estimateBackground(
  plane: Plane,
  options: { readonly mask?: Mask; readonly mesh?: number } = {},
): Background {
  const cell = options.mesh ?? defaultMesh(plane.width, plane.height);
  const first = meshOf(plane, { mask: options.mask, cell });
  if (!first) {
    return {
      level: makePlane(plane.width, plane.height, Number.NaN),
      noise: Number.NaN,
      median: Number.NaN,
    };
  }
  const peaks = findPeaks(plane, { mesh: first, mask: options.mask, threshold: 5, sigma: 1.5 });
  const avoid = objectMap(plane, peaks, 1.5);
  const mesh = meshOf(plane, { mask: options.mask, avoid, cell }) ?? first;
  return backgroundOf(plane, mesh, options.mask);
}

/** Interpolates a mesh over the plane. */
export function backgroundOf(plane: Plane, mesh: BackgroundMesh, mask?: Mask): Background {
  const level = makePlane(plane.width, plane.height);
  const read = makeRowReader(mesh.level, mesh, plane.width);
  for (let y = 0; y < plane.height; y++) {
    read(y, level.data.subarray(y * plane.width, (y + 1) * plane.width));
  }
  return { level, ...meshSummary(plane, mesh, mask), mesh };
}

/** Typical level and noise over the cells that the mask leaves. */
export function meshSummary(
  plane: Plane,
  mesh: BackgroundMesh,
  mask?: Mask,
): { median: number; noise: number; range: number } {
  const levels: number[] = [];
  const noises: number[] = [];
  for (let i = 0; i < mesh.level.length; i++) {
    const x = Math.min(plane.width - 1, Math.floor(((i % mesh.columns) + 0.5) * mesh.cellWidth));
    const y = Math.min(plane.height - 1, Math.floor((Math.floor(i / mesh.columns) + 0.5) * mesh.cellHeight));
    if (mask && mask.data[y * plane.width + x] !== 0) continue;
    levels.push(mesh.level[i]!);
    noises.push(mesh.noise[i]!);
  }
  const used = levels.length > 0 ? levels : Array.from(mesh.level);
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (const level of used) {
    if (level < low) low = level;
    if (level > high) high = level;
  }
  return {
    median: median(used),
    noise: median(noises.length > 0 ? noises : mesh.noise),
    range: high - low,
  };
}

/** Marks a disc round each peak, wider for brighter ones, up to 40 px. */
export function objectMap(
  plane: Plane,
  peaks: {
    readonly count: number;
    readonly x: Float64Array;
    readonly y: Float64Array;
    readonly snr: Float32Array;
  },
  sigma: number,
): Uint8Array {
  const { width, height } = plane;
  const map = new Uint8Array(width * height);
  for (let i = 0; i < peaks.count; i++) {
    // A Gaussian falls below a tenth of the noise at sigma*sqrt(2 ln(10 snr)); wings of real lenses go on: half as far again.
    const reach = 1.5 * sigma * Math.sqrt(2 * Math.log(10 * Math.max(2, peaks.snr[i]!)));
    const radius = Math.min(40, Math.ceil(reach));
    const cx = Math.round(peaks.x[i]!);
    const cy = Math.round(peaks.y[i]!);
    for (let dy = -radius; dy <= radius; dy++) {
      const y = cy + dy;
      if (y < 0 || y >= height) continue;
      const half = Math.floor(Math.sqrt(radius * radius - dy * dy));
      map.fill(1, y * width + Math.max(0, cx - half), y * width + Math.min(width, cx + half + 1));
    }
  }
  return map;
}
