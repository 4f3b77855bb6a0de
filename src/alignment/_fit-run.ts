import { median, type StarTable } from '../core/index.js';
import { costOf } from './_cost.js';
import { initialState, searchFocalLength } from './_initial.js';
import { LENS_VALUES } from './_lens-derivatives.js';
import { type Solution, solve } from './_solve.js';
import type { FramesInfo, Observations, Priors, State } from './_state.js';
import { observe, type Track } from './_tracks.js';
import { USUAL_AIM, upOf } from './_zenith-belief.js';
import type { AlignOptions, LensModel } from './types.js';

/** What is believed of the lens before any star: the remembered one, else the header, else any lens. */
export function lensBelief(options: AlignOptions): {
  lens: LensModel;
  /** Spread of ln F for the search over all focal lengths. */
  sigma: number;
  /** Scale of the heavy-tailed belief in ln F for the fit. */
  scale: number;
  known: boolean;
} {
  const { width, height, lensPrior, focalLengthPx } = options;
  const plain: LensModel = {
    projection: 'rectilinear',
    focalLengthPx: focalLengthPx ?? 1.1 * Math.hypot(width, height) * 0.83,
    centerX: (width - 1) / 2,
    centerY: (height - 1) / 2,
    k1: 0,
    k2: 0,
  };
  if (lensPrior && lensPrior.focalLengthPx > 0) {
    return { lens: lensPrior, sigma: 0.03, scale: 0.01, known: true };
  }
  if (focalLengthPx !== undefined && focalLengthPx > 0) {
    return { lens: plain, sigma: 0.35, scale: 0.04, known: false };
  }
  return { lens: plain, sigma: 1, scale: 0.7, known: false };
}

/**
 * Beliefs about the lens for the solver, in terms of what each term does at the corner of the frame: a
 * radial term may bend the corner by several per cent, decentring and unequal axes by a part in a thousand.
 */
export function lensPriors(options: AlignOptions, focalLengthPx: number, rich: boolean): Priors {
  const { width, height } = options;
  const belief = lensBelief(options);
  const corner = Math.hypot(width, height) / 2 / focalLengthPx;
  const c2 = corner * corner;
  const lens = new Float64Array(LENS_VALUES);
  const sigma = new Float64Array(LENS_VALUES);
  lens[0] = Math.log(belief.lens.focalLengthPx);
  lens[1] = belief.lens.centerX;
  lens[2] = belief.lens.centerY;
  lens[3] = belief.lens.k1;
  lens[4] = belief.lens.k2;
  lens[5] = belief.lens.k3 ?? 0;
  lens[6] = belief.lens.p1 ?? 0;
  lens[7] = belief.lens.p2 ?? 0;
  lens[10] = belief.lens.k4 ?? 0;
  const tight = belief.known ? 0.2 : 1;
  sigma[0] = belief.scale;
  sigma[1] = 0.003 * width * tight;
  sigma[2] = 0.003 * width * tight;
  sigma[3] = (0.04 * tight) / c2;
  sigma[4] = (0.03 * tight) / (c2 * c2);
  if (rich) {
    sigma[5] = (0.012 * tight) / (c2 * c2 * c2);
    sigma[10] = (0.006 * tight) / (c2 * c2 * c2 * c2);
    sigma[6] = (0.0007 * tight) / corner;
    sigma[7] = (0.0007 * tight) / corner;
  }
  return {
    lens,
    lensSigma: sigma,
    refraction: 0,
    up: upOf(options.orientation),
    aim: USUAL_AIM,
    latitude: options.latitude,
    sag: 0,
    drift: 0.15,
    scale: 0,
  };
}

/**
 * Finds lens, pole and cameras for the frames of a chain from their tracks: the focal length first by a
 * search, then the least cost from a few starts on a few frames with a few stars, then on all of them. The
 * other projections are tried when the believed one explains the stars badly or only by bending a lot.
 */
