import { radToDeg, type StarTable } from '../core/index.js';
import { frameCamera, showDirection } from './_camera.js';
import { fluxOfTracks, type Gathered, gather, motionOf } from './_describe.js';
import { residualsOf } from './_fit-run.js';
import type { SkyFit } from './_fit-sky.js';
import { lensOf } from './_lens-derivatives.js';
import { multiply, rotationLog, transpose } from './_rotation.js';
import { expectedCamera, type State, turnRotation } from './_state.js';
import { measureUnrest } from './_unrest.js';
import { projectDirection } from './geometry.js';
import type { AlignFrame, Alignment, AlignOptions, Estimate, FrameFit, SkyMotionModel } from './types.js';
import { landMapper, mapper } from './warp.js';

/** What every outcome needs: the frames as given, their order in time, the options. */
export interface Context {
  readonly frames: readonly AlignFrame[];
  /** Position in time order -> index as given. */
  readonly order: readonly number[];
  readonly options: AlignOptions;
}

export const NO_MOTION = { x: Number.NaN, y: Number.NaN, rotation: Number.NaN } as const;

/** A frame that could not be used, with the reason. */
export function leftOut(frame: AlignFrame, reason: string, segment = 0): FrameFit {
  return {
    id: frame.id,
    status: 'left-out',
    reason,
    segment,
    rotation: [1, 0, 0, 0, 1, 0, 0, 0, 1],
    ...(frame.time === undefined ? {} : { time: frame.time }),
    rms: Number.NaN,
    cornerRms: Number.NaN,
    matched: 0,
    offset: NO_MOTION,
    headMotion: NO_MOTION,
  };
}

/** A frame's typical residual above this multiple of the run's, and above 1.5 px, does not fit. */
const MISFIT = 6;

/** Turns a fit of lens, pole and cameras into the alignment that others use. */
export function buildAlignment(
  context: Context,
  given: { readonly tables: readonly StarTable[]; readonly fit: SkyFit; readonly options: AlignOptions },
): Alignment {
  const { frames: asGiven, order } = context;
  const { tables, fit, options } = given;
  const { state, frames, observations } = fit;
  const { width, height } = options;
  const residuals = residualsOf(state, fit);
  const found = gather(
    { frame: observations.frame, x: observations.x, y: observations.y, dx: residuals.x, dy: residuals.y },
    { width, height, frameCount: frames.count },
  );
  const model: SkyMotionModel = {
    lens: lensOf(state.projection, state.lens),
    pole: state.pole,
    lowOrder: state.refraction[3] === 0 ? [0, 0, 0, 0] : state.refraction,
  };
  const referenceIndex = order[frames.reference]!;
  const fits: FrameFit[] = new Array(asGiven.length);
  for (let i = 0; i < frames.count; i++) {
    const frame = asGiven[order[i]!]!;
    const segment = frames.segment[i]!;
    if (fit.fitted[i] !== 1) {
      fits[order[i]!] = leftOut(frame, reasonOf(tables[i]!, 'stars'), segment);
      continue;
    }
    const matched = found.matched[i]!;
    if (i !== frames.reference && (matched < 3 || found.rms[i]! > Math.max(1.5, MISFIT * found.totalRms))) {
      fits[order[i]!] = leftOut(frame, reasonOf(tables[i]!, 'misfit', matched), segment);
      continue;
    }
    const rotation = multiply(state.camera.subarray(9 * i, 9 * i + 9), turnRotation(state, frames.turn[i]!));
    fits[order[i]!] = {
      id: frame.id,
      status: 'fitted',
      segment,
      rotation,
      turn: frames.turn[i]! + clockShare(state, fit, i),
      ...(state.scale[i] === 1 ? {} : { scale: state.scale[i]! }),
      ...(frame.time === undefined ? {} : { time: frame.time }),
      rms: found.rms[i]!,
      cornerRms: found.cornerRms[i]!,
      matched,
      offset: NO_MOTION,
      headMotion: NO_MOTION,
    };
  }
  const trackRows = new Int32Array(asGiven.length * fit.tracks.length).fill(-1);
  fit.tracks.forEach((track, t) => {
    for (const [i, row] of track) trackRows[order[i]! * fit.tracks.length + t] = row;
  });
  const reference = frameCamera(model, fits[referenceIndex]!);
  const trackX = new Float64Array(fit.tracks.length);
  const trackY = new Float64Array(fit.tracks.length);
  for (let t = 0; t < fit.tracks.length; t++) {
    [trackX[t], trackY[t]] = showDirection(reference, state.stars.subarray(3 * t, 3 * t + 3)) as [
      number,
      number,
    ];
  }
  const alignment: Alignment = {
    width,
    height,
    method: 'sky-motion',
    referenceIndex,
    model,
    frames: fits,
    segmentCount: frames.segmentCount,
    rms: found.totalRms,
    cornerRms: found.totalCornerRms,
    zones: found.zones,
    ...estimates(fit, model),
    trackCount: fit.tracks.length,
    trackRows,
    trackX,
    trackY,
    trackDirections: state.stars,
    trackFlux: fluxOfTracks(tables, fit.tracks),
    notes: notesOf(found, state, fit),
  };
  return withMotions(alignment);
}

