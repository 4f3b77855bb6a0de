import {
  FWHM_PER_SIGMA,
  makeStarTable,
  median,
  type Plane,
  radToDeg,
  STAR_FLAGS,
  type StarTable,
  selectStars,
} from '../core/index.js';
import { adaptiveMoments, fillWindow, fitShape, makeWindow, type Window } from './_fit.js';
import { makePointReader } from './_mesh.js';
import type { Peaks } from './_peaks.js';
import type { Shape } from './_shape.js';
import type { BackgroundMesh, MeasureOptions, MeasuringPlane } from './types.js';

const CELLS_ACROSS = 6;
const CELLS_DOWN = 4;

/**
 * Chooses peaks so that no part of the frame is without: half of `most` by equal shares of 6 x 4 cells, the
 * rest brightest overall. An aircraft is dozens of bright detections and lit land hundreds.
 * @returns rows of `peaks`, strongest first
 */
export function spreadSelection(plane: Plane, peaks: Peaks, most: number): number[] {
  const rows: number[] = [];
  if (peaks.count <= most) {
    for (let i = 0; i < peaks.count; i++) rows.push(i);
    return rows;
  }
  const quota = Math.max(1, Math.floor(most / 2 / (CELLS_ACROSS * CELLS_DOWN)));
  const taken = new Uint8Array(peaks.count);
  const filled = new Int32Array(CELLS_ACROSS * CELLS_DOWN);
  let count = 0;
  for (let i = 0; i < peaks.count && count < most; i++) {
    const cx = Math.min(CELLS_ACROSS - 1, Math.floor((peaks.x[i]! / plane.width) * CELLS_ACROSS));
    const cy = Math.min(CELLS_DOWN - 1, Math.floor((peaks.y[i]! / plane.height) * CELLS_DOWN));
    const cell = Math.max(0, cy) * CELLS_ACROSS + Math.max(0, cx);
    if (filled[cell]! >= quota) continue;
    filled[cell]!++;
    taken[i] = 1;
    count++;
  }
  for (let i = 0; i < peaks.count && count < most; i++) {
    if (taken[i] === 0) {
      taken[i] = 1;
      count++;
    }
  }
  for (let i = 0; i < peaks.count; i++) if (taken[i] === 1) rows.push(i);
  return rows;
}

export interface StarOptions extends MeasureOptions {
  readonly mesh: BackgroundMesh;
  /** Typical sigma of the frame's stars, px. */
  readonly sigma: number;
}

/**
 * Fits the chosen peaks and returns those that are stars, brightest first. Left out: fits that ran away, and
 * single pixels sharper than the frame's stars.
 */
export function measureStars(
  plane: MeasuringPlane,
  peaks: Peaks,
  rows: readonly number[],
  options: StarOptions,
): StarTable {
  const window = makeWindow();
  const level = makePointReader(options.mesh.level, options.mesh);
  const noise = makePointReader(options.mesh.noise, options.mesh);
  const near = neighbourGrid(plane, peaks);
  const table = makeStarTable(rows.length);
  const spike = new Float32Array(rows.length);
  let count = 0;
  for (const k of rows) {
    const background = level(peaks.x[k]!, peaks.y[k]!);
    const pixelNoise = Math.max(noise(peaks.x[k]!, peaks.y[k]!), peaks.effectiveNoise[k]!, 1e-9);
    const others = near.of(peaks.x[k]!, peaks.y[k]!, peaks.value[k]!);
    if (
      !measureOne({
        plane,
        peaks,
        k,
        table,
        row: count,
        window,
        background,
        noise: pixelNoise,
        others,
        options,
      })
    )
      continue;
    spike[count] = neighbourShare(plane, Math.round(peaks.x[k]!), Math.round(peaks.y[k]!), background);
    count++;
  }
  if (plane.sampled) placeByFrameShape(plane, table, count, near.of, options);
  flagSpikes(table, spike, count);
  const keep: number[] = [];
  const widths: number[] = [];
  for (let i = 0; i < count; i++) {
    if ((table.flags[i]! & ~STAR_FLAGS.BLENDED.bit) === 0 && table.snr[i]! > 10)
      widths.push(table.fwhmMinor[i]!);
  }
  const typical = widths.length >= 8 ? median(widths) : FWHM_PER_SIGMA * options.sigma;
  const suspects = countSuspects(table, count);
  // Where "defects" are a third of all, they are sharp stars (L68): keep them, flagged.
  const defectsCertain = suspects < count / 3;
  for (let i = 0; i < count; i++) {
    const flags = table.flags[i]!;
    if (flags & STAR_FLAGS.DEFECT_SUSPECT.bit && defectsCertain && table.fwhmMinor[i]! < 0.62 * typical)
      continue;
    if (!(flags & STAR_FLAGS.SATURATED.bit)) {
      // Far wider than the frame's stars: land, cloud edges, nebulae. Far narrower in both axes: noise.
      if (table.fwhmMinor[i]! > 2.6 * typical + 1) continue;
    }
    keep.push(i);
  }
  keep.sort((a, b) => table.flux[b]! - table.flux[a]!);
  return selectStars(table, keep);
}