export function fitRun(
  tables: readonly StarTable[],
  tracks: readonly Track[],
  given: { readonly frames: FramesInfo; readonly options: AlignOptions; readonly minFrames: number },
): State | undefined {
  const { frames, options, minFrames } = given;
  // A dozen frames spread over the run, the reference among them.
  const keys = keyFrames(frames, 12);
  const frameOf = new Int32Array(frames.count).fill(-1);
  keys.forEach((i, own) => {
    frameOf[i] = own;
  });
  const some = pickTracks(tables, tracks, { frameOf, most: 140, options });
  const { observations } = observe(tables, some, { noise: 1, frameOf, minFrames: Math.min(minFrames, 2) });
  if (observations.trackCount < 3) return undefined;
  const held = { observations, frames: subsetFrames(frames, keys), options };
  const { projection } = lensBelief(options).lens;
  let best = fitProjection(projection, held);
  if (!best || isStrange(best, held)) {
    const others = PROJECTIONS.filter((other) => other !== projection).flatMap(
      (other) => fitProjection(other, held) ?? [],
    );
    const other = others.sort((a, b) => a.cost - b.cost)[0];
    // Both with the richer lens: a fisheye must not win by standing in for higher terms.
    if (other && (!best || richCost(other, held) < richCost(best, held) - PROJECTION_GAIN)) best = other;
  }
  return best && spreadState(tables, tracks, { frames, seed: best.state, keys });
}

const PROJECTIONS = ['rectilinear', 'equisolid', 'equidistant', 'stereographic'] as const;
/** Cost that another projection must save. */
const PROJECTION_GAIN = 10;
/** Bend of the corner from which on the projection itself is in doubt. @source common practice: rectilinear lenses stay below 10 % */
const STRANGE_BEND = 0.12;
/** Size of the residuals over the expected one, likewise. */
const STRANGE_RATIO = 1.3;

interface Few {
  readonly observations: Observations;
  readonly frames: FramesInfo;
  readonly options: AlignOptions;
}

function fitProjection(projection: LensModel['projection'], held: Few): Solution | undefined {
  const { observations, frames } = held;
  const options = optionsFor(projection, held.options);
  const belief = lensBelief(options);
  const lens = { ...belief.lens, projection };
  const trials = searchFocalLength(
    lens,
    { observations, frames },
    { logFocal: Math.log(lens.focalLengthPx), sigma: belief.sigma },
  );
  const starts: number[] = [];
  for (const { focalLengthPx } of trials) {
    if (starts.every((f) => Math.abs(Math.log(f / focalLengthPx)) > 0.25)) starts.push(focalLengthPx);
    if (starts.length === 3) break;
  }
  let best: Solution | undefined;
  for (const focalLengthPx of starts) {
    const state = initialState({ ...lens, focalLengthPx }, { observations, frames });
    if (!state) continue;
    let current: State = state;
    let solution: Solution | undefined;
    // The camera's small motions are allowed generously at first: a wrong lens shows up as such motion.
    for (const drift of [20, 2, 0.3]) {
      const priors = { ...lensPriors(options, Math.exp(current.lens[0]!), false), drift };
      solution = solve(current, { observations, frames, priors }, { iterations: 12, precision: 1e-3 });
      current = solution.state;
    }
    if (solution && Number.isFinite(solution.cost) && (!best || solution.cost < best.cost)) best = solution;
  }
  return best;
}

function richCost({ state }: Solution, held: Few): number {
  const options = optionsFor(state.projection, held.options);
  const priors = { ...lensPriors(options, Math.exp(state.lens[0]!), true), drift: 0.3 };
  return solve(state, { ...held, priors }, { iterations: 15, precision: 1e-4 }).cost;
}

/** A remembered lens says nothing of a lens of another projection. */
export function optionsFor(projection: LensModel['projection'], options: AlignOptions): AlignOptions {
  if (!options.lensPrior || options.lensPrior.projection === projection) return options;
  const { lensPrior, ...rest } = options;
  return rest;
}

function isStrange({ state }: Solution, held: Few): boolean {
  const { observations, frames, options } = held;
  const { width, height } = options;
  const corner2 = (Math.hypot(width, height) / 2 / Math.exp(state.lens[0]!)) ** 2;
  const bend = corner2 * (state.lens[3]! + corner2 * state.lens[4]!);
  if (Math.abs(bend) > STRANGE_BEND) return true;
  const priors = lensPriors(options, Math.exp(state.lens[0]!), false);
  return residualsOf(state, { observations, frames, priors }).ratio > STRANGE_RATIO;
}

