import { type Mask, median, type Plane, srgbEncode } from '../core/index.js';
import { type FilteredMap, filterPlane } from './_filter.js';
import { fillNodes } from './_mesh.js';
import type { BackgroundMesh } from './types.js';

/** Local peaks of the filtered map, strongest first. */
export interface Peaks {
  readonly count: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  /** Filtered value at the peak, ADU. */
  readonly value: Float32Array;
  /** Filtered value over the filtered map's own noise there. */
  readonly snr: Float32Array;
  /** Index of the brighter peak within reach whose light overlaps, or -1. */
  readonly neighbour: Int32Array;
  /** Per-pixel noise that the filtered map's noise amounts to, ADU: what white noise would give the same. */
  readonly effectiveNoise: Float32Array;
}

export interface PeakOptions {
  readonly mesh: BackgroundMesh;
  readonly mask?: Mask | undefined;
  /** In units of the filtered map's noise. */
  readonly threshold: number;
  /** Sigma of the matched filter, px. */
  readonly sigma: number;
  /** Smallest level step, ADU; 0 or absent = none worth minding. */
  readonly quantization?: number | undefined;
  /** White level, ADU: tells an 8-bit curve's growing steps. */
  readonly saturation?: number | undefined;
  /** More peaks than this are cut to the strongest, px of work bounded in crowded or broken frames (L64). */
  readonly cap?: number;
}

/** The quartile of a normal distribution lies this many sigma from its middle. */
const QUARTILE = 0.674_489_8;
/** And the tenth part this many. */
const DECILE = 1.281_551_6;
/** Where two peaks this near are one unless the light between them drops, px. */
const MERGE_REACH = 26;

/** Finds local peaks of the noise-normalised, matched-filtered plane. */
export function findPeaks(plane: Plane, options: PeakOptions): Peaks {
  const map = filterPlane(plane, options);
  return peaksOf(map, options);
}

/** As `findPeaks`, from a map that is already there. */
export function peaksOf(map: FilteredMap, options: PeakOptions): Peaks {
  const tiles = tileNoise(map, options);
  const found = localMaxima(map, tiles, options);
  return merge(map, tiles, found);
}

interface Tiles {
  readonly size: number;
  readonly columns: number;
  readonly rows: number;
  readonly noise: Float32Array;
  readonly center: Float32Array;
}

/**
 * Noise of the filtered map in tiles, from the lower quartile's distance to the median, never below what the step
 * between levels allows. An rms instead of the deviation's median makes like frames differ threefold.
 */
function tileNoise(map: FilteredMap, options: PeakOptions): Tiles {
  const { width, height, data } = map;
  const size = width * height > 2e6 ? 128 : 64;
  const columns = Math.max(1, Math.round(width / size));
  const rows = Math.max(1, Math.round(height / size));
  const step = size === 128 ? 5 : 3;
  const mask = options.mask?.data;
  const noise = new Float32Array(columns * rows).fill(Number.NaN);
  const center = new Float32Array(columns * rows).fill(Number.NaN);
  const samples = new Float32Array((Math.ceil((2 * size) / step) + 1) ** 2);
  for (let row = 0; row < rows; row++) {
    const y0 = row * size;
    const y1 = row === rows - 1 ? height : y0 + size;
    for (let column = 0; column < columns; column++) {
      const x0 = column * size;
      const x1 = column === columns - 1 ? width : x0 + size;
      let n = 0;
      for (let y = y0; y < y1; y += step) {
        for (let x = x0; x < x1; x += step) {
          const i = y * width + x;
          if (!mask || mask[i] === 0) samples[n++] = data[i]!;
        }
      }
      if (n < 40) continue;
      const sorted = samples.subarray(0, n);
      sorted.sort();
      const mid = sorted[n >> 1]!;
      // From the lower half only: stars of a crowded field raise the upper one.
      let sigma = (mid - sorted[n >> 2]!) / QUARTILE;
      // A sky cut off at black has no lower half to speak of: there the upper tail tells, within reason.
      if (nearBlack(options, (x0 + x1) / 2, (y0 + y1) / 2)) {
        const upper = (sorted[Math.floor(0.9 * n)]! - mid) / DECILE;
        sigma = Math.max(sigma, Math.min(upper, 2 * sigma));
      }
      noise[row * columns + column] = sigma;
      center[row * columns + column] = mid;
    }
  }
  if (!fillNodes(noise, columns, rows)) noise.fill(Number.POSITIVE_INFINITY);
  if (!fillNodes(center, columns, rows)) center.fill(0);
  // A smooth noise field: the tile's own sampling error is about 5 %.
  const smooth = noise.slice();
  const quantization = options.quantization ?? 0;
  for (let row = 0; row < rows; row++) {
    for (let column = 0; column < columns; column++) {
      let sum = 0;
      let weight = 0;
      for (let dy = -1; dy <= 1; dy++) {
        for (let dx = -1; dx <= 1; dx++) {
          const px = column + dx;
          const py = row + dy;
          if (px < 0 || py < 0 || px >= columns || py >= rows) continue;
          const w = dx === 0 && dy === 0 ? 4 : 1;
          // The neighbours may make a tile noisier, never quieter than four fifths of itself.
          sum += w * Math.max(noise[py * columns + px]!, 0.8 * noise[row * columns + column]!);
          weight += w;
        }
      }
      const i = row * columns + column;
      smooth[i] = Math.max(noise[i]!, sum / weight);
      if (quantization > 0) {
        const level = meshLevelAt(options.mesh, (column + 0.5) * size, (row + 0.5) * size);
        const floor = 0.6 * map.norm * quantization * stepGrowth(level, quantization, options.saturation);
        if (smooth[i]! < floor) smooth[i] = floor;
      }
      if (!(smooth[i]! > 0)) smooth[i] = 1e-12;
    }
  }
  return { size, columns, rows, noise: smooth, center };
}

