import { degToRad, quantile, type StarTable } from '../core/index.js';
import { keyFrames, lensPriors, pickTracks, subsetFrames } from './_fit-run.js';
import { apply, type Vector } from './_rotation.js';
import { type Solution, solve } from './_solve.js';
import {
  copyState,
  type FramesInfo,
  type Observations,
  type Priors,
  type State,
  turnRotation,
} from './_state.js';
import { observe, type Track } from './_tracks.js';
import { wayUpCost } from './_zenith-belief.js';
import type { AlignOptions } from './types.js';

/**
 * Cost that refraction must save to be believed: it may even cost a little. There is always refraction, only
 * the way up is unknown; without it pole and lens bend to make up for it, which does more harm than a
 * likely way up that is somewhat off.
 */
export const MIN_GAIN = -6;
/** Air pressure and temperature change refraction by this much, 1-sigma. @source sites from sea level to 2500 m: 1010 to 750 hPa. */
export const STRENGTH_SIGMA = 0.12;
/** Directions over the sphere that are tried as the zenith beside those of a level camera. */
const NET = 48;
/** Places of stars looked at, about. */
const PLACES = 800;
/** Half the diagonal of the field, tangent of the angle, from which on a field counts as wide here (35 deg). */
const WIDE = 0.7;

/** True for fields so wide that refraction must be known before stars can be linked through the model. */
export function isWideField(state: State, options: AlignOptions): boolean {
  return Math.hypot(options.width, options.height) / 2 / Math.exp(state.lens[0]!) > WIDE;
}

/**
 * Looks for the zenith by which refraction explains the stars better, on a few frames and stars: every
 * direction that leaves the stars above the horizon is tried, the best are refined. Undefined when nothing
 * is gained.
 */
export function findRefraction(
  tables: readonly StarTable[],
  given: {
    readonly state: State;
    readonly frames: FramesInfo;
    readonly tracks: readonly Track[];
    readonly noise: number;
    readonly drift: number;
    readonly rich: boolean;
  },
  options: AlignOptions,
): number[] | undefined {
  const { state, frames, tracks, noise } = given;
  // The fewer stars, the more frames are needed to tell.
  const most = Math.max(8, Math.min(40, Math.round(PLACES / Math.max(1, tracks.length))));
  const keys = keyFrames(frames, most);
  const frameOf = new Int32Array(frames.count).fill(-1);
  keys.forEach((i, own) => {
    frameOf[i] = own;
  });
  const some = pickTracks(tables, tracks, { frameOf, most: 100, options });
  const { observations, kept } = observe(tables, some, { noise, frameOf, minFrames: 2 });
  if (observations.trackCount < 5) return undefined;
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
  const priors = { ...lensPriors(options, Math.exp(state.lens[0]!), given.rich), drift: given.drift };
  const held = { observations, frames: few, priors };
  const plain = solve({ ...base, refraction: [0, 0, 0, 0] }, held, { iterations: 8, precision: 1e-4 });
  const bent = (refraction: number) => ({ observations, frames: few, priors: { ...priors, refraction } });
  let trials: Solution[] = [];
  for (const zenith of possibleZeniths(plain.state, { observations, frames: few, up: priors.up, net: NET })) {
    const start = { ...copyState(plain.state), refraction: [...zenith, 1] };
    const trial = solve(start, held, { iterations: 2, precision: 1e-4 });
    trials.push({ ...trial, cost: trial.cost + wayUpCost(trial.state, priors) });
  }
  // The strength stays near its known value while the zenith settles: free, it fades at a wrong zenith.
  for (const [most, iterations, sigma] of [
    [8, 5, 0.01],
    [3, 8, 0.03],
    [2, 12, STRENGTH_SIGMA],
  ] as const) {
    trials = trials
      .sort((a, b) => a.cost - b.cost)
      .slice(0, most)
      .map((trial) => solve(trial.state, bent(sigma), { iterations, precision: 1e-4 }));
  }
  const best = trials.sort((a, b) => a.cost - b.cost)[0];
  return best && best.cost < plain.cost - MIN_GAIN ? best.state.refraction : undefined;
}

