import { median } from '../core/index.js';
import { placeWeight } from './_cost.js';
import { layOut } from './_layout.js';
import { invertSymmetric3, tangentBasis } from './_rotation.js';
import { makeSlopeWork, slopesAt } from './_slopes.js';
import {
  copyState,
  expectedCamera,
  type FramesInfo,
  type Observations,
  type Priors,
  type State,
} from './_state.js';

/** Frames below which nothing is said. */
const MIN_FRAMES = 3;
/** Median of the squared length of two normal deviates of variance 1. @source chi-square with 2 degrees: 2 ln 2 */
const MEDIAN_OF_TWO = 2 * Math.LN2;
/** The same for one: 0.6745^2. */
const MEDIAN_OF_ONE = 0.455;

export interface Unrest {
  /** px an axis */
  readonly tremble: number;
  /** rad */
  readonly clock: number;
  /** 1 for frames whose own stars say more than chance that the camera stood elsewhere. */
  readonly odd: Uint8Array;
}

/** Squared distance in sigmas from which on a frame stands elsewhere. @source chi-square, 3 degrees: one in a thousand */
const ODD = 16.3;

/**
 * How much the camera trembles from frame to frame across the pole, px an axis, and how far the clock is off,
 * rad, beyond what the noise of the stars' places makes of a still camera and a perfect clock: the next fit
 * then believes both as much as they deserve. Undefined for too few frames to tell.
 *
 * Each frame is asked alone how its own stars would turn it from where segment and sag expect it; its noise
 * is what the errors of those stars allow. Medians, so that a few shaken frames say nothing of the others.
 */
export function measureUnrest(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
  fitted: Uint8Array,
): Unrest | undefined {
  const { frames } = given;
  const focal = Math.exp(state.lens[0]!);
  const p = state.pole;
  const across: number[] = [];
  const acrossNoise: number[] = [];
  const along: number[] = [];
  const alongNoise: number[] = [];
  const asked: number[] = [];
  const { gradient, information } = ownTurns(state, given);
  const turns: { i: number; turn: number[]; noise: number[] }[] = [];
  for (let i = 0; i < frames.count; i++) {
    if (fitted[i] !== 1) continue;
    const noise = invertSymmetric3(information.subarray(9 * i, 9 * i + 9));
    if (!noise) continue;
    const g = gradient.subarray(3 * i, 3 * i + 3);
    const turn = [0, 1, 2].map(
      (r) => noise[3 * r]! * g[0]! + noise[3 * r + 1]! * g[1]! + noise[3 * r + 2]! * g[2]!,
    );
    turns.push({ i, turn, noise });
  }
  for (const { i, turn, noise } of turns) {
    // What a whole segment has in common is the reference's own noise, or the segment's place.
    const mates = turns.filter((other) => frames.segment[other.i] === frames.segment[i]);
    const own = turn.map((v, q) => v - median(mates.map((other) => other.turn[q]!)));
    const a = own[0]! * p[0] + own[1]! * p[1] + own[2]! * p[2];
    let noiseAlong = 0;
    for (let r = 0; r < 3; r++) for (let c = 0; c < 3; c++) noiseAlong += p[r]! * noise[3 * r + c]! * p[c]!;
    asked.push(i);
    along.push(a * a);
    alongNoise.push(noiseAlong);
    across.push(Math.max(0, own[0]! ** 2 + own[1]! ** 2 + own[2]! ** 2 - a * a));
    acrossNoise.push((noise[0]! + noise[4]! + noise[8]! - noiseAlong) / 2);
  }
  if (across.length < MIN_FRAMES) return undefined;
  const tremble2 = Math.max(0, median(across) / MEDIAN_OF_TWO - median(acrossNoise));
  const clock2 = Math.max(0, median(along) / MEDIAN_OF_ONE - median(alongNoise));
  const odd = new Uint8Array(frames.count);
  asked.forEach((i, k) => {
    const distance = across[k]! / (acrossNoise[k]! + tremble2) + along[k]! / (alongNoise[k]! + clock2);
    if (distance > ODD) odd[i] = 1;
  });
  return { tremble: focal * Math.sqrt(tremble2), clock: Math.sqrt(clock2), odd };
}

/**
 * Puts every camera that does not stand out where segment and sag expect it: the heavy-tailed prior would
 * otherwise leave it in a valley of its own, a little off, that its own noise has dug.
 */
export function settleCameras(state: State, frames: FramesInfo, odd: Uint8Array): void {
  for (let i = 0; i < frames.count; i++) {
    if (odd[i] === 1 || i === frames.reference) continue;
    state.camera.set(expectedCamera(state, frames.segment[i]!, frames.tau[i]!), 9 * i);
  }
}

/** Pull and information of each frame's own stars on a small turn of its camera from the expected one. */
function ownTurns(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
): { gradient: Float64Array; information: Float64Array } {
  const { observations, frames, priors } = given;
  const still = copyState(state);
  for (let i = 0; i < frames.count; i++) {
    still.camera.set(expectedCamera(state, frames.segment[i]!, frames.tau[i]!), 9 * i);
  }
  // No frame is the reference here: each one's camera is asked.
  const layout = layOut(priors, { ...frames, reference: -1 });
  const work = makeSlopeWork(still, frames, layout);
  const { slopes } = work;
  const gradient = new Float64Array(3 * frames.count);
  const information = new Float64Array(9 * frames.count);
  for (let t = 0; t < observations.trackCount; t++) {
    const star = [state.stars[3 * t]!, state.stars[3 * t + 1]!, state.stars[3 * t + 2]!] as const;
    const basis = tangentBasis(star);
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const i = observations.frame[k]!;
      if (!slopesAt(work, i, star, basis)) continue;
      const rx = observations.x[k]! - slopes.x;
      const ry = observations.y[k]! - slopes.y;
      const w = placeWeight(rx, ry, observations.sigma[k]!);
      for (let a = 0; a < 3; a++) {
        const gx = w * slopes.frameX[a]!;
        const gy = w * slopes.frameY[a]!;
        gradient[3 * i + a]! += gx * rx + gy * ry;
        for (let b = 0; b < 3; b++) {
          information[9 * i + 3 * a + b]! += gx * slopes.frameX[b]! + gy * slopes.frameY[b]!;
        }
      }
    }
  }
  return { gradient, information };
}
