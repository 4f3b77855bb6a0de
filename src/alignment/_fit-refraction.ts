import { degToRad, type StarTable } from '../core/index.js';
import { keyFrames, lensPriors, pickTracks, subsetFrames } from './_fit-run.js';
import { type Solution, solve } from './_solve.js';
import { copyState, type FramesInfo, type State } from './_state.js';
import { observe, type Track } from './_tracks.js';
import type { AlignOptions } from './types.js';

/** Cost that refraction must save to be believed: three unknowns, well above what chance saves. */
const MIN_GAIN = 25;

/**
 * Looks for the zenith by which refraction explains the stars better, on a few frames and stars: up is
 * tried at each side of the picture and at several heights. Undefined when nothing is gained.
 */
export function findRefraction(
  tables: readonly StarTable[],
  given: {
    readonly state: State;
    readonly frames: FramesInfo;
    readonly tracks: readonly Track[];
    readonly noise: number;
    readonly drift: number;
  },
  options: AlignOptions,
): number[] | undefined {
  const { state, frames, tracks, noise } = given;
  const keys = keyFrames(frames, 10);
  const frameOf = new Int32Array(frames.count).fill(-1);
  keys.forEach((i, own) => {
    frameOf[i] = own;
  });
  const some = pickTracks(tables, tracks, { frameOf, most: 160, options });
  const { observations, kept } = observe(tables, some, { noise, frameOf, minFrames: 2 });
  if (observations.trackCount < 20) return undefined;
  const few = subsetFrames(frames, keys);
  const base = copyState(state);
  base.camera = new Float64Array(9 * keys.length);
  base.scale = new Float64Array(keys.length);
  keys.forEach((i, own) => {
    base.camera.set(state.camera.subarray(9 * i, 9 * i + 9), 9 * own);
    base.scale[own] = state.scale[i]!;
  });
  const trackAt = new Map(tracks.map((track, t) => [track, t]));
  base.stars = new Float64Array(3 * observations.trackCount);
  kept.forEach((s, own) => {
    const t = trackAt.get(some[s]!)!;
    base.stars.set(state.stars.subarray(3 * t, 3 * t + 3), 3 * own);
  });
  const priors = { ...lensPriors(options, Math.exp(state.lens[0]!), true), drift: given.drift };
  const plain = solve(base, { observations, frames: few, priors }, { iterations: 8, precision: 1e-4 });
  const bent = { observations, frames: few, priors: { ...priors, refraction: true } };
  const trials: Solution[] = [];
  for (const height of [12, 35, 60]) {
    for (const side of [-90, 0, 90, 180]) {
      const h = degToRad(height);
      const s = degToRad(side);
      const zenith = [Math.sin(s) * Math.cos(h), -Math.cos(s) * Math.cos(h), Math.sin(h)];
      const start = { ...copyState(plain.state), refraction: [...zenith, 1] };
      trials.push(solve(start, bent, { iterations: 2, precision: 1e-4 }));
    }
  }
  trials.sort((a, b) => a.cost - b.cost);
  let best: Solution | undefined;
  for (const trial of trials.slice(0, 2)) {
    const settled = solve(trial.state, bent, { iterations: 10, precision: 1e-4 });
    if (!best || settled.cost < best.cost) best = settled;
  }
  return best && best.cost < plain.cost - MIN_GAIN ? best.state.refraction : undefined;
}