/**
 * The height at which a level camera most probably looks, over all heights by how well each explains the
 * stars, and its spread: with few stars many heights do nearly as well, and the best alone may be far off.
 * Undefined without refraction.
 */
export function weighAim(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
): Priors['aim'] | undefined {
  const [x, y, , strength] = state.refraction as [number, number, number, number];
  const level = Math.hypot(x, y);
  if (strength === 0 || level < 1e-3) return undefined;
  const seen = directionsSeen(state, given);
  const held = { ...given, priors: { ...given.priors, refraction: 0 } };
  const costs: { sine: number; cost: number }[] = [];
  for (let height = -16; height < 90; height += 6) {
    const h = degToRad(height);
    const zenith = [(x / level) * Math.cos(h), (y / level) * Math.cos(h), Math.sin(h)];
    if (!standsAbove(seen, zenith)) continue;
    const start = { ...copyState(state), refraction: [...zenith, 1] };
    const { state: found, cost } = solve(start, held, { iterations: 4, precision: 1e-4 });
    costs.push({ sine: Math.sin(h), cost: cost + wayUpCost(found, given.priors) });
  }
  if (costs.length === 0) return undefined;
  const least = Math.min(...costs.map(({ cost }) => cost));
  const weights = costs.map(({ cost }) => Math.exp((least - cost) / 2));
  const total = weights.reduce((sum, w) => sum + w, 0);
  const mean = costs.reduce((sum, { sine }, k) => sum + sine * weights[k]!, 0) / total;
  const square = costs.reduce((sum, { sine }, k) => sum + (sine - mean) ** 2 * weights[k]!, 0) / total;
  return { sine: mean, sigma: Math.max(0.03, 0.3 * Math.sqrt(square)) };
}

/**
 * Ways up worth a trial: level with each edge of the picture up in turn, densely for the edge that the header
 * names, and a coarse net over the sphere for a camera that stands askew; of these the ones from which all
 * but a few of the stars stand above the horizon.
 */
function possibleZeniths(
  state: State,
  given: {
    readonly observations: Observations;
    readonly frames: FramesInfo;
    readonly up: readonly [number, number];
    readonly net: number;
  },
): [number, number, number][] {
  const { up, net } = given;
  const seen = directionsSeen(state, given);
  const wanted: [number, number, number][] = [];
  for (const [x, y] of [up, [up[1], up[0]], [-up[1], -up[0]], [-up[0], -up[1]]] as const) {
    const step = x === up[0] && y === up[1] ? 4 : 12;
    for (let height = -16; height < 90; height += step) {
      const h = degToRad(height);
      wanted.push([x * Math.cos(h), y * Math.cos(h), Math.sin(h)]);
    }
  }
  for (let k = 0; k < net; k++) {
    // Points on a spiral: even steps in height, the golden angle in azimuth.
    const y = 1 - (2 * (k + 0.5)) / net;
    const r = Math.sqrt(1 - y * y);
    const a = k * Math.PI * (3 - Math.sqrt(5));
    wanted.push([r * Math.cos(a), y, r * Math.sin(a)]);
  }
  return wanted.filter((zenith) => standsAbove(seen, zenith));
}

/** Direction of each track at its first sight, turned with the sky. */
function directionsSeen(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo },
): Vector[] {
  const { observations, frames } = given;
  const seen: Vector[] = [];
  for (let t = 0; t < observations.trackCount; t++) {
    const k = observations.trackStart[t]!;
    const turn = turnRotation(state, frames.turn[observations.frame[k]!]!);
    seen.push(apply(turn, state.stars.subarray(3 * t, 3 * t + 3)));
  }
  return seen;
}

/** True when all but a few of the stars stand above the horizon of a zenith. */
function standsAbove(seen: readonly Vector[], zenith: ArrayLike<number>): boolean {
  const heights = seen.map((d) => d[0]! * zenith[0]! + d[1]! * zenith[1]! + d[2]! * zenith[2]!);
  const low = quantile(heights, 0.04);
  // sin(-2 deg): room for the coarse steps; near the zenith itself refraction tells nothing.
  return low > -0.04 && low < 0.9;
}
