import { lensValues } from './_lens-derivatives.js';
import { apply, applyTransposed, multiply, normalize, rotationLog, transpose } from './_rotation.js';
import type { FramesInfo, Observations, State } from './_state.js';
import { turnRotation } from './_state.js';
import { fitRotationRobust } from './fit-rotation.js';
import { unprojectPixel } from './geometry.js';
import type { LensModel } from './types.js';

/** Directions shown at all observed places by a lens; NaN where the lens shows none. */
export function directionsOf(lens: LensModel, observations: Observations): Float64Array {
  const out = new Float64Array(3 * observations.count);
  for (let k = 0; k < observations.count; k++) {
    out.set(unprojectPixel(lens, observations.x[k]!, observations.y[k]!), 3 * k);
  }
  return out;
}

/** Observations of each frame, in track order. */
function byFrame(observations: Observations, frameCount: number): number[][] {
  const lists: number[][] = Array.from({ length: frameCount }, () => []);
  for (let k = 0; k < observations.count; k++) lists[observations.frame[k]!]!.push(k);
  return lists;
}

/** Track of each observation. */
function tracksOf(observations: Observations): Int32Array {
  const out = new Int32Array(observations.count);
  for (let t = 0; t < observations.trackCount; t++) {
    out.fill(t, observations.trackStart[t]!, observations.trackStart[t + 1]!);
  }
  return out;
}

/** Rotation of the sky between frames i and j with a lens, from the tracks in both; undefined with fewer than three. */
export function pairRotation(
  pair: { readonly from: ArrayLike<number>; readonly to: ArrayLike<number> },
  softness: number,
): number[] | undefined {
  const n = pair.from.length / 3;
  if (n < 3) return undefined;
  return fitRotationRobust(Float64Array.from(pair.from), Float64Array.from(pair.to), { softness });
}

/**
 * Rotations of all frames against the reference with a given lens: outward from the reference, each frame
 * against the stars known so far, each frame adding its own new stars.
 */
export function initialState(
  lens: LensModel,
  given: { readonly observations: Observations; readonly frames: FramesInfo },
  knownPole?: readonly [number, number, number],
): State | undefined {
  const { observations, frames } = given;
  const seen = directionsOf(lens, observations);
  const lists = byFrame(observations, frames.count);
  const trackOf = tracksOf(observations);
  const stars = new Float64Array(3 * observations.trackCount).fill(Number.NaN);
  const rotations: (number[] | undefined)[] = new Array(frames.count).fill(undefined);
  const adopt = (i: number, rotation: number[]) => {
    rotations[i] = rotation;
    for (const k of lists[i]!) {
      const t = trackOf[k]!;
      if (Number.isNaN(stars[3 * t]!) && !Number.isNaN(seen[3 * k]!)) {
        stars.set(applyTransposed(rotation, seen.subarray(3 * k, 3 * k + 3)), 3 * t);
      }
    }
  };
  adopt(frames.reference, [1, 0, 0, 0, 1, 0, 0, 0, 1]);
  const order = Array.from({ length: frames.count }, (_, i) => i)
    .filter((i) => i !== frames.reference)
    .sort((a, b) => Math.abs(a - frames.reference) - Math.abs(b - frames.reference) || a - b);
  let pending = order;
  while (pending.length > 0) {
    const waiting: number[] = [];
    for (const i of pending) {
      const known = lists[i]!.filter(
        (k) => !Number.isNaN(stars[3 * trackOf[k]!]!) && !Number.isNaN(seen[3 * k]!),
      );
      const rotation = pairRotation(
        {
          from: known.flatMap((k) => Array.from(stars.subarray(3 * trackOf[k]!, 3 * trackOf[k]! + 3))),
          to: known.flatMap((k) => Array.from(seen.subarray(3 * k, 3 * k + 3))),
        },
        3 / lens.focalLengthPx,
      );
      if (rotation) adopt(i, rotation);
      else waiting.push(i);
    }
    if (waiting.length === pending.length) return undefined;
    pending = waiting;
  }
  for (let t = 0; t < observations.trackCount; t++) if (Number.isNaN(stars[3 * t]!)) return undefined;
  const pole: [number, number, number] = knownPole ? [...knownPole] : poleOf(rotations as number[][], frames);
  const state: State = {
    projection: lens.projection,
    lens: lensValues(lens),
    pole,
    refraction: [0, 0, 0, 0],
    sag: [0, 0, 0],
    segments: Float64Array.from({ length: 9 * frames.segmentCount }, (_, k) => ((k % 9) % 4 === 0 ? 1 : 0)),
    camera: new Float64Array(9 * frames.count),
    scale: new Float64Array(frames.count).fill(1),
    stars,
  };
  for (let i = 0; i < frames.count; i++) {
    const turn = turnRotation(state, frames.turn[i]!);
    state.camera.set(
      i === frames.reference ? [1, 0, 0, 0, 1, 0, 0, 0, 1] : multiply(rotations[i]!, transpose(turn)),
      9 * i,
    );
  }
  return state;
}