/** What a person should know of the fit, plain sentences (P05, P08, P29, P30). */
function notesOf(found: Gathered, state: State, fit: SkyFit): string[] {
  const notes: string[] = [];
  if (found.totalCornerRms > 1) {
    notes.push(
      `Stars in the corners miss their predicted places by ${found.totalCornerRms.toFixed(1)} px: the lens bends more than the model can follow.`,
    );
  }
  const scales = Array.from(state.scale).filter((_, i) => fit.fitted[i] === 1);
  const change = 100 * (Math.max(...scales) / Math.min(...scales) - 1);
  if (change > 0.02) {
    notes.push(
      `The focal length changed by ${change.toFixed(2)} % during the run: the zoom crept or the focus was touched.`,
    );
  }
  if (fit.frames.segmentCount > 1) {
    notes.push(
      `The camera was moved ${fit.frames.segmentCount - 1} time(s) during the run; the land is the land of one part only.`,
    );
  }
  return notes;
}

/** Adds offset and head motion to each fitted frame. */
export function withMotions(alignment: Alignment): Alignment {
  return {
    ...alignment,
    frames: alignment.frames.map((fit, i) =>
      fit.status === 'fitted'
        ? {
            ...fit,
            offset: motionOf(mapper(alignment, i), alignment),
            headMotion: motionOf(landMapper(alignment, i), alignment),
          }
        : fit,
    ),
  };
}

/**
 * The part of a frame's rotation along the pole that the clock rather than the camera is to blame for, rad:
 * a camera that moves does so across the pole as well, a clock never does.
 */
function clockShare(state: State, fit: SkyFit, i: number): number {
  const { frames } = fit;
  if (i === frames.reference) return 0;
  const expected = expectedCamera(state, frames.segment[i]!, frames.tau[i]!);
  const v = rotationLog(multiply(state.camera.subarray(9 * i, 9 * i + 9), transpose(expected)));
  const p = state.pole;
  const along = v[0] * p[0] + v[1] * p[1] + v[2] * p[2];
  const across2 = Math.max(0, v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - along * along) / 2;
  const own = 0.1 / Math.exp(state.lens[0]!);
  const camera2 = across2 + own * own;
  const clock = frames.turnSigma[i]!;
  const share = Number.isFinite(clock) ? (clock * clock) / (clock * clock + camera2) : 1;
  return along * share;
}

function reasonOf(table: StarTable, kind: 'stars' | 'misfit', matched = 0): string {
  if (table.count === 0) return 'No stars were found in this frame.';
  if (kind === 'misfit') {
    return `Only ${matched} of its ${table.count} detections follow the motion of the sky in the other frames.`;
  }
  return `Its ${table.count} detections could not be matched with the stars of any other frame.`;
}

/** Relative error of the focal length and error of the pole, deg, beyond which they are called unknown. */
const FOCAL_KNOWN = 0.0009;
const POLE_KNOWN = 0.05;

function estimates(fit: SkyFit, model: SkyMotionModel): Pick<Alignment, 'focalLengthPx' | 'polePosition'> {
  const { solution, state, frames } = fit;
  const { covariance, layout } = solution;
  const G = layout.globals;
  const variance = (k: number) => (covariance && k >= 0 ? Math.max(0, covariance[k * G + k]!) : Number.NaN);
  const focal = model.lens.focalLengthPx;
  // A camera that was seen to sag or tremble may have done so in ways that pass for another pole or scale.
  const unrest = measureUnrest(state, fit, fit.fitted);
  const moved = Math.hypot(...state.sag) + (unrest ? unrest.tremble / focal : 0);
  const turns = Array.from(frames.turn).filter((_, i) => fit.fitted[i] === 1);
  const span = Math.max(1e-9, Math.max(...turns) - Math.min(...turns)) / 2;
  const relative = Math.hypot(Math.sqrt(variance(layout.lens[0]!)), (0.1 * moved) / span);
  const focalLengthPx: Estimate = {
    value: focal,
    error: relative * focal,
    known: fit.hasClock && relative < FOCAL_KNOWN,
  };
  const poleError = radToDeg(
    Math.sqrt(variance(layout.pole) + variance(layout.pole + 1) + (moved / span) ** 2),
  );
  const sign = state.pole[2] < 0 ? -1 : 1;
  const [x, y] = projectDirection(model.lens, [
    sign * state.pole[0],
    sign * state.pole[1],
    sign * state.pole[2],
  ]);
  return {
    focalLengthPx,
    polePosition: { x, y, error: poleError, known: fit.hasClock && poleError < POLE_KNOWN },
  };
}
