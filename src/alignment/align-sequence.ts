import { median, SIDEREAL_RATE, type StarTable } from '../core/index.js';
import { buildAlignment } from './_build.js';
import { chainFrames, findStanding } from './_chain.js';
import { findRefraction, isWideField, STRENGTH_SIGMA } from './_fit-refraction.js';
import { fitRun, lensPriors, residualsOf, subsetFrames } from './_fit-run.js';
import { directionsOf } from './_initial.js';
import { joinLost } from './_join-lost.js';
import { lensOf } from './_lens-derivatives.js';
import { linkByModel } from './_link.js';
import { noAlignment, planeAlignment } from './_plane.js';
import { apply, multiply, transpose } from './_rotation.js';
import { findSegments, scalesDiffer, segmentStart } from './_segments.js';
import { type Solution, solve } from './_solve.js';
import { type FramesInfo, type Observations, type Priors, type State, turnRotation } from './_state.js';
import { standsStill } from './_still.js';
import { joinLinks, observe, type Track } from './_tracks.js';
import { measureUnrest, settleCameras } from './_unrest.js';
import type { AlignFrame, Alignment, AlignOptions } from './types.js';

/** rad/s */
export const SKY_RATE = (SIDEREAL_RATE / 3600) * (Math.PI / 180);
/** The clock of a camera against the moment of a frame, s. @source headers give whole seconds: uniform error, 0.29 s. */
const CLOCK_SIGMA = 0.3;
/** Bounds of what is believed of the clock once the run itself has shown it, s. */
const MIN_CLOCK_SIGMA = 0.02;
const MAX_CLOCK_SIGMA = 5;
/** Cost that the richer lens (five more terms) must save. */
const RICH_GAIN = 14;
/** Change of scale from frame to frame once some is seen, scale of a heavy-tailed prior; and the cost it must save. */
const SCALE_SIGMA = 2e-3;
const SCALE_GAIN = 30;
/** Their places among the lens values: k3, p1, p2, k4. */
const RICH_TERMS = [5, 6, 7, 10] as const;
/** Radius within which a detection is the predicted star, px. @source FINDINGS lesson 10 */
const LINK_RADIUS = 0.8;

/**
 * Finds the one motion that all stars of a run follow: which star is which from their places alone, then
 * lens, pole and every frame's camera together (DESIGN section 6, sky-motion model). Never throws for what
 * the sky or the camera did: a frame that does not fit is `left-out` with its reason, and a run in which
 * nothing fits has method `none`.
 *
 * Deterministic: equal input gives equal output, bit for bit.
 */
export function alignSequence(frames: readonly AlignFrame[], options: AlignOptions): Alignment {
  const order = inTime(frames);
  const sorted = order.map((i) => frames[i]!);
  const tables = sorted.map((frame) => frame.stars);
  const asked = options.referenceIndex ?? Math.floor((frames.length - 1) / 2);
  const wanted = order.indexOf(asked);
  const context = { frames, order, options };
  if (frames.length === 0) return noAlignment(context, 'There are no frames to align.');
  if (frames.length === 1) return noAlignment(context, 'One frame alone needs no alignment.');
  const times = sorted.map((frame) => frame.time);
  const chained = bestChain(tables, times, options);
  if (chained.joined.length < 2) {
    return noAlignment(context, 'No two frames show the same stars.');
  }
  const joined = chained.joined;
  const reference = [...joined].sort((a, b) => Math.abs(a - wanted) - Math.abs(b - wanted) || a - b)[0]!;
  const minFrames = joined.length >= 3 ? 3 : 2;
  const tracks = joinLinks(tables, chained.links, minFrames);
  const fit = fitSky({ tables, times, tracks, joined, reference, minFrames, options, skip: chained.skip });
  if (!fit) return planeAlignment(context, { tables, tracks, joined, reference, skip: chained.skip });
  const alignment = buildAlignment(context, { tables, fit, options });
  const turns = Array.from(fit.frames.turn).filter((_, i) => fit.fitted[i] === 1);
  const span = fit.hasClock ? Math.max(...turns) - Math.min(...turns) : undefined;
  if (standsStill(alignment, { tables: frames.map((frame) => frame.stars), span })) {
    return noAlignment(
      context,
      'What these frames have in common stands still, as defects and lamps do and stars do not; frames closer in time may align.',
    );
  }
  return alignment;
}

/** Frames by time where every frame has one, else as given. */
function inTime(frames: readonly AlignFrame[]): number[] {
  const order = frames.map((_, i) => i);
  if (frames.every((frame) => frame.time !== undefined && Number.isFinite(frame.time))) {
    order.sort((a, b) => frames[a]!.time! - frames[b]!.time! || a - b);
  }
  return order;
}

