import { invert3, median, quantile } from '../core/index.js';
import type { RunPhotometry } from './types.js';

/** Light lost for each air mass, mag, and how much nights differ. @source common practice, 0.15 to 0.25 in green */
export const EXTINCTION = { usual: 0.2, spread: 0.05, least: 0.08, most: 0.45 } as const;

/** What takes light from stars whatever the weather. */
export interface LightLoss {
  /** mag for each air mass; NaN when the air mass is unknown. */
  readonly extinction: number;
  /** Slopes of log light against the square and the fourth power of the distance from the centre, half diagonal = 1. */
  readonly radial: number;
  readonly radial4: number;
}

/** Light of a run as the fit takes it. */
interface RunSamples {
  /** Light a second, f64[frames*tracks]. */
  readonly rate: Float64Array;
  /** Square of the distance from the centre, half diagonal = 1. */
  readonly r2: Float64Array;
  readonly frames: number;
  /** False for frames with swollen stars. */
  readonly sharp?: readonly boolean[] | undefined;
}

/** Slopes to log light: magnitudes to natural logarithms. */
const PER_MAG = 0.4 * Math.LN10;

/** Factor that undoes the loss of one sample. */
export function undo(loss: LightLoss, airmass: number, r2: number): number {
  const air = Number.isFinite(airmass) && Number.isFinite(loss.extinction) ? airmass - 1 : 0;
  return Math.exp(
    PER_MAG * (air === 0 ? 0 : loss.extinction * air) - loss.radial * r2 - loss.radial4 * r2 * r2,
  );
}

/**
 * Fits extinction and the lens's falloff from the run itself. Only how stars of one frame change against each
 * other counts: a star's own brightness and the clearness of a whole frame drop out, so cloud that comes or
 * goes is no extinction. What the run does not tell is held by what nights and lenses usually do.
 */
export function fitLightLoss(photometry: RunPhotometry, given: RunSamples): LightLoss {
  const { trackCount, airmass } = photometry;
  const usual: LightLoss = { extinction: airmass ? EXTINCTION.usual : Number.NaN, radial: 0, radial4: 0 };
  let loss = usual;
  const stars = brightest(given, trackCount);
  // What counts as a star at its best depends on the loss that was undone: three rounds settle it.
  for (let round = 0; round < 3; round++) {
    const at = clearSamples(photometry, given, loss, stars);
    if (at.length < 100) return usual;
    const columns = {
      light: Float64Array.from(at, (place) => Math.log(given.rate[place]!)),
      slopes: [
        Float64Array.from(at, (place) => given.r2[place]!),
        Float64Array.from(at, (place) => given.r2[place]! ** 2),
        Float64Array.from(at, (place) => (airmass ? PER_MAG * (1 - airmass[place]!) : 0)),
      ],
    };
    const groups = [
      groupsBy(at, given.frames, (place) => Math.floor(place / trackCount)),
      groupsBy(at, trackCount, (place) => place % trackCount),
    ];
    for (const column of [columns.light, ...columns.slopes]) demean(column, groups);
    let keep = new Uint8Array(at.length).fill(1);
    for (let pass = 0; pass < 2; pass++) {
      const found = solve(columns, keep);
      const rest = columns.light.map((value, s) =>
        found.reduce((left, slope, c) => left - slope * columns.slopes[c]![s]!, value),
      );
      const far = 4 * 1.4826 * median(rest.map(Math.abs));
      keep = Uint8Array.from(rest, (value) => (Math.abs(value) <= far ? 1 : 0));
      loss = {
        radial: found[0],
        radial4: found[1],
        extinction: airmass ? Math.min(EXTINCTION.most, Math.max(EXTINCTION.least, found[2])) : Number.NaN,
      };
    }
  }
  return loss;
}

/** Stars that the slopes are fitted to: more would tell them no better than the lens and the air hold to them. */
const MAX_STARS = 200;

