import type { StarTable } from '../core/index.js';
import { findRefraction, isWideField, MIN_GAIN, STRENGTH_SIGMA, weighAim } from './_fit-refraction.js';
import { fitRun, lensPriors, optionsFor, residualsOf, subsetFrames } from './_fit-run.js';
import { joinLost } from './_join-lost.js';
import { linkByModel } from './_link.js';
import { findSegments, scalesDiffer, segmentStart } from './_segments.js';
import { type Solution, solve } from './_solve.js';
import { averageDirections, framesInfo, SKY_RATE, widen } from './_start.js';
import type { FramesInfo, Observations, Priors, State } from './_state.js';
import { observe, type Track } from './_tracks.js';
import { measureUnrest, settleCameras } from './_unrest.js';
import type { AlignOptions } from './types.js';

/** Bounds of what is believed of the clock once the run itself has shown it, s. */
const MIN_CLOCK_SIGMA = 0.02;
const MAX_CLOCK_SIGMA = 5;
/** Cost that the richer lens (five more terms) must save. */
const RICH_GAIN = 14;
/** Change of scale from frame to frame once some is seen, scale of a heavy-tailed prior; and the cost it must save. */
const SCALE_SIGMA = 2e-3;
const SCALE_GAIN = 30;
/** Sag over half the run of a tripod that stands, px, and the cost that any other must save. */
const STANDING = 0.02;
const SAG_GAIN = 8;
/** Their places among the lens values: k3, p1, p2, k4. */
const RICH_TERMS = [5, 6, 7, 10] as const;
/** Stars below which they alone do not tell the way up. */
const FEW_STARS = 40;
/** Radius within which a detection is the predicted star, px. @source FINDINGS lesson 10 */
const LINK_RADIUS = 0.8;

export interface SkyFit {
  readonly state: State;
  readonly frames: FramesInfo;
  readonly fitted: Uint8Array;
  readonly tracks: readonly Track[];
  readonly observations: Observations;
  readonly solution: Solution;
  readonly priors: Priors;
  /** Noise of places over the tables' own errors. */
  readonly ratio: number;
  readonly hasClock: boolean;
}

export interface RunInput {
  readonly tables: readonly StarTable[];
  readonly times: readonly (number | undefined)[];
  readonly tracks: readonly Track[];
  readonly joined: readonly number[];
  readonly reference: number;
  readonly minFrames: number;
  readonly options: AlignOptions;
  readonly skip: readonly Uint8Array[] | undefined;
}

