import { type ColorImage, median, type Plane, quantile, SIGMA_PER_MAD } from '../core/index.js';
import type { Rect } from './types.js';

/** Sky levels on a coarse mesh: medians over cells, which stars hardly touch. */
export interface SkyMesh {
  readonly columns: number;
  readonly rows: number;
  readonly cell: number;
  /** f32[3*rows*columns], camera colours, ADU; NaN where a cell is mostly land or without data. */
  readonly levels: Float32Array;
}

/**
 * Coefficients of a smooth surface per colour over u, v in [-1, 1]: 1, u, v, and the square of whichever of
 * them runs from ground to zenith. Glow over a horizon bends along the height only; a surface that may bend
 * every way would follow the galactic band and eat it.
 */
export interface SkyGradient {
  readonly rect: Rect;
  /** Direction in the stored picture that runs from ground to zenith. */
  readonly vertical: 'x' | 'y';
  readonly coefficients: readonly (readonly number[])[];
}

const TERMS = 4;

function terms(u: number, v: number, vertical: 'x' | 'y'): number[] {
  return [1, u, v, vertical === 'x' ? u * u : v * v];
}

/**
 * Measures the sky on a mesh of square cells of `cell` px, land and missing data left out.
 *
 * @returns cell medians; NaN for a cell with less than a third of clean sky
 */
export function measureSkyMesh(
  image: ColorImage,
  rect: Rect,
  options: { readonly landShare?: Plane | undefined; readonly cell: number },
): SkyMesh {
  const { cell, landShare } = options;
  const columns = Math.max(1, Math.floor(rect.width / cell));
  const rows = Math.max(1, Math.floor(rect.height / cell));
  const levels = new Float32Array(3 * columns * rows).fill(Number.NaN);
  const size = image.width * image.height;
  // A quarter of the pixels of a cell gives its median well enough and four times as fast.
  const step = cell >= 16 ? 2 : 1;
  const sample = new Float64Array(Math.ceil(cell / step) ** 2);
  for (let row = 0; row < rows; row++) {
    for (let column = 0; column < columns; column++) {
      for (let color = 0; color < 3; color++) {
        let n = 0;
        let seen = 0;
        for (let y = rect.y + row * cell; y < rect.y + (row + 1) * cell; y += step) {
          for (let x = rect.x + column * cell; x < rect.x + (column + 1) * cell; x += step) {
            const at = y * image.width + x;
            seen++;
            if (landShare && landShare.data[at]! > 0.02) continue;
            const value = image.data[color * size + at]!;
            if (Number.isFinite(value)) sample[n++] = value;
          }
        }
        if (n * 3 >= seen) levels[(color * rows + row) * columns + column] = median(sample.subarray(0, n));
      }
    }
  }
  return { columns, rows, cell, levels };
}

/** Solves a small symmetric positive system by Gaussian elimination with pivoting; undefined when singular. */
function solve(matrix: number[][], right: number[]): number[] | undefined {
  const n = right.length;
  const a = matrix.map((row, i) => [...row, right[i]!]);
  for (let k = 0; k < n; k++) {
    let pivot = k;
    for (let i = k + 1; i < n; i++) if (Math.abs(a[i]![k]!) > Math.abs(a[pivot]![k]!)) pivot = i;
    if (Math.abs(a[pivot]![k]!) < 1e-12) return undefined;
    [a[k], a[pivot]] = [a[pivot]!, a[k]!];
    for (let i = k + 1; i < n; i++) {
      const factor = a[i]![k]! / a[k]![k]!;
      for (let j = k; j <= n; j++) a[i]![j]! -= factor * a[k]![j]!;
    }
  }
  const x = new Array<number>(n).fill(0);
  for (let i = n - 1; i >= 0; i--) {
    let sum = a[i]![n]!;
    for (let j = i + 1; j < n; j++) sum -= a[i]![j]! * x[j]!;
    x[i] = sum / a[i]![i]!;
  }
  return x;
}

