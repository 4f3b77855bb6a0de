import type { Mask, Plane } from '../core/index.js';
import { makeRowReader } from './_mesh.js';
import type { BackgroundMesh } from './types.js';

/** A plane less its background, smoothed by a Gaussian of unit sum. */
export interface FilteredMap {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
  /** Sigma of the smoothing, px. */
  readonly sigma: number;
  /** sqrt(sum k^2) of the two-dimensional kernel: white noise of 1 becomes this. */
  readonly norm: number;
}

/** One-dimensional half kernel k[0..radius] of a Gaussian, unit sum over both sides. */
function halfKernel(sigma: number): Float64Array {
  const radius = Math.max(2, Math.round(2.4 * sigma));
  const kernel = new Float64Array(radius + 1);
  let sum = 0;
  for (let i = 0; i <= radius; i++) {
    kernel[i] = Math.exp((-0.5 * i * i) / (sigma * sigma));
    sum += i === 0 ? kernel[i]! : 2 * kernel[i]!;
  }
  for (let i = 0; i <= radius; i++) kernel[i]! /= sum;
  return kernel;
}

/**
 * Takes the background off and smooths by a separable Gaussian, row by row. Masked and NaN pixels count as
 * background. Beyond the frame there is background.
 */
export function filterPlane(
  plane: Plane,
  options: { readonly mesh: BackgroundMesh; readonly mask?: Mask | undefined; readonly sigma: number },
): FilteredMap {
  const { width, height, data } = plane;
  const kernel = halfKernel(options.sigma);
  const radius = kernel.length - 1;
  const mask = options.mask?.data;
  const read = makeRowReader(options.mesh.level, options.mesh, width);
  const level = new Float32Array(width);
  const padded = new Float32Array(width + 2 * radius);
  const out = new Float32Array(width * height);
  const span = 2 * radius + 1;
  const ring: Float32Array[] = [];
  for (let i = 0; i < span; i++) ring.push(new Float32Array(width));
  const taps: Float32Array[] = new Array<Float32Array>(span);
  for (let y = 0; y < height + radius; y++) {
    const row = ring[y % span]!;
    if (y < height) {
      read(y, level);
      const start = y * width;
      if (mask) {
        for (let x = 0; x < width; x++) {
          const value = data[start + x]! - level[x]!;
          padded[radius + x] = !Number.isNaN(value) && mask[start + x] === 0 ? value : 0;
        }
      } else {
        for (let x = 0; x < width; x++) {
          const value = data[start + x]! - level[x]!;
          padded[radius + x] = !Number.isNaN(value) ? value : 0;
        }
      }
      smoothRow(padded, row, kernel);
    } else {
      row.fill(0);
    }
    const target = y - radius;
    if (target < 0) continue;
    for (let i = 0; i < span; i++) taps[i] = ring[(target - radius + i + 2 * span) % span]!;
    smoothColumns(taps, out, target * width, kernel);
  }
  let squares = 0;
  for (let i = 0; i <= radius; i++) squares += (i === 0 ? 1 : 2) * kernel[i]! * kernel[i]!;
  return { width, height, data: out, sigma: options.sigma, norm: squares };
}

/** Unrolled to radius 4, which covers all but soft frames: half the time of the loop. */
function smoothRow(padded: Float32Array, out: Float32Array, kernel: Float64Array): void {
  const radius = kernel.length - 1;
  const width = out.length;
  const k0 = kernel[0]!;
  if (radius <= 4) {
    const k1 = kernel[1]!;
    const k2 = kernel[2]!;
    const k3 = radius > 2 ? kernel[3]! : 0;
    if (radius <= 3) {
      for (let x = 0, c = radius; x < width; x++, c++) {
        out[x] =
          k0 * padded[c]! +
          k1 * (padded[c - 1]! + padded[c + 1]!) +
          k2 * (padded[c - 2]! + padded[c + 2]!) +
          (k3 === 0 ? 0 : k3 * (padded[c - 3]! + padded[c + 3]!));
      }
      return;
    }
    const k4 = kernel[4]!;
    for (let x = 0, c = 4; x < width; x++, c++) {
      out[x] =
        k0 * padded[c]! +
        k1 * (padded[c - 1]! + padded[c + 1]!) +
        k2 * (padded[c - 2]! + padded[c + 2]!) +
        k3 * (padded[c - 3]! + padded[c + 3]!) +
        k4 * (padded[c - 4]! + padded[c + 4]!);
    }
    return;
  }
  for (let x = 0, c = radius; x < width; x++, c++) {
    let sum = k0 * padded[c]!;
    for (let i = 1; i <= radius; i++) sum += kernel[i]! * (padded[c - i]! + padded[c + i]!);
    out[x] = sum;
  }
}

function smoothColumns(
  taps: readonly Float32Array[],
  out: Float32Array,
  at: number,
  kernel: Float64Array,
): void {
  const radius = kernel.length - 1;
  const width = taps[0]!.length;
  const middle = taps[radius]!;
  const k0 = kernel[0]!;
  if (radius === 4 || radius === 3) {
    const k1 = kernel[1]!;
    const k2 = kernel[2]!;
    const k3 = kernel[3]!;
    const a1 = taps[radius - 1]!;
    const b1 = taps[radius + 1]!;
    const a2 = taps[radius - 2]!;
    const b2 = taps[radius + 2]!;
    const a3 = taps[radius - 3]!;
    const b3 = taps[radius + 3]!;
    if (radius === 3) {
      for (let x = 0; x < width; x++) {
        out[at + x] =
          k0 * middle[x]! + k1 * (a1[x]! + b1[x]!) + k2 * (a2[x]! + b2[x]!) + k3 * (a3[x]! + b3[x]!);
      }
      return;
    }
    const k4 = kernel[4]!;
    const a4 = taps[0]!;
    const b4 = taps[8]!;
    for (let x = 0; x < width; x++) {
      out[at + x] =
        k0 * middle[x]! +
        k1 * (a1[x]! + b1[x]!) +
        k2 * (a2[x]! + b2[x]!) +
        k3 * (a3[x]! + b3[x]!) +
        k4 * (a4[x]! + b4[x]!);
    }
    return;
  }
  for (let x = 0; x < width; x++) {
    let sum = k0 * middle[x]!;
    for (let i = 1; i <= radius; i++) sum += kernel[i]! * (taps[radius - i]![x]! + taps[radius + i]![x]!);
    out[at + x] = sum;
  }
}
