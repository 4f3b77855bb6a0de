import { median, quantile } from '../core/index.js';
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

/**
 * Light lost for each air mass, mag, before the run itself has told it, and how far nights differ.
 * @source common practice: 0.12 at a high dry site to 0.25 by the sea, in green
 */
const EXTINCTION = 0.18;
const EXTINCTION_SPREAD = 0.05;

/**
 * Measures how much light of the run's own stars reached each frame, against the same stars' best.
 *
 * A star drifts toward or away from the lens's dark corners and climbs or sinks through the air, so a radial term
 * and the night's extinction are fitted from the stars that moved and taken out first. The best of each star is its upper quarter over the run; a frame's
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
    for (let at = i * trackCount; at < (i + 1) * trackCount; at++) rate[at] = flux[at]! / scale;
  }
  const airOf = (at: number): number => {
    const air = photometry.airmass?.[at] ?? Number.NaN;
    return Number.isFinite(air) ? air - 1 : 0;
  };
  // First by what nights are like, then by what the brighter half of each star's own samples say.
  let loss: PlaceLoss = { radial: 0, extinction: EXTINCTION };
  const correct = (at: number) => Math.exp(MAG_TO_LOG * loss.extinction * airOf(at) - loss.radial * r2Of(at));
  const expected = new Float64Array(trackCount).fill(Number.NaN);
  for (let pass = 0; pass < 2; pass++) {
    for (let k = 0; k < trackCount; k++) {
      const values: number[] = [];
      for (let at = k; at < rate.length; at += trackCount)
        if (Number.isFinite(rate[at]!)) values.push(rate[at]! * correct(at));
      if (values.length < Math.min(2, frames)) continue;
      // The upper quarter's middle: above ordinary scatter, below a lucky outlier.
      const best = values.length >= 4 ? quantile(values, 0.8) : quantile(values, 0.5);
      expected[k] = best > 0 ? best : Number.NaN;
    }
    if (pass === 0) {
      const clear = (at: number) => rate[at]! * correct(at) > 0.85 * expected[at % trackCount]!;
      loss = fitPlaceLoss(rate, { trackCount, clear, r2Of, airOf });
    }
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

/** Natural logarithm of light for a magnitude. @source Pogson's scale: 10^0.4 a magnitude */
const MAG_TO_LOG = 0.4 * Math.LN10;

/** How light falls with the place in a fixed frame: exp(radial r^2 - extinction (X - 1)), X the air mass. */
interface PlaceLoss {
  readonly radial: number;
  /** mag for an air mass. */
  readonly extinction: number;
}

/**
 * Fits falloff and extinction from stars that moved through the frame. A star's own brightness and a frame's own
 * clearness drop out, since only differences between stars within frames count: a cloud that thins over the
 * run is no air mass, and a star that climbs no cloud. Extinction is held near what nights are like by a prior.
 */
function fitPlaceLoss(
  rate: Float64Array,
  by: {
    readonly trackCount: number;
    readonly clear: (at: number) => boolean;
    readonly r2Of: (at: number) => number;
    readonly airOf: (at: number) => number;
  },
): PlaceLoss {
  const { trackCount } = by;
  const starts: number[] = [];
  const samples: { star: number; frame: number; values: [number, number, number] }[] = [];
  for (let k = 0; k < trackCount; k++) {
    starts.push(samples.length);
    for (let at = k; at < rate.length; at += trackCount) {
      if (!by.clear(at)) continue;
      const values: [number, number, number] = [Math.log(rate[at]!), by.r2Of(at), by.airOf(at)];
      samples.push({ star: k, frame: Math.floor(at / trackCount), values });
    }
    if (samples.length - starts.at(-1)! < 4) samples.length = starts.at(-1)!;
  }
  if (samples.length < 100) return { radial: 0, extinction: EXTINCTION };
  takeOut(samples, Math.ceil(rate.length / trackCount), trackCount);
  const sound = samples.filter(({ values }) => Math.abs(values[0]) < 0.3);
  const sum = (a: 0 | 1 | 2, b: 0 | 1 | 2) =>
    sound.reduce((total, { values }) => total + values[a] * values[b], 0);
  const scatter = Math.max(1e-4, sum(0, 0) / Math.max(1, sound.length));
  // The prior as one more sample: extinction = EXTINCTION with its spread, in units of the scatter.
  const held = scatter / (MAG_TO_LOG * EXTINCTION_SPREAD) ** 2;
  const [rr, rx, xx] = [sum(1, 1), sum(1, 2), sum(2, 2) + held];
  const [ry, xy] = [sum(0, 1), sum(0, 2) - held * MAG_TO_LOG * EXTINCTION];
  const determinant = rr * xx - rx * rx;
  // Stars that kept their distance from the middle say nothing of falloff.
  const tells = rr / sound.length > 1e-4 && determinant > 1e-9 * rr * xx;
  const radial = tells ? Math.min(0.2, Math.max(-2, (ry * xx - xy * rx) / determinant)) : 0;
  const extinction = -(xy - radial * rx) / xx / MAG_TO_LOG;
  return { radial, extinction: Math.min(0.6, Math.max(0.05, extinction)) };
}

/** Takes the mean of each star and of each frame out of every column, in place, by turns until both are out. */
function takeOut(
  samples: readonly {
    readonly star: number;
    readonly frame: number;
    readonly values: [number, number, number];
  }[],
  frames: number,
  stars: number,
): void {
  for (let turn = 0; turn < 6; turn++) {
    for (const [key, size] of [
      ['star', stars],
      ['frame', frames],
    ] as const) {
      const sums = new Float64Array(3 * size);
      const counts = new Float64Array(size);
      for (const sample of samples) {
        counts[sample[key]]!++;
        for (let c = 0; c < 3; c++) sums[3 * sample[key] + c]! += sample.values[c]!;
      }
      for (const sample of samples)
        for (let c = 0; c < 3; c++) sample.values[c]! -= sums[3 * sample[key] + c]! / counts[sample[key]]!;
    }
  }
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