/** Whether an 8-bit signal is so near black that its noise is cut off at 0. */
function nearBlack(options: PeakOptions, x: number, y: number): boolean {
  if (!((options.quantization ?? 0) > 4)) return false;
  const { mesh } = options;
  return meshLevelAt(mesh, x, y) < 4 * Math.max(options.quantization!, median(mesh.noise));
}

function meshLevelAt(mesh: BackgroundMesh, x: number, y: number): number {
  const column = Math.min(mesh.columns - 1, Math.floor(x / mesh.cellWidth));
  const row = Math.min(mesh.rows - 1, Math.floor(y / mesh.cellHeight));
  return mesh.level[row * mesh.columns + column]!;
}

/**
 * How much wider than at the dark end a step is at `level` when the file held an 8-bit sRGB signal; 1 for
 * linear files. @source IEC 61966-2-1:1999 5.2 (the curve's own slope)
 */
function stepGrowth(level: number, quantization: number, saturation: number | undefined): number {
  // 65535/255/12.92 = 19.9 ADU is the first step of an 8-bit sRGB signal brought to 65535.
  if (!saturation || quantization < saturation / 255 / 13.5) return 1;
  const linear = Math.max(0, Math.min(1, level / saturation));
  const signal = srgbEncode(linear);
  if (signal <= 0.04045) return 1;
  return (12.92 * 2.4 * ((signal + 0.055) / 1.055) ** 1.4) / 1.055;
}

interface Found {
  readonly at: Int32Array;
  readonly value: Float32Array;
  readonly count: number;
}

function tileOf(tiles: Tiles, x: number, y: number): number {
  const column = Math.min(tiles.columns - 1, Math.floor(x / tiles.size));
  const row = Math.min(tiles.rows - 1, Math.floor(y / tiles.size));
  return row * tiles.columns + column;
}

function localMaxima(map: FilteredMap, tiles: Tiles, options: PeakOptions): Found {
  const { width, height, data } = map;
  const cap = options.cap ?? 200_000;
  const mask = options.mask?.data;
  let at = new Int32Array(4096);
  let count = 0;
  const limits = new Float32Array(width);
  let lastRow = -1;
  for (let y = 1; y < height - 1; y++) {
    const tileRow = Math.min(tiles.rows - 1, Math.floor(y / tiles.size));
    if (tileRow !== lastRow) {
      lastRow = tileRow;
      for (let x = 0; x < width; x++) {
        const tile = tileOf(tiles, x, y);
        limits[x] = tiles.center[tile]! + options.threshold * tiles.noise[tile]!;
      }
    }
    let i = y * width + 1;
    for (let x = 1; x < width - 1; x++, i++) {
      const value = data[i]!;
      if (value < limits[x]!) continue;
      if (
        value > data[i - 1]! &&
        value >= data[i + 1]! &&
        value > data[i - width]! &&
        value >= data[i + width]! &&
        value > data[i - width - 1]! &&
        value >= data[i + width + 1]! &&
        value > data[i - width + 1]! &&
        value >= data[i + width - 1]!
      ) {
        if (mask && mask[i] !== 0) continue;
        if (count === at.length) {
          const bigger = new Int32Array(count * 2);
          bigger.set(at);
          at = bigger;
        }
        at[count++] = i;
      }
    }
  }
  const order = at.slice(0, count).sort((a, b) => data[b]! - data[a]!);
  const kept = order.subarray(0, Math.min(cap, count));
  const value = new Float32Array(kept.length);
  for (let i = 0; i < kept.length; i++) value[i] = data[kept[i]!]!;
  return { at: kept, value, count: kept.length };
}