/** The brightest stars of the run by their middle light, those seen in few frames left out. */
function brightest({ rate, frames }: RunSamples, trackCount: number): number[] {
  const light = Array.from({ length: trackCount }, (_, k) => {
    let sum = 0;
    let seen = 0;
    for (let i = 0; i < frames; i++) {
      const value = rate[i * trackCount + k]!;
      if (!Number.isFinite(value)) continue;
      sum += value;
      seen++;
    }
    return { k, seen, mean: seen > 0 ? sum / seen : 0 };
  });
  return light
    .filter(({ seen }) => seen >= 4)
    .sort((a, b) => b.mean - a.mean)
    .slice(0, MAX_STARS)
    .map(({ k }) => k);
}

/**
 * Samples of stars at their best: cloud that hangs over a part of the field has no say. Stars that scatter so
 * much that the bound cuts into their noise are left out.
 */
function clearSamples(
  { trackCount, airmass }: RunPhotometry,
  given: RunSamples,
  loss: LightLoss,
  stars: readonly number[],
): Int32Array {
  const found: number[] = [];
  for (const k of stars) {
    const places: number[] = [];
    const values: number[] = [];
    for (let i = 0; i < given.frames; i++) {
      if (given.sharp?.[i] === false) continue;
      const at = i * trackCount + k;
      const value = given.rate[at]! * undo(loss, airmass?.[at] ?? Number.NaN, given.r2[at]!);
      if (!(value > 0) || (airmass && !Number.isFinite(airmass[at]!))) continue;
      places.push(at);
      values.push(value);
    }
    if (places.length < 4) continue;
    const best = quantile(values, 0.8);
    const steps = values.slice(1).map((value, n) => Math.abs(value - values[n]!));
    if (median(steps) > 0.06 * best) continue;
    places.forEach((at, n) => {
      if (values[n]! > 0.85 * best) found.push(at);
    });
  }
  return Int32Array.from(found);
}

/** Takes the mean of each star and of each frame out of a column, one after the other until both are gone. */
function demean(column: Float64Array, groups: readonly SampleGroups[]): void {
  for (let round = 0; round < 6; round++) {
    for (const { of, count } of groups) {
      const sum = new Float64Array(count.length);
      for (let s = 0; s < column.length; s++) sum[of[s]!]! += column[s]!;
      for (let g = 0; g < sum.length; g++) sum[g]! /= count[g]!;
      for (let s = 0; s < column.length; s++) column[s]! -= sum[of[s]!]!;
    }
  }
}

/** Which star, or which frame, each sample belongs to, and how many share it. */
interface SampleGroups {
  readonly of: Int32Array;
  readonly count: Float64Array;
}

function groupsBy(at: Int32Array, size: number, groupOf: (place: number) => number): SampleGroups {
  const of = at.map(groupOf);
  const count = new Float64Array(size);
  for (const group of of) count[group]!++;
  return { of, count };
}

/** What is believed of the three slopes before the run is looked at: falloff r^2 and r^4, extinction. */
const BELIEF = [{ usual: 0.3, spread: 0.7 }, { usual: 0, spread: 0.5 }, EXTINCTION] as const;

/** Least squares for the three slopes, each held to what is usual. */
function solve(
  { light, slopes }: { readonly light: Float64Array; readonly slopes: readonly Float64Array[] },
  keep: Uint8Array,
): [number, number, number] {
  const matrix = new Float64Array(9);
  const right = new Float64Array(3);
  let squares = 0;
  let n = 0;
  for (let s = 0; s < light.length; s++) {
    if (keep[s] === 0) continue;
    squares += light[s]! ** 2;
    n++;
    for (let r = 0; r < 3; r++) {
      right[r]! += slopes[r]![s]! * light[s]!;
      for (let c = 0; c < 3; c++) matrix[3 * r + c]! += slopes[r]![s]! * slopes[c]![s]!;
    }
  }
  // Neighbouring stars err alike (cloud, flat field): a sample counts as a quarter of one.
  const variance = 4 * Math.max(0.01 ** 2, squares / Math.max(1, n));
  BELIEF.forEach(({ usual, spread }, r) => {
    // Light falls outward: the slope of log light is negative.
    const center = r === 2 ? usual : -usual;
    matrix[4 * r]! += variance / spread ** 2;
    right[r]! += (variance * center) / spread ** 2;
  });
  const inverse = invert3(Array.from(matrix))!;
  const row = (r: number) => [0, 1, 2].reduce((sum, c) => sum + inverse[3 * r + c]! * right[c]!, 0);
  return [row(0), row(1), row(2)];
}
