import { mean, median, quantile } from '../core/index.js';
import type { RunPhotometry } from './types.js';

/** Zones along each side for transparency and cloud maps. */
export const ZONES = 5;

/** Transparency of every frame, whole and by zone. */
export interface RunTransparency {
  /** Mean over the sky's zones, one a frame; NaN when unknown. */
  readonly frame: Float64Array;
  /** f64[frames*25]; NaN where a zone has too few stars. */
  readonly zone: Float64Array;
  /** Expected flux of each track in a clear frame, ADU/s; NaN for tracks that were no use. */
  readonly expected: Float64Array;
}

/** Fewest stars in a zone to believe its transparency. */
const MIN_ZONE_STARS = 4;

/** Light lost for each air mass, mag: an ordinary clear night at a dark site. @source common practice, 0.15 to 0.25 in green */
const EXTINCTION = 0.2;

/**
 * Measures how much light of the run's own stars reached each frame, against the same stars' best.
 *
 * A star drifts toward or away from the lens's dark corners, so a radial term common to the run is fitted from
 * the stars that moved and taken out first. The best of each star is its upper quarter over the run; a frame's
 * transparency is the mean over zones, so that a cloud over a corner full of stars does not outvote the rest.
 *
 * @param photometry fluxes at predicted places; NaN = not measurable
 * @param options size of the frame in px and exposure of each frame in s (NaN = unknown: taken as equal);
 *   `sharp`: false for frames with swollen stars, whose wider apertures catch more of the wings and of the
 *   neighbours (up to 10 %): they do not say what clear means
 */
export function measureTransparency(
  photometry: RunPhotometry,
  options: {
    readonly width: number;
    readonly height: number;
    readonly exposures: ArrayLike<number>;
    readonly sharp?: readonly boolean[];
  },
): RunTransparency {
  const { trackCount, flux, x, y } = photometry;
  const { width, height, exposures } = options;
  const frames = trackCount === 0 ? exposures.length : flux.length / trackCount;
  const halfDiagonal2 = (width * width + height * height) / 4;
  const r2Of = (at: number) => ((x[at]! - width / 2) ** 2 + (y[at]! - height / 2) ** 2) / halfDiagonal2;
  const rate = new Float64Array(flux.length);
  for (let i = 0; i < frames; i++) {
    const exposure = exposures[i]!;
    const scale = exposure > 0 ? exposure : 1;
    for (let k = 0; k < trackCount; k++) {
      const at = i * trackCount + k;
      const air = photometry.airmass?.[at] ?? Number.NaN;
      const above = Number.isFinite(air) ? 10 ** (0.4 * EXTINCTION * (air - 1)) : 1;
      rate[at] = (flux[at]! / scale) * above;
    }
  }
  const column = (k: number, correct: (at: number) => number): number[] => {
    const values: number[] = [];
    for (let i = 0; i < frames; i++) {
      const at = i * trackCount + k;
      if (Number.isFinite(rate[at]!)) values.push(rate[at]! * correct(at));
    }
    return values;
  };
  // First guess without the radial term, then the term from the brighter half of each star's samples.
  let radial = 0;
  const correct = (at: number) => Math.exp(-radial * r2Of(at));
  const expected = new Float64Array(trackCount).fill(Number.NaN);
  for (let pass = 0; pass < 2; pass++) {
    for (let k = 0; k < trackCount; k++) {
      const values = column(k, correct);
      if (values.length < Math.min(2, frames)) continue;
      // The upper quarter's middle: above ordinary scatter, below a lucky outlier.
      const best = values.length >= 4 ? quantile(values, 0.8) : quantile(values, 0.5);
      expected[k] = best > 0 ? best : Number.NaN;
    }
    if (pass === 1) break;
    const samples: (readonly [number, number])[] = [];
    for (let k = 0; k < trackCount; k++) {
      const places: number[] = [];
      for (let i = 0; i < frames; i++) {
        const at = i * trackCount + k;
        if (rate[at]! > 0.85 * expected[k]!) places.push(at);
      }
      if (places.length < 4) continue;
      // Differences within one star only: its brightness drops out.
      const meanR2 = mean(places.map(r2Of));
      const meanLog = mean(places.map((at) => Math.log(rate[at]!)));
      if (quantile(places.map(r2Of), 1) - quantile(places.map(r2Of), 0) < 0.03) continue;
      for (const at of places) {
        samples.push([r2Of(at) - meanR2, Math.log(rate[at]!) - meanLog]);
      }
    }
    radial = fitLinear(samples);
  }

  const zone = new Float64Array(frames * ZONES * ZONES).fill(Number.NaN);
  const frame = new Float64Array(frames).fill(Number.NaN);
  const zoneOf = (at: number): number => {
    const column = Math.min(ZONES - 1, Math.max(0, Math.floor((x[at]! / width) * ZONES)));
    const row = Math.min(ZONES - 1, Math.max(0, Math.floor((y[at]! / height) * ZONES)));
    return row * ZONES + column;
  };
  for (let i = 0; i < frames; i++) {
    const ratios: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
    const weights: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
    for (let k = 0; k < trackCount; k++) {
      const at = i * trackCount + k;
      if (!Number.isFinite(rate[at]!) || !Number.isFinite(expected[k]!)) continue;
      const place = zoneOf(at);
      ratios[place]!.push((rate[at]! * correct(at)) / expected[k]!);
      weights[place]!.push(expected[k]!);
    }
    let sum = 0;
    let total = 0;
    let n = 0;
    const loose: number[] = [];
    // A zone that is half land holds half the stars and half the sky: it has half a say.
    const typical = median(ratios.filter((zone) => zone.length > 0).map((zone) => zone.length));
    for (let z = 0; z < ZONES * ZONES; z++) {
      loose.push(...ratios[z]!);
      if (ratios[z]!.length < MIN_ZONE_STARS) continue;
      const value = Math.max(0, robustRatio(ratios[z]!, weights[z]!));
      zone[i * ZONES * ZONES + z] = value;
      const say = Math.min(1, ratios[z]!.length / (0.7 * typical));
      sum += say * value;
      total += say;
      n++;
    }
    if (n >= 3) frame[i] = sum / total;
    else if (loose.length >= MIN_ZONE_STARS) frame[i] = median(loose);
  }
  const fair = frame.filter((_, i) => options.sharp?.[i] !== false);
  const best = clearestLevel(fair.some(Number.isFinite) ? fair : frame);
  if (best > 0) {
    for (let i = 0; i < frame.length; i++) frame[i]! /= best;
    for (let i = 0; i < zone.length; i++) zone[i]! /= best;
  }
  return { frame, zone, expected };
}