/** Drops peaks that are bumps on a brighter peak's light: the level between them must drop to count as two. */
function merge(map: FilteredMap, tiles: Tiles, found: Found): Peaks {
  const { width, height, data } = map;
  const cell = MERGE_REACH;
  const columns = Math.ceil(width / cell);
  const rows = Math.ceil(height / cell);
  const head = new Int32Array(columns * rows).fill(-1);
  const next = new Int32Array(found.count).fill(-1);
  const keptIndex: number[] = [];
  const neighbours: number[] = [];
  const overlap = 4 * map.sigma + 2;
  for (let k = 0; k < found.count; k++) {
    const at = found.at[k]!;
    const x = at % width;
    const y = (at - x) / width;
    const value = found.value[k]!;
    const tile = tileOf(tiles, x, y);
    const noise = tiles.noise[tile]!;
    const cx = Math.floor(x / cell);
    const cy = Math.floor(y / cell);
    let bump = false;
    let neighbour = -1;
    for (let gy = Math.max(0, cy - 1); gy <= Math.min(rows - 1, cy + 1) && !bump; gy++) {
      for (let gx = Math.max(0, cx - 1); gx <= Math.min(columns - 1, cx + 1) && !bump; gx++) {
        for (let m = head[gy * columns + gx]!; m >= 0; m = next[m]!) {
          const other = found.at[keptIndex[m]!]!;
          const ox = other % width;
          const oy = (other - ox) / width;
          const distance = Math.hypot(ox - x, oy - y);
          if (distance > MERGE_REACH) continue;
          const steps = Math.ceil(distance);
          let lowest = value;
          for (let s = 1; s < steps; s++) {
            const t = s / steps;
            const v = data[Math.round(y + t * (oy - y)) * width + Math.round(x + t * (ox - x))]!;
            if (v < lowest) lowest = v;
          }
          const brighter = found.value[keptIndex[m]!]!;
          // A bump on bright light is as noisy as that light is bright: ask for a dip beyond a share of it.
          const needed = Math.max(2.5 * noise, 0.08 * value, distance < overlap ? 0.01 * brighter : 0);
          if (value - lowest < needed) {
            bump = true;
            break;
          }
          if (distance < overlap) neighbour = m;
        }
      }
    }
    if (bump) continue;
    const m = keptIndex.length;
    keptIndex.push(k);
    neighbours.push(neighbour);
    const g = cy * columns + cx;
    next[m] = head[g]!;
    head[g] = m;
  }
  const count = keptIndex.length;
  const peaks: Peaks = {
    count,
    x: new Float64Array(count),
    y: new Float64Array(count),
    value: new Float32Array(count),
    snr: new Float32Array(count),
    neighbour: Int32Array.from(neighbours),
    effectiveNoise: new Float32Array(count),
  };
  for (let m = 0; m < count; m++) {
    const at = found.at[keptIndex[m]!]!;
    const x = at % width;
    const y = (at - x) / width;
    const noise = tiles.noise[tileOf(tiles, x, y)]!;
    peaks.x[m] = x + vertex(data[at - 1]!, data[at]!, data[at + 1]!);
    peaks.y[m] = y + vertex(data[at - width]!, data[at]!, data[at + width]!);
    peaks.value[m] = data[at]!;
    peaks.snr[m] = data[at]! / noise;
    peaks.effectiveNoise[m] = noise / map.norm;
  }
  return peaks;
}

/** Offset of a parabola's vertex through three values one apart. */
function vertex(before: number, middle: number, after: number): number {
  const curve = before - 2 * middle + after;
  return curve < 0 ? Math.max(-0.5, Math.min(0.5, (before - after) / (2 * curve))) : 0;
}