/** The chain without what stands still, when that hangs together as well as the chain with everything. */
function bestChain(
  tables: readonly StarTable[],
  times: readonly (number | undefined)[],
  options: AlignOptions,
): {
  links: ReturnType<typeof chainFrames>['links'];
  joined: readonly number[];
  skip: Uint8Array[] | undefined;
} {
  const { width, height } = options;
  const standing = findStanding(tables, { width, height });
  const any = standing.some((marks) => marks.includes(1));
  if (any) {
    const moving = chainFrames(tables, { width, height, times, skip: standing });
    if (moving.joined.length >= Math.max(2, 0.7 * tables.length)) return { ...moving, skip: standing };
    const all = chainFrames(tables, { width, height, times });
    if (moving.joined.length >= 2 && moving.joined.length >= all.joined.length)
      return { ...moving, skip: standing };
    return { ...all, skip: undefined };
  }
  return { ...chainFrames(tables, { width, height, times }), skip: undefined };
}

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

interface RunInput {
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
function fitSky(run: RunInput): SkyFit | undefined {
  const { tables, options, minFrames } = run;
  const fitted = new Uint8Array(tables.length);
  for (const i of run.joined) fitted[i] = 1;
  let frames = framesInfo(run);
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
  const first = fitRun(ownTables, ownTracks, { frames: ownFrames, options, minFrames });
  if (!first) return undefined;
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
      const beliefs = {
        ...priors,
        ...lensPriors(options, Math.exp(state.lens[0]!), true),
        ...common,
        refraction: priors.refraction,
        scale: priors.scale,
      };
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
          options.latitude === undefined ? 0 : -3,
          beliefs,
        );
      }
    }
    if (round === last) {
      if (rich) {
        // What looked like a rich lens may have been the refraction found since: the simpler lens gets its chance.
        const lens = state.lens.slice();
        for (const k of RICH_TERMS) lens[k] = 0;
        const beliefs = {
          ...priors,
          ...lensPriors(options, Math.exp(state.lens[0]!), false),
          ...common,
          refraction: priors.refraction,
          scale: priors.scale,
        };
        prefer(
          solve({ ...state, lens }, { observations, frames, priors: beliefs }, { iterations: 15, precision }),
          -RICH_GAIN,
          beliefs,
        );
      }
      solution = solve(
        state,
        { observations, frames, priors },
        { iterations: 6, precision, covariance: true },
      );
      state = solution.state;
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

function framesInfo(run: RunInput): FramesInfo {
  const { times, reference } = run;
  const n = times.length;
  const clocked = times.every((t) => t !== undefined && Number.isFinite(t));
  const turn = new Float64Array(n);
  const tau = new Float64Array(n);
  const turnSigma = new Float64Array(n).fill(clocked ? CLOCK_SIGMA * SKY_RATE : Number.POSITIVE_INFINITY);
  for (let i = 0; i < n; i++) {
    if (clocked) turn[i] = (times[i]! - times[reference]!) * SKY_RATE;
    tau[i] = i - reference;
  }
  const span = Math.max(1e-9, ...Array.from(clocked ? turn : tau, Math.abs));
  for (let i = 0; i < n; i++) tau[i] = (clocked ? turn[i]! : tau[i]!) / span;
  return { count: n, reference, turn, turnSigma, tau, segment: new Int32Array(n), segmentCount: 1 };
}

/** A state of some frames as a state of all; the others stand where the reference stands. */
function widen(state: State, own: readonly number[], count: number): State {
  const camera = new Float64Array(9 * count);
  for (let i = 0; i < count; i++) camera.set([1, 0, 0, 0, 1, 0, 0, 0, 1], 9 * i);
  const scale = new Float64Array(count).fill(1);
  own.forEach((i, k) => {
    camera.set(state.camera.subarray(9 * k, 9 * k + 9), 9 * i);
    scale[i] = state.scale[k]!;
  });
  return { ...state, camera, scale };
}

/** Star directions as means over their frames, by the present model. */
function averageDirections(state: State, observations: Observations, frames: FramesInfo): Float64Array {
  const seen = directionsOf(lensOf(state.projection, state.lens), observations);
  const back = Array.from({ length: frames.count }, (_, i) =>
    transpose(multiply(state.camera.subarray(9 * i, 9 * i + 9), turnRotation(state, frames.turn[i]!))),
  );
  const stars = new Float64Array(3 * observations.trackCount);
  for (let t = 0; t < observations.trackCount; t++) {
    const xs: number[] = [];
    const ys: number[] = [];
    const zs: number[] = [];
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const d = apply(back[observations.frame[k]!]!, seen.subarray(3 * k, 3 * k + 3));
      xs.push(d[0]);
      ys.push(d[1]);
      zs.push(d[2]);
    }
    const v = [median(xs), median(ys), median(zs)];
    const length = Math.hypot(...v);
    stars.set(
      v.map((c) => c / length),
      3 * t,
    );
  }
  return stars;
}