/**
 * Level of a run's clearest frames, however few they are: the middle of all within 4 % of the best twelfth
 * (clear frames scatter by 1 to 2 %; a lucky frame must not make the others cloudy). NaN when nothing is known.
 */
function clearestLevel(frame: Float64Array): number {
  const sorted = [...frame].filter(Number.isFinite).sort((a, b) => b - a);
  const top = sorted[Math.max(sorted.length >= 5 ? 1 : 0, Math.floor(sorted.length / 12))] ?? Number.NaN;
  return median(sorted.filter((value) => value > 0.96 * top));
}

/** Slope of log flux against r^2 through the origin, held to what a lens can do. */
function fitLinear(samples: readonly (readonly [number, number])[]): number {
  if (samples.length < 100) return 0;
  let xx = 0;
  let xy = 0;
  for (const [u, v] of samples) {
    if (Math.abs(v) > 0.3) continue;
    xx += u * u;
    xy += u * v;
  }
  const slope = xx > 0 ? xy / xx : 0;
  return Math.min(0.2, Math.max(-2, slope));
}

/** Mean ratio weighted by brightness up to a cap (a bright star must not be the whole zone), outliers trimmed. */
function robustRatio(ratios: readonly number[], weights: readonly number[]): number {
  const cap = quantile(weights, 0.7);
  const middle = median(ratios);
  const spread = 1.4826 * median(ratios.map((value) => Math.abs(value - middle)));
  let sum = 0;
  let total = 0;
  for (let i = 0; i < ratios.length; i++) {
    if (ratios.length >= 5 && Math.abs(ratios[i]! - middle) > Math.max(4 * spread, 0.15)) continue;
    const weight = Math.min(weights[i]!, cap);
    sum += weight * ratios[i]!;
    total += weight;
  }
  return total > 0 ? sum / total : middle;
}
