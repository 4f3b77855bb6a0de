import { type FramePixels, median } from '../core/index.js';
import { patternOf } from './_neighbours.js';
import type { NoiseModel } from './types.js';

/** Collects level and scatter from pairs of neighbouring frames; memory does not grow with their number. */
export interface NoiseCollector {
  /** Adds a pair of frames of like exposure, the nearer in time the better; a pair of other size or kind is passed over. */
  accumulate(first: FramePixels, second: FramePixels): void;
  /** The model; undefined when too few blocks were seen. */
  finish(): NoiseModel | undefined;
}

/** Block side in pixels of one colour: 12 x 12 values hold a variance to 12 %, small against a sky's gradients. */
const BLOCK = 12;
/** Most blocks taken from one pair. */
const BLOCKS_PER_PAIR = 6000;
/** A normal distribution cut at 3 sigma keeps 0.98485^2 of its variance once iterated. @source truncated normal */
const CLIPPED_VARIANCE = 0.984_846 ** 2;

/**
 * Starts finding gain and read noise from a run's own lights by mean and variance of pairs: in small blocks of
 * one colour, half the variance of the difference against the mean level. The colours, the vignetting and the
 * land give the spread of levels. Stars and their motion are clipped; blocks with more outliers than noise
 * alone makes are passed over; the variance of rounding, 1/12 ADU^2, is taken off.
 *
 * @param options.saturation levels above 90 % of this are left out, ADU; default each frame's own white level
 * @source J. R. Janesick, Photon Transfer (SPIE 2007), ch. 5; EMVA 1288 R4.0 section 2
 */
export function estimateNoise(options: { readonly saturation?: number } = {}): NoiseCollector {
  const levels: number[] = [];
  const variances: number[] = [];
  return {
    accumulate(first, second) {
      if (first.width !== second.width || first.height !== second.height || first.kind !== second.kind)
        return;
      if (first.kind === 'color') return;
      const top = 0.9 * (options.saturation ?? Math.min(...first.whiteLevel));
      blocksOf(first, second, top, (level, variance) => {
        levels.push(level);
        variances.push(variance);
      });
    },
    finish() {
      return levels.length < 200 ? undefined : fitLine(levels, variances);
    },
  };
}

function blocksOf(
  first: FramePixels,
  second: FramePixels,
  top: number,
  found: (level: number, variance: number) => void,
): void {
  const { width, height } = first;
  const cfa = patternOf(first);
  const blockWidth = BLOCK * cfa.width;
  const blockHeight = BLOCK * cfa.height;
  const sites = cfa.width * cfa.height;
  const across = Math.floor(width / blockWidth);
  const down = Math.floor(height / blockHeight);
  const total = across * down * sites;
  const stride = Math.max(1, Math.floor(total / BLOCKS_PER_PAIR));
  const difference = new Float64Array(BLOCK * BLOCK);
  const sum = new Float64Array(BLOCK * BLOCK);
  for (let n = 0; n < total; n += stride) {
    // A stride that shares a factor with the pattern would meet one colour only.
    const site = (n + Math.floor(n / stride)) % sites;
    const block = Math.floor(n / sites);
    const x0 = (block % across) * blockWidth + (site % cfa.width);
    const y0 = Math.floor(block / across) * blockHeight + Math.floor(site / cfa.width);
    let k = 0;
    let usable = true;
    for (let by = 0; by < BLOCK && usable; by++) {
      for (let bx = 0; bx < BLOCK; bx++) {
        const i = (y0 + by * cfa.height) * width + x0 + bx * cfa.width;
        const a = first.data[i]!;
        const b = second.data[i]!;
        if (Number.isNaN(a) || Number.isNaN(b) || a > top || b > top) {
          usable = false;
          break;
        }
        difference[k] = a - b;
        sum[k] = (a + b) / 2;
        k++;
      }
    }
    if (!usable || k < BLOCK * BLOCK) continue;
    const clipped = clippedVariance(difference);
    if (clipped) found(median(sum), clipped / 2);
  }
}

