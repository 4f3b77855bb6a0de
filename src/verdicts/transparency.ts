import { median } from '../core/index.js';
import { fitLightLoss, type LightLoss, undo } from './_light-loss.js';
import { type StarTrust, trustStars, zoneLight } from './_zone-light.js';
import type { RunPhotometry } from './types.js';

/** Zones along each side for transparency and cloud maps. */
export const ZONES = 5;

/** Transparency of every frame, whole and by zone. */
export interface RunTransparency {
  /** Mean over the sky's zones, one a frame; NaN when unknown. */
  readonly frame: Float64Array;
  /** f64[frames*25]; NaN where a zone has too few stars. */
  readonly zone: Float64Array;
  /** Over some of the stars alone, one a frame; absent unless asked for. NaN where a frame shows too few of them. */
  readonly part?: Float64Array;
  /** What a zone counts for in the mean of its frame, 0..1: one that is half land has half a say. f64[frames*25] */
  readonly say: Float64Array;
  /** Expected flux of each track in a clear frame, ADU/s; NaN for tracks that were no use. */
  readonly expected: Float64Array;
  /** Light that air and lens take from every frame, found from the run. */
  readonly loss: LightLoss;
}

/** Fewest stars in a zone to believe its transparency. */
const MIN_ZONE_STARS = 4;

/** Zones clearer than this share of the run's best tell what a star looks like in a clear sky. */
const CLEAR_ZONE = 0.9;

/**
 * Measures how much light of the run's own stars reached each frame, against the same stars' best.
 *
 * What the air mass and the lens's dark corners take is fitted from the run and undone first: a field that
 * rises gets brighter without any cloud going. The best of each star is its upper quarter over the run, then
 * its middle over the clear frames; a frame's transparency is the mean over zones, so that a cloud over a
 * corner full of stars does not outvote the rest.
 *
 * @param photometry fluxes at predicted places; NaN = not measurable
 * @param options size of the frame in px and exposure of each frame in s (NaN = unknown: taken as equal);
 *   `sharp`: false for frames with swollen stars: they do not say what clear means;
 *   `part`: 1 = one of the stars that `part` of the result is about, u8[trackCount]
 */
export function measureTransparency(
  photometry: RunPhotometry,
  options: {
    readonly width: number;
    readonly height: number;
    readonly exposures: ArrayLike<number>;
    readonly sharp?: readonly boolean[];
    readonly part?: Uint8Array;
  },
): RunTransparency {
  const { trackCount, flux, x, y } = photometry;
  const { width, height, exposures } = options;
  const frames = trackCount === 0 ? exposures.length : flux.length / trackCount;
  const halfDiagonal2 = (width * width + height * height) / 4;
  const r2 = new Float64Array(flux.length);
  const rate = new Float64Array(flux.length);
  for (let at = 0; at < flux.length; at++) {
    r2[at] = ((x[at]! - width / 2) ** 2 + (y[at]! - height / 2) ** 2) / halfDiagonal2;
    const exposure = exposures[Math.floor(at / trackCount)]!;
    rate[at] = flux[at]! / (exposure > 0 ? exposure : 1);
  }
  const loss = fitLightLoss(photometry, { rate, r2, frames, sharp: options.sharp });
  for (let at = 0; at < flux.length; at++) {
    rate[at]! *= undo(loss, photometry.airmass?.[at] ?? Number.NaN, r2[at]!);
  }
  const zoneOf = (at: number): number => {
    const column = Math.min(ZONES - 1, Math.max(0, Math.floor((x[at]! / width) * ZONES)));
    const row = Math.min(ZONES - 1, Math.max(0, Math.floor((y[at]! / height) * ZONES)));
    return row * ZONES + column;
  };
  const run = { rate, trackCount, frames, zoneOf };
  const first = trustStars(rate, trackCount, frames);
  const trust = refineStars(run, first, sumUp(run, first), options.sharp);
  const { frame, zone, say } = sumUp(run, trust);
  const fair = frame.filter((_, i) => options.sharp?.[i] !== false);
  const best = clearestLevel(fair.some(Number.isFinite) ? fair : frame);
  const part = options.part && sumUp(run, trust, options.part).frame;
  if (best > 0) {
    for (const values of [frame, zone, part ?? []])
      for (let i = 0; i < values.length; i++) values[i]! /= best;
  }
  return { frame, ...(part ? { part } : {}), zone, say, expected: trust.expected, loss };
}

