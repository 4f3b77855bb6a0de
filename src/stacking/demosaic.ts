import { type CfaPattern, type ColorImage, cfaColor } from '../core/index.js';
import type { F32Block, Kernels } from '../kernels/index.js';
import { colorNeighbors, neighborMean, neighborReach } from './_neighbors.js';

/**
 * `gradient-corrected`: a bilinear value corrected by the second difference of the site's own colour, which
 * keeps edges (Malvar, He and Cutler 2004; see `Kernels.demosaicBayer`). Methods that choose a direction
 * pixel by pixel were tried and left: they brighten or dim bright stars by 2 to 3 % against faint ones.
 * `bilinear`: mean of the nearest samples of each colour.
 */
export type DemosaicMethod = 'gradient-corrected' | 'bilinear';

/** What `demosaicInto` needs to know of its pixels. */
export interface DemosaicOptions {
  readonly width: number;
  readonly height: number;
  /** Pattern as seen from the first pixel handed over. */
  readonly cfa: CfaPattern;
  readonly method: DemosaicMethod;
  /** ADU at which each colour counts as clipped: interpolation beside it is bilinear, for its slopes lie. */
  readonly saturation: readonly [number, number, number];
}

/** Pixels on each side whose value depends on what lies beyond the part handed over. */
export const DEMOSAIC_REACH = 4;

/** True for the 2 x 2 patterns with green on a diagonal. */
export function isBayer(cfa: CfaPattern): boolean {
  if (cfa.width !== 2 || cfa.height !== 2) return false;
  const greens = cfa.colors.map((color) => color === 1);
  return (
    new Set(cfa.colors).size === 3 &&
    greens[0] === greens[3] &&
    greens[1] === greens[2] &&
    greens[0] !== greens[1]
  );
}

/**
 * Makes three planes of a colour-filter mosaic in kernel memory. Other patterns than the 2 x 2 Bayer ones
 * (the 6 x 6 one, for example) are always interpolated by the weighted mean of each colour's samples near by.
 *
 * @param mosaic f32[height*width], ADU; NaN = no data, filled from neighbours. Not modified.
 * @param out f32[3*height*width]; NaN where no sample of that colour is near
 */
export function demosaicInto(
  kernels: Pick<Kernels, 'demosaicBayer'>,
  mosaic: F32Block,
  out: F32Block,
  options: DemosaicOptions,
): void {
  const { width, height, cfa, saturation } = options;
  if (options.method === 'gradient-corrected' && isBayer(cfa)) {
    const red = cfa.colors.indexOf(0);
    const redX = (red & 1) as 0 | 1;
    const redY = (red >> 1) as 0 | 1;
    kernels.demosaicBayer({ mosaic, out, width, height, redX, redY, saturation });
  } else averagePlanes(mosaic.data, out.data, options);
}

/**
 * As `demosaicInto`, with the colours brought to one scale before and back after it. Its corrections carry the
 * slopes of one colour into another and take grey to be equal in both; in raw counts, where green is twice red, a
 * small star's red and blue come out too sharp, with dark rims, and its green too soft.
 *
 * @param mosaic left on the common scale
 */
export function demosaicBalanced(
  kernels: Pick<Kernels, 'demosaicBayer'>,
  mosaic: F32Block,
  out: F32Block,
  options: DemosaicOptions & { readonly balance: readonly [number, number, number] },
): void {
  const { width, height, cfa, balance, saturation } = options;
  const size = width * height;
  if (balance.every((factor) => factor === 1)) {
    demosaicInto(kernels, mosaic, out, options);
    return;
  }
  for (let y = 0; y < height; y++) {
    for (let row = 0; row < cfa.width; row++) {
      const factor = balance[cfaColor(cfa, row, y) as 0 | 1 | 2];
      for (let at = y * width + row; at < (y + 1) * width; at += cfa.width) mosaic.data[at]! *= factor;
    }
  }
  const scaled = [0, 1, 2].map((color) => saturation[color as 0]! * balance[color as 0]!);
  demosaicInto(kernels, mosaic, out, { ...options, saturation: [scaled[0]!, scaled[1]!, scaled[2]!] });
  for (let color = 0; color < 3; color++) {
    const factor = 1 / balance[color as 0]!;
    const plane = out.data.subarray(color * size, (color + 1) * size);
    for (let i = 0; i < size; i++) plane[i]! *= factor;
  }
}

/** Makes a colour picture of a whole mosaic; see `demosaicInto`. Empties the kernels' memory. */
export function demosaic(mosaic: Float32Array, options: DemosaicOptions, kernels: Kernels): ColorImage {
  const { width, height } = options;
  const { memory } = kernels;
  memory.reset();
  const from = memory.f32(mosaic.length);
  const to = memory.f32(3 * mosaic.length);
  from.data.set(mosaic);
  demosaicInto(kernels, from, to, options);
  const data = to.data.slice();
  memory.reset();
  return { width, height, data };
}

/** Weighted means of each colour's nearest samples. */
function averagePlanes(mosaic: Float32Array, out: Float32Array, options: DemosaicOptions): void {
  const { width, height, cfa } = options;
  const reach = neighborReach(cfa);
  const lists = colorNeighbors(cfa, reach);
  const steps = lists.map((list) => Int32Array.from(list.dx, (dx, k) => list.dy[k]! * width + dx));
  const size = width * height;

  function inside(at: number, index: number): number {
    const weight = lists[index]!.weight;
    const offsets = steps[index]!;
    let sum = 0;
    let total = 0;
    for (let k = 0; k < offsets.length; k++) {
      sum += weight[k]! * mosaic[at + offsets[k]!]!;
      total += weight[k]!;
    }
    return sum / total;
  }

  for (let y = 0; y < height; y++) {
    const row = (y % cfa.height) * cfa.width;
    const rowInside = y >= reach && y < height - reach;
    for (let x = 0; x < width; x++) {
      for (let color = 0; color < 3; color++) {
        const index = 3 * (row + (x % cfa.width)) + color;
        let value = Number.NaN;
        if (rowInside && x >= reach && x < width - reach) value = inside(y * width + x, index);
        if (Number.isNaN(value)) value = neighborMean(mosaic, width, height, x, y, lists[index]!);
        if (Number.isNaN(value) && lists[index]!.weight.length === 1) {
          value = missingMean(mosaic, options, x, y, color);
        }
        out[color * size + y * width + x] = value;
      }
    }
  }
}

/** Mean of a missing sample's own colour within 2 px. */
function missingMean(
  mosaic: Float32Array,
  { width, height, cfa }: DemosaicOptions,
  x: number,
  y: number,
  color: number,
): number {
  let sum = 0;
  let total = 0;
  for (let sy = Math.max(0, y - 2); sy <= Math.min(height - 1, y + 2); sy++) {
    for (let sx = Math.max(0, x - 2); sx <= Math.min(width - 1, x + 2); sx++) {
      const sample = mosaic[sy * width + sx]!;
      if (cfaColor(cfa, sx, sy) !== color || Number.isNaN(sample)) continue;
      const weight = (3 - Math.abs(sx - x)) * (3 - Math.abs(sy - y));
      sum += weight * sample;
      total += weight;
    }
  }
  return sum / total;
}