function countSuspects(table: StarTable, count: number): number {
  let suspects = 0;
  for (let i = 0; i < count; i++) if (table.flags[i]! & STAR_FLAGS.DEFECT_SUSPECT.bit) suspects++;
  return suspects;
}

/** Flags stars whose light is all in one pixel: no lens and no sampling makes a star's 8 neighbours share less than a third of it. */
function flagSpikes(table: StarTable, spike: Float32Array, count: number): void {
  for (let i = 0; i < count; i++) {
    // Error of the neighbours' sum: eight pixels' noise over the peak.
    const noise = (table.peak[i]! > 0 ? Math.sqrt(8) / Math.max(1, table.snr[i]!) : 1) * 2;
    if (spike[i]! < 0.33 && spike[i]! + Math.min(0.3, noise * 0.1) < 0.45)
      table.flags[i]! |= STAR_FLAGS.DEFECT_SUSPECT.bit;
  }
}

/** Light of the 8 touching pixels over the pixel's own, background taken off. */
function neighbourShare(plane: Plane, x: number, y: number, background: number): number {
  const { width, height, data } = plane;
  let bx = x;
  let by = y;
  let best = Number.NEGATIVE_INFINITY;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      const px = x + dx;
      const py = y + dy;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      if (data[py * width + px]! > best) {
        best = data[py * width + px]!;
        bx = px;
        by = py;
      }
    }
  }
  let sum = 0;
  for (let dy = -1; dy <= 1; dy++) {
    for (let dx = -1; dx <= 1; dx++) {
      if (dx === 0 && dy === 0) continue;
      const px = bx + dx;
      const py = by + dy;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      const value = data[py * width + px]! - background;
      if (!Number.isNaN(value)) sum += value;
    }
  }
  return best > background ? sum / (best - background) : 1;
}

interface Neighbours {
  /** Peaks within 20 to 40 px of a place, its own left out, those below a twentieth of `value` too: x, y pairs. */
  of(x: number, y: number, value: number): number[];
}

function neighbourGrid(plane: Plane, peaks: Peaks): Neighbours {
  const cell = 20;
  const columns = Math.ceil(plane.width / cell);
  const rows = Math.ceil(plane.height / cell);
  const head = new Int32Array(columns * rows).fill(-1);
  const next = new Int32Array(peaks.count).fill(-1);
  for (let i = 0; i < peaks.count; i++) {
    const cx = Math.max(0, Math.min(columns - 1, Math.floor(peaks.x[i]! / cell)));
    const cy = Math.max(0, Math.min(rows - 1, Math.floor(peaks.y[i]! / cell)));
    const g = cy * columns + cx;
    next[i] = head[g]!;
    head[g] = i;
  }
  return {
    of(x, y, value) {
      const found: number[] = [];
      const cx = Math.floor(x / cell);
      const cy = Math.floor(y / cell);
      for (let gy = Math.max(0, cy - 1); gy <= Math.min(rows - 1, cy + 1); gy++) {
        for (let gx = Math.max(0, cx - 1); gx <= Math.min(columns - 1, cx + 1); gx++) {
          for (let i = head[gy * columns + gx]!; i >= 0; i = next[i]!) {
            if (peaks.value[i]! < 0.05 * value || (peaks.x[i] === x && peaks.y[i] === y)) continue;
            found.push(peaks.x[i]!, peaks.y[i]!);
          }
        }
      }
      return found;
    },
  };
}

interface OneStar {
  readonly plane: MeasuringPlane;
  readonly peaks: Peaks;
  readonly k: number;
  readonly table: StarTable;
  readonly row: number;
  readonly window: Window;
  readonly background: number;
  readonly noise: number;
  readonly others: number[];
  readonly options: StarOptions;
}