interface RunLight {
  readonly rate: Float64Array;
  readonly trackCount: number;
  readonly frames: number;
  readonly zoneOf: (at: number) => number;
}

type Sum = Pick<RunTransparency, 'frame' | 'zone' | 'say'>;

/** Light of zones and frames against what the stars, or some of them, are expected to give. */
function sumUp({ rate, trackCount, frames, zoneOf }: RunLight, trust: StarTrust, only?: Uint8Array): Sum {
  const cells = ZONES * ZONES;
  const zone = new Float64Array(frames * cells).fill(Number.NaN);
  const say = new Float64Array(frames * cells);
  const frame = new Float64Array(frames).fill(Number.NaN);
  for (let i = 0; i < frames; i++) {
    const ratios: number[][] = Array.from({ length: cells }, () => []);
    const errors: number[][] = Array.from({ length: cells }, () => []);
    for (let k = 0; k < trackCount; k++) {
      if (only && only[k] !== 1) continue;
      const at = i * trackCount + k;
      const ratio = rate[at]! / trust.expected[k]!;
      if (!Number.isFinite(ratio)) continue;
      const place = zoneOf(at);
      ratios[place]!.push(ratio);
      errors[place]!.push(trust.error[k]!);
    }
    const typical = median(ratios.filter((stars) => stars.length > 0).map((stars) => stars.length));
    let n = 0;
    for (let z = 0; z < cells; z++) {
      if (ratios[z]!.length < MIN_ZONE_STARS) continue;
      zone[i * cells + z] = zoneLight(ratios[z]!, errors[z]!);
      say[i * cells + z] = Math.min(1, ratios[z]!.length / (0.7 * typical));
      n++;
    }
    const loose = ratios.flat();
    if (n >= 3) frame[i] = meanOfZones({ zone, say }, i);
    else if (loose.length >= MIN_ZONE_STARS) frame[i] = zoneLight(loose, errors.flat());
  }
  return { frame, zone, say };
}

/**
 * Mean transparency of a frame over its zones, or over some of them.
 *
 * @param only zone numbers, row by row; default all
 * @returns NaN when none of them is known
 */
export function meanOfZones(
  { zone, say }: Pick<RunTransparency, 'zone' | 'say'>,
  frame: number,
  only?: readonly number[],
): number {
  const cells = ZONES * ZONES;
  let sum = 0;
  let total = 0;
  for (let z = 0; z < cells; z++) {
    const value = zone[frame * cells + z]!;
    if (!Number.isFinite(value) || (only && !only.includes(z))) continue;
    sum += say[frame * cells + z]! * value;
    total += say[frame * cells + z]!;
  }
  return total > 0 ? sum / total : Number.NaN;
}

/**
 * Each star's middle over the clear zones of the run instead of its upper quarter: that lies the higher the
 * noisier a star is.
 */
function refineStars(
  { rate, trackCount, frames, zoneOf }: RunLight,
  first: StarTrust,
  { frame, zone }: Sum,
  sharp: readonly boolean[] | undefined,
): StarTrust {
  const best = clearestLevel(frame);
  const expected = first.expected.map((own, k) => {
    const values: number[] = [];
    for (let i = 0; i < frames; i++) {
      const at = i * trackCount + k;
      const clear = zone[i * ZONES * ZONES + zoneOf(at)]!;
      if (sharp?.[i] === false || !(clear > CLEAR_ZONE * best) || !Number.isFinite(rate[at]!)) continue;
      values.push(rate[at]! / clear);
    }
    const middle = values.length >= 3 ? median(values) : own;
    return middle > 0 ? middle : Number.NaN;
  });
  return { expected, error: first.error };
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