/** Axis of the turn: rotation vectors of neighbouring frames, by time, each no heavier than its length. */
export function poleOf(
  rotations: readonly (readonly number[])[],
  frames: FramesInfo,
): [number, number, number] {
  const sum: [number, number, number] = [0, 0, 0];
  const stride = Math.max(1, Math.floor(frames.count / 4));
  for (let i = 0; i + stride < frames.count; i++) {
    const j = i + stride;
    const v = rotationLog(multiply(rotations[j]!, transpose(rotations[i]!)));
    const turn = frames.turn[j]! - frames.turn[i]!;
    const sign = turn < 0 ? -1 : 1;
    for (let q = 0; q < 3; q++) sum[q]! += sign * v[q]!;
  }
  const length = Math.hypot(...sum);
  return length > 1e-12 ? normalize(sum) : [0, 0, 1];
}

/**
 * One-dimensional search of the focal length, px: for each trial the rotations between spread pairs of
 * frames, held against the clock, and how well rotations carry the stars at all. Best first.
 * @source FINDINGS lesson 3
 */
export function searchFocalLength(
  lens: LensModel,
  given: { readonly observations: Observations; readonly frames: FramesInfo },
  prior: { readonly logFocal: number; readonly sigma: number },
): { focalLengthPx: number; cost: number }[] {
  const { observations, frames } = given;
  const lists = byFrame(observations, frames.count);
  const trackOf = tracksOf(observations);
  const pairs = spreadPairs(frames.count);
  const common = pairs.map(([i, j]) => {
    const at = new Map(lists[i]!.map((k) => [trackOf[k]!, k]));
    const both: [number, number][] = [];
    for (const k of lists[j]!) {
      const first = at.get(trackOf[k]!);
      if (first !== undefined) both.push([first, k]);
    }
    return { i, j, both };
  });
  const trials: { focalLengthPx: number; cost: number }[] = [];
  const low = Math.log(0.12 * Math.hypot(lens.centerX, lens.centerY) * 2);
  const high = Math.log(12 * Math.hypot(lens.centerX, lens.centerY) * 2);
  const steps = 48;
  for (let s = 0; s <= steps; s++) {
    const logFocal = low + ((high - low) * s) / steps;
    trials.push({
      focalLengthPx: Math.exp(logFocal),
      cost: focalCost(
        { ...lens, focalLengthPx: Math.exp(logFocal) },
        { observations, frames, common },
        prior,
      ),
    });
  }
  return trials.sort((a, b) => a.cost - b.cost || a.focalLengthPx - b.focalLengthPx);
}

function focalCost(
  lens: LensModel,
  given: {
    readonly observations: Observations;
    readonly frames: FramesInfo;
    readonly common: readonly { i: number; j: number; both: [number, number][] }[];
  },
  prior: { readonly logFocal: number; readonly sigma: number },
): number {
  const { observations, frames, common } = given;
  const focal = lens.focalLengthPx;
  let cost = ((Math.log(focal) - prior.logFocal) / prior.sigma) ** 2;
  for (const { i, j, both } of common) {
    if (both.length < 3) continue;
    const from: number[] = [];
    const to: number[] = [];
    let moved = 0;
    for (const [a, b] of both) {
      from.push(...unprojectPixel(lens, observations.x[a]!, observations.y[a]!));
      to.push(...unprojectPixel(lens, observations.x[b]!, observations.y[b]!));
      moved +=
        Math.hypot(observations.x[a]! - observations.x[b]!, observations.y[a]! - observations.y[b]!) /
        both.length;
    }
    // The lens's bending is not modelled here: allow for a part of the motion.
    const tolerance = 0.3 + 0.02 * moved;
    const rotation = pairRotation({ from, to }, tolerance / focal);
    if (!rotation) continue;
    let misfit = 0;
    for (let k = 0; k < both.length; k++) {
      const turned = apply(rotation, from.slice(3 * k, 3 * k + 3));
      const r =
        focal * Math.hypot(turned[0] - to[3 * k]!, turned[1] - to[3 * k + 1]!, turned[2] - to[3 * k + 2]!);
      misfit += Math.log1p((r / tolerance) ** 2);
    }
    cost += (misfit * Math.min(both.length, 40)) / both.length / common.length;
    const angle = Math.hypot(...rotationLog(rotation));
    const clock = Math.abs(frames.turn[j]! - frames.turn[i]!);
    const off = Math.hypot(frames.turnSigma[i]!, frames.turnSigma[j]!);
    if (Number.isFinite(off)) {
      const s = 0.3 + 0.01 * moved + off * focal;
      cost += (20 * Math.log1p(((angle - clock) * focal) ** 2 / (s * s))) / common.length;
    }
  }
  return cost;
}

function spreadPairs(count: number): [number, number][] {
  const pairs: [number, number][] = [];
  const stride = Math.max(1, Math.floor(count / 3));
  const step = Math.max(1, Math.floor(count / 8));
  for (let i = 0; i + stride < count; i += step) pairs.push([i, i + stride]);
  if (count > 2) pairs.push([0, count - 1]);
  return pairs;
}