/** Lens, pole and cameras for all frames that can be joined; undefined when the model does not hold. */
export function fitSky(run: RunInput): SkyFit | undefined {
  const { tables, minFrames } = run;
  const fitted = new Uint8Array(tables.length);
  for (const i of run.joined) fitted[i] = 1;
  let frames = framesInfo(run.times, run.reference);
  // The chain's own frames first: others have no tracks yet.
  const own = run.joined;
  const ownOf = new Int32Array(tables.length).fill(-1);
  own.forEach((i, k) => {
    ownOf[i] = k;
  });
  const ownTables = own.map((i) => tables[i]!);
  const ownFrames = subsetFrames(frames, own);
  const ownTracks = run.tracks
    .map((track) => track.filter(([i]) => ownOf[i]! >= 0).map(([i, row]) => [ownOf[i]!, row] as const))
    .filter((track) => track.length >= 2);
  const first = fitRun(ownTables, ownTracks, { frames: ownFrames, options: run.options, minFrames });
  if (!first) return undefined;
  const options = optionsFor(first.projection, run.options);
  let state = widen(first, own, tables.length);
  let tracks: readonly Track[] = [];
  let solution: Solution | undefined;
  let observations: Observations | undefined;
  let priors: Priors | undefined;
  let noise = 1;
  let rich = false;
  let creeps = false;
  const last = 2;
  for (let round = 0; round <= last; round++) {
    // At first the lens is known from a few stars only: chained tracks are the safer links then.
    if (round === 0) {
      tracks = run.tracks.filter((track) => track.every(([i]) => fitted[i] === 1));
      observations = observe(tables, tracks, { noise, minFrames }).observations;
      state.stars = averageDirections(state, observations, frames);
    } else {
      const link = { ...options, radius: LINK_RADIUS, minFrames, skip: run.skip };
      const linked = linkByModel(tables, { state, frames, fitted }, link);
      if (linked.tracks.length < 3) return undefined;
      tracks = linked.tracks;
      observations = observe(tables, tracks, { noise, minFrames }).observations;
      state = { ...state, stars: linked.directions };
    }
    const segments = findSegments(state, frames, fitted);
    frames = { ...frames, segment: segments.segment, segmentCount: segments.count };
    state.segments = segmentStart(state, frames, fitted);
    const unrest =
      round === last && priors ? measureUnrest(state, { observations, frames, priors }, fitted) : undefined;
    if (unrest && Number.isFinite(frames.turnSigma[0]!)) {
      const clock = Math.min(MAX_CLOCK_SIGMA, Math.max(MIN_CLOCK_SIGMA, unrest.clock / SKY_RATE));
      frames = { ...frames, turnSigma: new Float64Array(frames.count).fill(clock * SKY_RATE) };
    }
    if (unrest) {
      settleCameras(state, frames, unrest.odd);
      frames = { ...frames, steady: unrest.odd.map((odd) => 1 - odd) };
    }
    const common = {
      sag: round > 0 ? 0.5 : 0,
      drift: unrest ? Math.min(0.15, Math.max(0.01, unrest.tremble)) : round === 0 ? 1 : 0.15,
    };
    const believe = () => ({
      ...lensPriors(options, Math.exp(state.lens[0]!), rich),
      ...common,
      refraction: state.refraction[3] !== 0 ? STRENGTH_SIGMA : 0,
      scale: creeps ? SCALE_SIGMA : 0,
    });
    /** The same beliefs, of a lens with or without its higher terms. */
    const withLens = (held: Priors, higher: boolean): Priors => ({
      ...held,
      ...lensPriors(options, Math.exp(state.lens[0]!), higher),
      ...common,
      refraction: held.refraction,
      scale: held.scale,
    });
    priors = believe();
    const precision = round === last ? 1e-6 : 1e-4;
    solution = solve(state, { observations, frames, priors }, { iterations: 30, precision });
    if (!Number.isFinite(solution.cost)) return undefined;
    state = solution.state;
    // A richer model is taken only when it explains the stars better (FINDINGS lesson 6).
    const prefer = (trial: Solution, gain: number, beliefs: Priors): boolean => {
      if (!(trial.cost < solution!.cost - gain)) return false;
      solution = trial;
      state = trial.state;
      priors = beliefs;
      return true;
    };
    if (
      !creeps &&
      scalesDiffer(residualsOf(state, { observations, frames, priors }), { state, observations, frames })
    ) {
      const beliefs = { ...priors, scale: SCALE_SIGMA };
      // From the valley of one scale for all it is a long way: many small steps.
      const trial = solve(
        state,
        { observations, frames, priors: beliefs },
        { iterations: 50, precision: 1e-7 },
      );
      creeps = prefer(trial, SCALE_GAIN, beliefs);
    }
    if (!rich && observations.trackCount >= 30) {
      const beliefs = withLens(priors, true);
      rich = prefer(
        solve(state, { observations, frames, priors: beliefs }, { iterations: 12, precision }),
        RICH_GAIN,
        beliefs,
      );
    }
    // Looked for again when the lens is known better: the first way up may have been a wrong one.
    if (round < last && (round > 0 || isWideField(state, options))) {
      const found = findRefraction(
        tables,
        { state, frames, tracks, noise, drift: priors.drift, rich },
        options,
      );
      if (found) {
        const beliefs = { ...priors, refraction: STRENGTH_SIGMA };
        const start = { ...state, refraction: found };
        prefer(
          solve(start, { observations, frames, priors: beliefs }, { iterations: 15, precision }),
          MIN_GAIN,
          beliefs,
        );
      }
    }
    if (round === last) {
      if (options.latitude === undefined && observations.trackCount < FEW_STARS) {
        const aim = weighAim(state, { observations, frames, priors });
        if (aim) {
          priors = { ...priors, aim };
          solution = solve(state, { observations, frames, priors }, { iterations: 15, precision });
          state = solution.state;
        }
      }
      if (rich) {
        // What looked like a rich lens may have been the refraction found since: the simpler lens gets its chance.
        const lens = state.lens.slice();
        for (const k of RICH_TERMS) lens[k] = 0;
        const beliefs = withLens(priors, false);
        prefer(
          solve({ ...state, lens }, { observations, frames, priors: beliefs }, { iterations: 15, precision }),
          -RICH_GAIN,
          beliefs,
        );
      }
      // Most tripods stand: a sag is taken only when the stars ask for one, for with few stars a small one
      // passes for a part of pole and lens.
      const standing = { ...priors, sag: STANDING };
      const still: State = { ...state, sag: [0, 0, 0] };
      prefer(
        solve(still, { observations, frames, priors: standing }, { iterations: 15, precision }),
        -SAG_GAIN,
        standing,
      );
      solution = solve(state, { observations, frames, priors }, { iterations: 6, precision });
      state = solution.state;
      // What is known is told as if the head might have sagged all the same.
      const doubting = { observations, frames, priors: { ...priors, ...common } };
      solution = { ...solve(state, doubting, { iterations: 0, covariance: true }), cost: solution.cost };
    }
    const { ratio } = residualsOf(state, { observations, frames, priors });
    noise *= round === 0 ? 1 : Math.min(10, Math.max(0.3, ratio));
    if (round >= 1 && round < last) {
      joinLost({
        tables,
        state,
        frames,
        fitted,
        tracks,
        width: options.width,
        height: options.height,
        skip: run.skip,
      });
    }
  }
  if (!solution || !observations || !priors) return undefined;
  return {
    state,
    frames,
    fitted,
    tracks,
    observations,
    solution,
    priors,
    ratio: noise,
    hasClock: frames.turnSigma.some((s, i) => i !== frames.reference && Number.isFinite(s)),
  };
}
