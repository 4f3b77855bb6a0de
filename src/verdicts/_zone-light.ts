import { median, quantile } from '../core/index.js';

/** Scatter of a bright star's light from frame to frame: place on the pixels, flat field, air. Share. */
const SCATTER = 0.04;

/** How well each star tells the clearness of the sky. */
export interface StarTrust {
  /** Expected light a second; NaN = no use. */
  readonly expected: Float64Array;
  /** Relative 1-sigma error of one sample. */
  readonly error: Float64Array;
}

/**
 * First guess of each star's light in a clear frame, and its error: the pixels' noise, which faint stars show
 * from frame to frame, and a share for the bright.
 *
 * @param value light, losses undone, f64[frames*tracks]; NaN = unknown
 */
export function trustStars(value: Float64Array, tracks: number, frames: number): StarTrust {
  const expected = new Float64Array(tracks).fill(Number.NaN);
  const jumps = new Float64Array(tracks).fill(Number.NaN);
  for (let k = 0; k < tracks; k++) {
    const all: number[] = [];
    const steps: number[] = [];
    let before = Number.NaN;
    for (let i = 0; i < frames; i++) {
      const own = value[i * tracks + k]!;
      if (!Number.isFinite(own)) continue;
      all.push(own);
      if (Number.isFinite(before)) steps.push(Math.abs(own - before));
      before = own;
    }
    if (all.length < Math.min(2, frames)) continue;
    // The upper quarter's middle: above ordinary scatter, below a lucky outlier.
    const best = all.length >= 4 ? quantile(all, 0.8) : quantile(all, 0.5);
    if (best > 0) expected[k] = best;
    if (steps.length >= 3) jumps[k] = median(steps);
  }
  const middle = median(Array.from(expected).filter(Number.isFinite));
  const faint = Array.from(jumps).filter((jump, k) => Number.isFinite(jump) && expected[k]! <= middle);
  // The difference of two samples scatters by sqrt 2 more than one.
  const noise = faint.length > 0 ? (1.4826 * median(faint)) / Math.SQRT2 : 0;
  return { expected, error: expected.map((own) => Math.hypot(SCATTER, noise / own)) };
}

/** Light of one zone against expectation: a mean weighted by trust, stars far off the middle left out. */
export function zoneLight(ratios: readonly number[], errors: readonly number[]): number {
  const weights = errors.map((error) => 1 / error ** 2);
  const middle = weightedMedian(ratios, weights);
  let sum = 0;
  let total = 0;
  for (let i = 0; i < ratios.length; i++) {
    if (ratios.length >= 5 && Math.abs(ratios[i]! - middle) > Math.max(0.15, 4 * errors[i]!)) continue;
    sum += weights[i]! * ratios[i]!;
    total += weights[i]!;
  }
  return Math.max(0, total > 0 ? sum / total : middle);
}

function weightedMedian(values: readonly number[], weights: readonly number[]): number {
  const order = values.map((_, i) => i).sort((a, b) => values[a]! - values[b]!);
  const half = weights.reduce((sum, weight) => sum + weight, 0) / 2;
  let sum = 0;
  for (const i of order) {
    sum += weights[i]!;
    if (sum >= half) return values[i]!;
  }
  return Number.NaN;
}