/** Frames spread evenly over the run, always with the first, the last and the reference. */
export function keyFrames(frames: FramesInfo, most: number): number[] {
  if (frames.count <= most) return Array.from({ length: frames.count }, (_, i) => i);
  const keys = new Set<number>([frames.reference]);
  for (let k = 0; k < most - 1; k++) keys.add(Math.round((k * (frames.count - 1)) / (most - 2)));
  return [...keys].filter((i) => i < frames.count).sort((a, b) => a - b);
}

/** What is known of some of the frames; the reference must be among them. */
export function subsetFrames(frames: FramesInfo, keys: readonly number[]): FramesInfo {
  return {
    count: keys.length,
    reference: keys.indexOf(frames.reference),
    turn: Float64Array.from(keys, (i) => frames.turn[i]!),
    turnSigma: Float64Array.from(keys, (i) => frames.turnSigma[i]!),
    tau: Float64Array.from(keys, (i) => frames.tau[i]!),
    segment: Int32Array.from(keys, (i) => frames.segment[i]!),
    segmentCount: frames.segmentCount,
  };
}

/** The longest tracks, spread over zones of the frame. */
export function pickTracks(
  tables: readonly StarTable[],
  tracks: readonly Track[],
  choice: { readonly frameOf?: Int32Array; readonly most: number; readonly options: AlignOptions },
): Track[] {
  const { frameOf, most, options } = choice;
  const rated = tracks.map((track, t) => {
    const own = frameOf ? track.filter(([i]) => frameOf[i]! >= 0) : track;
    const [i, row] = own[own.length >> 1] ?? track[0]!;
    const table = tables[i]!;
    const zone =
      Math.min(5, Math.max(0, Math.floor((table.x[row]! / options.width) * 6))) +
      6 * Math.min(3, Math.max(0, Math.floor((table.y[row]! / options.height) * 4)));
    return { t, length: own.length, zone };
  });
  rated.sort((a, b) => b.length - a.length || a.t - b.t);
  const perZone = new Int32Array(24);
  const rank = rated.map((r) => ({ ...r, round: perZone[r.zone]!++ }));
  rank.sort((a, b) => a.round - b.round || b.length - a.length || a.t - b.t);
  return rank.slice(0, most).map(({ t }) => tracks[t]!);
}

/** Carries lens and pole found on a few frames to all frames of the chain. */
function spreadState(
  tables: readonly StarTable[],
  tracks: readonly Track[],
  given: { readonly frames: FramesInfo; readonly seed: State; readonly keys: readonly number[] },
): State | undefined {
  const { frames, seed } = given;
  const { observations } = observe(tables, tracks, { noise: 1, minFrames: 2 });
  const lens: LensModel = {
    projection: seed.projection,
    focalLengthPx: Math.exp(seed.lens[0]!),
    centerX: seed.lens[1]!,
    centerY: seed.lens[2]!,
    k1: seed.lens[3]!,
    k2: seed.lens[4]!,
  };
  return initialState(lens, { observations, frames }, seed.pole);
}

/** Residuals of all observations, px, with the typical size over the expected one. */
export function residualsOf(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
): { x: Float64Array; y: Float64Array; ratio: number } {
  const { observations } = given;
  const x = new Float64Array(observations.count);
  const y = new Float64Array(observations.count);
  costOf(state, given, { x, y });
  const size = new Float64Array(observations.count);
  for (let k = 0; k < observations.count; k++) size[k] = Math.hypot(x[k]!, y[k]!) / observations.sigma[k]!;
  // Median of a Rayleigh distribution is 1.1774 sigma; fitting takes away some of the freedom of each place.
  const freedom = 2 * observations.trackCount + 3 * given.frames.count;
  const share = Math.max(0.2, 1 - freedom / (2 * observations.count));
  return { x, y, ratio: median(size) / 1.1774 / Math.sqrt(share) };
}