/** Variance with outliers clipped at 3 sigma; undefined where they are more than noise makes (a star, an edge). */
function clippedVariance(values: Float64Array): number | undefined {
  let low = Number.NEGATIVE_INFINITY;
  let high = Number.POSITIVE_INFINITY;
  let variance = 0;
  let kept = values.length;
  for (let pass = 0; pass < 6; pass++) {
    let n = 0;
    let s = 0;
    let q = 0;
    for (const value of values) {
      if (value < low || value > high) continue;
      n++;
      s += value;
      q += value * value;
    }
    if (n < 0.95 * values.length) return undefined;
    const mean = s / n;
    variance = (q - n * mean * mean) / (n - 1);
    const sigma = Math.sqrt(Math.max(0, variance));
    low = mean - 3 * sigma;
    high = mean + 3 * sigma;
    if (n === kept && pass > 0) break;
    kept = n;
  }
  return variance > 0 ? variance / CLIPPED_VARIANCE : undefined;
}

/** Groups blocks by level, takes each group's middle, and draws the line variance = level / gain + readNoise^2. */
function fitLine(levels: readonly number[], variances: readonly number[]): NoiseModel {
  const order = Array.from(levels.keys()).sort((a, b) => levels[a]! - levels[b]!);
  const groups = Math.min(40, Math.floor(order.length / 50));
  const points: { x: number; y: number; weight: number }[] = [];
  for (let g = 0; g < groups; g++) {
    const rows = order.slice(
      Math.floor((g * order.length) / groups),
      Math.floor(((g + 1) * order.length) / groups),
    );
    const y = lowerMean(rows.map((i) => variances[i]!));
    const x = median(rows.map((i) => levels[i]!));
    // The error of a group's variance is a fixed share of it.
    points.push({ x, y, weight: rows.length / (y * y) });
  }
  let sw = 0;
  let sx = 0;
  let sy = 0;
  for (const p of points) {
    sw += p.weight;
    sx += p.weight * p.x;
    sy += p.weight * p.y;
  }
  const mx = sx / sw;
  const my = sy / sw;
  let sxx = 0;
  let sxy = 0;
  for (const p of points) {
    sxx += p.weight * (p.x - mx) ** 2;
    sxy += p.weight * (p.x - mx) * (p.y - my);
  }
  const slope = sxy / sxx;
  const zero = my - slope * mx;
  let chi = 0;
  for (const p of points) chi += p.weight * (p.y - zero - slope * p.x) ** 2;
  const scatter = chi / Math.max(1, points.length - 2);
  const slopeError = Math.sqrt(scatter / sxx);
  const zeroError = Math.sqrt(scatter * (1 / sw + (mx * mx) / sxx));
  const gain = 1 / slope;
  const readVariance = Math.max(0, zero - 1 / 12);
  const readNoise = Math.sqrt(readVariance);
  return {
    gain,
    gainError: slopeError / slope ** 2,
    readNoise,
    readNoiseError: readNoise > 0 ? zeroError / (2 * readNoise) : Math.sqrt(zeroError),
    blocks: levels.length,
    levels: [points[0]!.x, points[points.length - 1]!.x],
    known: slope > 4 * slopeError && readVariance > 2 * zeroError,
  };
}

/**
 * Typical variance of a group of like blocks: the mean of those within 3 of their own scatter of the median.
 * Faint moving stars only ever add, so the upper side is cut closer than the lower.
 */
function lowerMean(values: readonly number[]): number {
  const middle = median(values);
  const spread = 1.4826 * median(values.map((v) => Math.abs(v - middle)));
  let sum = 0;
  let n = 0;
  for (const value of values) {
    if (value < middle - 3 * spread || value > middle + 3 * spread) continue;
    sum += value;
    n++;
  }
  return n > 0 ? sum / n : middle;
}
