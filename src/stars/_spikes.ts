import { type CfaPattern, cfaColor } from '../core/index.js';
import { sameColorNeighbours, smallMedian } from './_neighbours.js';

/** A pixel this far above its same-colour neighbours may be a defect, sigma (FINDINGS: removes 390 of 400, no stars). */
const SPIKE_SIGMA = 6;
/** A star's light reaches the touching pixels; above this in one of them it is no defect, sigma. */
const TOUCH_SIGMA = 3.5;
/** Nor when the touching pixels together hold this share of the excess. */
const TOUCH_SHARE = 0.35;
const TILE = 64;

export interface Mosaic {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
  readonly cfa: CfaPattern;
}

/**
 * Finds single pixels that stand out of their same-colour neighbours while none of the touching pixels does.
 *
 * @param found called with the index y*width + x and +1 for a bright, -1 for a dark pixel
 * @param options.dark also look for dark pixels
 */
export function findSpikes(
  mosaic: Mosaic,
  found: (index: number, sign: 1 | -1) => void,
  options: { readonly dark?: boolean; readonly sigma?: number } = {},
): void {
  const { width, height, data, cfa } = mosaic;
  const factor = options.sigma ?? SPIKE_SIGMA;
  const neighbours = sameColorNeighbours(cfa);
  const flat = neighbours.map((list) => Int32Array.from(list.map(([dx, dy]) => dy * width + dx)));
  const noise = tileNoise(mosaic, flat);
  const tilesAcross = Math.ceil(width / TILE);
  const values = new Float64Array(8);
  const border = 4;
  const medianOf = (x: number, y: number, except: number): number => {
    let n = 0;
    for (const [dx, dy] of neighbours[(y % cfa.height) * cfa.width + (x % cfa.width)]!) {
      const px = x + dx;
      const py = y + dy;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      const j = py * width + px;
      const value = data[j]!;
      if (j !== except && !Number.isNaN(value)) values[n++] = value;
    }
    return smallMedian(values, n);
  };
  const standsAlone = (x: number, y: number, sign: 1 | -1, limit: number): boolean => {
    const i = y * width + x;
    const excess = sign * (data[i]! - medianOf(x, y, -1));
    if (!(excess > limit * factor)) return false;
    let sum = 0;
    for (let dy = -1; dy <= 1; dy++) {
      for (let dx = -1; dx <= 1; dx++) {
        const tx = x + dx;
        const ty = y + dy;
        if ((dx === 0 && dy === 0) || tx < 0 || ty < 0 || tx >= width || ty >= height) continue;
        const touch = sign * (data[ty * width + tx]! - medianOf(tx, ty, i));
        const own =
          noise[cfaColor(cfa, tx, ty)]![Math.floor(ty / TILE) * tilesAcross + Math.floor(tx / TILE)]!;
        if (touch > TOUCH_SIGMA * own && touch > 0.06 * excess) return false;
        if (!Number.isNaN(touch)) sum += touch;
      }
    }
    return sum < TOUCH_SHARE * excess;
  };
  for (let y = 0; y < height; y++) {
    const tileRow = Math.floor(y / TILE) * tilesAcross;
    const siteRow = (y % cfa.height) * cfa.width;
    const rim = y < border || y >= height - border;
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const site = siteRow + (x % cfa.width);
      const limit = noise[cfa.colors[site]!]![tileRow + Math.floor(x / TILE)]!;
      if (rim || x < border || x >= width - border) {
        if (standsAlone(x, y, 1, limit)) found(i, 1);
        else if (options.dark && standsAlone(x, y, -1, limit)) found(i, -1);
        continue;
      }
      const value = data[i]!;
      const offsets = flat[site]!;
      const far = factor * limit;
      // The median of 8 is below value - far only if 4 of them are: most pixels leave after a few looks.
      let misses = 0;
      let k = 0;
      for (; k < 8 && misses < 5; k++) if (!(data[i + offsets[k]!]! < value - far)) misses++;
      if (misses < 5) {
        if (standsAlone(x, y, 1, limit)) found(i, 1);
      } else if (options.dark) {
        misses = 0;
        for (k = 0; k < 8 && misses < 5; k++) if (!(data[i + offsets[k]!]! > value + far)) misses++;
        if (misses < 5 && standsAlone(x, y, -1, limit)) found(i, -1);
      }
    }
  }
}

/** Pixel noise of each colour in tiles, from differences of same-colour neighbours. */
function tileNoise(mosaic: Mosaic, flat: readonly Int32Array[]): Float32Array[] {
  const { width, height, data, cfa } = mosaic;
  const across = Math.ceil(width / TILE);
  const down = Math.ceil(height / TILE);
  const result = [0, 1, 2].map(() => new Float32Array(across * down).fill(Number.NaN));
  const samples = [0, 1, 2].map(() => new Float32Array(TILE * TILE));
  const counts = [0, 0, 0];
  for (let ty = 0; ty < down; ty++) {
    for (let tx = 0; tx < across; tx++) {
      counts.fill(0);
      const y1 = Math.min(height - 4, (ty + 1) * TILE);
      const x1 = Math.min(width - 4, (tx + 1) * TILE);
      for (let y = Math.max(4, ty * TILE); y < y1; y += 3) {
        // Steps of 3 meet every phase of 2 x 2; of 6 x 6 the stagger does.
        for (let x = Math.max(4, tx * TILE) + (y % 2); x < x1; x += 3) {
          const site = (y % cfa.height) * cfa.width + (x % cfa.width);
          const color = cfa.colors[site]!;
          const i = y * width + x;
          const difference = Math.abs(data[i]! - data[i + flat[site]![0]!]!);
          if (!Number.isNaN(difference)) samples[color]![counts[color]!++] = difference;
        }
      }
      for (let color = 0; color < 3; color++) {
        const n = counts[color]!;
        if (n < 12) continue;
        const sorted = samples[color]!.subarray(0, n);
        sorted.sort();
        // MAD of a difference is sqrt(2) of one pixel's; half an ADU where the data are coarser than that.
        result[color]![ty * across + tx] = Math.max(0.5, (1.4826 * sorted[n >> 1]!) / Math.SQRT2);
      }
    }
  }
  // A tile without samples (frame's rim) takes the frame's largest, which keeps the test careful there.
  for (const plane of result) {
    let most = 0.5;
    for (const value of plane) if (value > most) most = value;
    for (let i = 0; i < plane.length; i++) if (Number.isNaN(plane[i]!)) plane[i] = most;
  }
  return result;
}