/** Measures one peak into a row of the table; false when it is no star. */
function measureOne(one: OneStar): boolean {
  const { plane, peaks, k, table, row, window, background, noise, options } = one;
  const px = peaks.x[k]!;
  const py = peaks.y[k]!;
  const start: Shape = adaptiveMoments(
    plane,
    { x: px, y: py, background, sigma: options.sigma, reach: 26 },
    one.others,
  ) ?? {
    x: px,
    y: py,
    flux: peaks.value[k]! * 4 * Math.PI * options.sigma ** 2,
    m: options.sigma ** 2,
    q1: 0,
    q2: 0,
    offset: 0,
  };
  const windowOptions = {
    background,
    saturation: options.saturation * 0.98,
    noise,
    gain: options.gain ?? 0,
    others: one.others,
  };
  const filled = fillWindow(window, plane, start, windowOptions);
  const fit = fitShape(window, start, 0.5 * noise);
  let flags = 0;
  if (filled.saturated > 0) flags |= STAR_FLAGS.SATURATED.bit;
  if (filled.cut) flags |= STAR_FLAGS.NEAR_EDGE.bit;
  table.background[row] = background;
  table.peak[row] = filled.peak;
  if (!fit || !(fit.shape.flux > 0) || !Number.isFinite(fit.errors[0]!)) {
    if (!(flags & STAR_FLAGS.SATURATED.bit)) return false;
    table.x[row] = start.x;
    table.y[row] = start.y;
    table.flux[row] = Math.max(start.flux, filled.peak);
    table.snr[row] = peaks.snr[k]!;
    table.positionError[row] = 0.5;
    table.flags[row] = flags | STAR_FLAGS.SHAPE_FAILED.bit;
    return true;
  }
  const { shape } = fit;
  const reach = 3 + 1.2 * Math.sqrt(12 * Math.hypot(start.q1, start.q2));
  if (Math.hypot(shape.x - px, shape.y - py) > reach) return false;
  const size = Math.hypot(shape.q1, shape.q2);
  const a2 = shape.m + size / 2;
  const b2 = Math.max(0.05, shape.m - size / 2);
  for (let i = 0; i < one.others.length; i += 2) {
    if (
      Math.hypot(one.others[i]! - shape.x, one.others[i + 1]! - shape.y) <
      3 * Math.sqrt(a2) + 2 * Math.sqrt(b2)
    )
      flags |= STAR_FLAGS.BLENDED.bit;
  }
  // Signal-to-noise of the best linear estimate with known place and shape: noise area 4 pi a b.
  const area = 4 * Math.PI * Math.sqrt(a2 * b2);
  const photons = options.gain ? shape.flux / options.gain : 0;
  table.x[row] = shape.x;
  table.y[row] = shape.y;
  table.flux[row] = shape.flux;
  table.snr[row] = shape.flux / Math.sqrt(noise * noise * area + photons);
  table.fwhm[row] = 2 * Math.sqrt(Math.LN2 * (a2 + b2));
  table.fwhmMinor[row] = FWHM_PER_SIGMA * Math.sqrt(b2);
  table.elongation[row] = Math.sqrt(a2 / b2);
  table.theta[row] = (radToDeg(Math.atan2(shape.q2, shape.q1) / 2) + 180) % 180;
  table.trailLength[row] = Math.sqrt(12 * size);
  const mismatch = Math.max(1, fit.chi2);
  table.positionError[row] = Math.sqrt((mismatch * (fit.errors[0]! ** 2 + fit.errors[1]! ** 2)) / 2);
  table.flags[row] = flags;
  return isStarlike(fit.unexplained, table, row);
}

/** Land, cloud edges and noise fit badly or at no significance; a star's light is explained by its shape. */
function isStarlike(unexplained: number, table: StarTable, row: number): boolean {
  if (table.flags[row]! & STAR_FLAGS.SATURATED.bit) return true;
  if (table.snr[row]! < 3) return false;
  if (table.flags[row]! & STAR_FLAGS.BLENDED.bit) return unexplained < 0.6;
  return unexplained < 0.4;
}

/** Fewer clear stars than this say nothing of the frame's shape. */
const LEAST_CLEAR = 12;
/** Most clear stars near a place that its shape is taken from. */
const NEAREST_CLEAR = 15;

/**
 * Places the stars of a mosaic anew with the shape that the frame's clear stars have nearby: behind a filter
 * only every other pixel is green, too few to hold place and shape of a faint sharp star at once. The
 * shape columns keep the free fit.
 */