/**
 * Fits the smooth gradient of the sky per colour, robustly and from below: cells that stand above the
 * surface (the galactic band, glow of a bright star) lose their say, so the band is not eaten (P43). All
 * colours use the cells that green left in.
 *
 * @param vertical direction in the stored picture from ground to zenith
 * @returns coefficients of the surface, level included
 */
export function fitSkyGradient(mesh: SkyMesh, rect: Rect, vertical: 'x' | 'y' = 'y'): SkyGradient {
  const { columns, rows, levels } = mesh;
  const cells = columns * rows;
  const place = (index: number): readonly [number, number] => [
    (2 * ((index % columns) + 0.5)) / columns - 1,
    (2 * (Math.floor(index / columns) + 0.5)) / rows - 1,
  ];
  const good: number[] = [];
  for (let i = 0; i < cells; i++) {
    if ([0, 1, 2].every((color) => Number.isFinite(levels[color * cells + i]!))) good.push(i);
  }
  const flat = (color: number) => {
    const level = median(good.map((i) => levels[color * cells + i]!));
    return [Number.isFinite(level) ? level : 0, 0, 0, 0];
  };
  if (good.length < 4 * TERMS) return { rect, vertical, coefficients: [flat(0), flat(1), flat(2)] };

  const design = Float64Array.from(good.flatMap((index) => terms(...place(index), vertical)));
  const surface = (color: number, weights: ArrayLike<number>): number[] | undefined => {
    const normal = Array.from({ length: TERMS }, () => new Array<number>(TERMS).fill(0));
    const right = new Array<number>(TERMS).fill(0);
    for (let k = 0; k < good.length; k++) {
      const level = levels[color * cells + good[k]!]!;
      for (let i = 0; i < TERMS; i++) {
        const scaled = weights[k]! * design[k * TERMS + i]!;
        right[i]! += scaled * level;
        for (let j = 0; j < TERMS; j++) normal[i]![j]! += scaled * design[k * TERMS + j]!;
      }
    }
    // A whisper of ridge keeps a half-masked frame from bending wildly where it has no sky.
    for (let i = 1; i < TERMS; i++) normal[i]![i]! += 1e-3 * normal[0]![0]!;
    return solve(normal, right);
  };

  let weights = new Float64Array(good.length).fill(1);
  for (let pass = 0; pass < 12; pass++) {
    const green = surface(1, weights);
    if (!green) break;
    const residuals = Float64Array.from(good, (index, k) => {
      let model = 0;
      for (let i = 0; i < TERMS; i++) model += design[k * TERMS + i]! * green[i]!;
      return levels[cells + index]! - model;
    });
    const middle = quantile(residuals, 0.5);
    const low = quantile(residuals, 0.3);
    // The scatter is taken from the lower half, which the band cannot widen.
    const lower = residuals.filter((value) => value <= middle).map((value) => Math.abs(value - low));
    const spread = Math.max(1e-9, SIGMA_PER_MAD * median(lower));
    weights = Float64Array.from(residuals, (value) => {
      const scaled = value / (2 * spread);
      return scaled > 0 ? 1 / (1 + scaled ** 4) : 1 / (1 + (scaled / 2) ** 4);
    });
  }
  return { rect, vertical, coefficients: [0, 1, 2].map((color) => surface(color, weights) ?? flat(color)) };
}

/** Value of the gradient's surface at pixel (x, y), ADU. */
export function gradientAt(gradient: SkyGradient, color: number, x: number, y: number): number {
  const { rect, coefficients, vertical } = gradient;
  const u = (2 * (x - rect.x + 0.5)) / rect.width - 1;
  const v = (2 * (y - rect.y + 0.5)) / rect.height - 1;
  const h = vertical === 'x' ? u : v;
  const c = coefficients[color]!;
  return c[0]! + c[1]! * u + c[2]! * v + c[3]! * h * h;
}