function placeByFrameShape(
  plane: MeasuringPlane,
  table: StarTable,
  count: number,
  neighbours: (x: number, y: number, value: number) => number[],
  options: StarOptions,
): void {
  const clear: number[] = [];
  for (let i = 0; i < count; i++) if (table.flags[i] === 0 && table.snr[i]! > 30) clear.push(i);
  if (clear.length < LEAST_CLEAR) return;
  const shapeAt = shapesByCell(plane, table, clear);
  const window = makeWindow();
  const noise = makePointReader(options.mesh.noise, options.mesh);
  for (let i = 0; i < count; i++) {
    if (!(table.fwhm[i]! > 0) || table.snr[i]! > 300) continue;
    const known = shapeAt(table.x[i]!, table.y[i]!);
    const pixelNoise = Math.max(
      noise(table.x[i]!, table.y[i]!),
      table.flux[i]! / table.snr[i]! / Math.sqrt(4 * Math.PI * known.m),
      1e-9,
    );
    const start: Shape = { x: table.x[i]!, y: table.y[i]!, flux: table.flux[i]!, offset: 0, ...known };
    fillWindow(window, plane, start, {
      background: table.background[i]!,
      saturation: options.saturation * 0.98,
      noise: pixelNoise,
      gain: options.gain ?? 0,
      others: neighbours(start.x, start.y, table.peak[i]!).filter((_, n, all) => {
        const pair = n - (n % 2);
        return Math.hypot(all[pair]! - start.x, all[pair + 1]! - start.y) > 2.5;
      }),
    });
    const fit = fitShape(window, start, 0.5 * pixelNoise, known);
    if (!fit || !Number.isFinite(fit.errors[0]!) || !(fit.shape.flux > 0)) continue;
    if (Math.hypot(fit.shape.x - start.x, fit.shape.y - start.y) > 2) continue;
    table.x[i] = fit.shape.x;
    table.y[i] = fit.shape.y;
    const mismatch = Math.max(1, fit.chi2);
    table.positionError[i] = Math.sqrt((mismatch * (fit.errors[0]! ** 2 + fit.errors[1]! ** 2)) / 2);
  }
}

function tensorOf(table: StarTable, i: number): readonly [number, number, number] {
  const size = table.trailLength[i]! ** 2 / 12;
  const angle = (2 * table.theta[i]! * Math.PI) / 180;
  const b2 = (table.fwhmMinor[i]! / FWHM_PER_SIGMA) ** 2;
  return [b2 + size / 2, size * Math.cos(angle), size * Math.sin(angle)];
}

/** Cells a side in which the frame's shape is taken as one. */
const SHAPE_CELLS = 6;

/** Reader of the median shape of the clear stars nearest to each of 6 x 6 cells, and how far it may be trusted. */
function shapesByCell(
  plane: Plane,
  table: StarTable,
  clear: readonly number[],
): (x: number, y: number) => { m: number; q1: number; q2: number; error: number } {
  const tensors = clear.map((i) => tensorOf(table, i));
  const cellOf = (value: number, length: number): number =>
    Math.max(0, Math.min(SHAPE_CELLS - 1, Math.floor((value / length) * SHAPE_CELLS)));
  const cells = Array.from({ length: SHAPE_CELLS * SHAPE_CELLS }, (_, cell) => {
    const cx = (((cell % SHAPE_CELLS) + 0.5) * plane.width) / SHAPE_CELLS;
    const cy = ((Math.floor(cell / SHAPE_CELLS) + 0.5) * plane.height) / SHAPE_CELLS;
    const nearest = clear
      .map((i, n) => ({ n, d: (table.x[i]! - cx) ** 2 + (table.y[i]! - cy) ** 2 }))
      .sort((p, q) => p.d - q.d)
      .slice(0, NEAREST_CLEAR);
    const part = (k: 0 | 1 | 2): number[] => nearest.map(({ n }) => tensors[n]![k]);
    const m = median(part(0));
    const spread = 1.4826 * median(part(0).map((v) => Math.abs(v - m)));
    return {
      m,
      q1: median(part(1)),
      q2: median(part(2)),
      error: Math.max(0.06 * m, Math.min(0.3 * m, 0.7 * spread)),
    };
  });
  return (x, y) => cells[cellOf(y, plane.height) * SHAPE_CELLS + cellOf(x, plane.width)]!;
}
