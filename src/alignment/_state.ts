import { multiply, rotationExp } from './_rotation.js';
import type { LensModel } from './types.js';

/** Places of tracked stars, sorted by track, then frame. */
export interface Observations {
  readonly count: number;
  readonly trackCount: number;
  /** First observation of each track; one more than there are tracks. */
  readonly trackStart: Int32Array;
  readonly frame: Int32Array;
  readonly row: Int32Array;
  readonly x: Float64Array;
  readonly y: Float64Array;
  /** 1-sigma error of x and of y each, px. */
  readonly sigma: Float64Array;
}

/** What is known of the frames before the fit. */
export interface FramesInfo {
  readonly count: number;
  readonly reference: number;
  /** Turn of the sky from the reference by the clock, rad. */
  readonly turn: Float64Array;
  /** How far the clock may be off, rad; Infinity without a clock. */
  readonly turnSigma: Float64Array;
  /** Time through the run from -1 to 1, 0 at the reference. */
  readonly tau: Float64Array;
  readonly segment: Int32Array;
  readonly segmentCount: number;
  /**
   * 1 for frames whose camera and clock are believed as good as stated, without exception: heavy tails would
   * give each frame a valley of its own, a little off, to be caught in. Undefined = none.
   */
  readonly steady?: Uint8Array;
}

/** Everything the solver moves. */
export interface State {
  projection: LensModel['projection'];
  /** `lensValues`. */
  lens: Float64Array;
  pole: [number, number, number];
  /** [zenith, strength]; strength 0 = no refraction. */
  refraction: number[];
  /** Steady sag, rad at tau = 1. */
  sag: [number, number, number];
  /** Camera rotation of each segment, row-major 3x3. */
  segments: Float64Array;
  /** Camera rotation of each frame against the reference, row-major 3x3: the sky's turn comes before it. */
  camera: Float64Array;
  /** Focal length of each frame over the lens's. */
  scale: Float64Array;
  /** Unit directions of the stars in the reference camera's axes. */
  stars: Float64Array;
}

export function copyState(state: State): State {
  return {
    projection: state.projection,
    lens: state.lens.slice(),
    pole: [...state.pole],
    refraction: [...state.refraction],
    sag: [...state.sag],
    segments: state.segments.slice(),
    camera: state.camera.slice(),
    scale: state.scale.slice(),
    stars: state.stars.slice(),
  };
}

/** Rotation about the pole by a frame's turn. */
export function turnRotation(state: State, turn: number): number[] {
  return rotationExp(state.pole[0] * turn, state.pole[1] * turn, state.pole[2] * turn);
}

/** Where the camera of a frame is expected by its segment and the steady sag. */
export function expectedCamera(state: State, segment: number, tau: number): number[] {
  return multiply(
    rotationExp(state.sag[0] * tau, state.sag[1] * tau, state.sag[2] * tau),
    state.segments.subarray(segment * 9, segment * 9 + 9),
  );
}

/** Values the solver believes before it sees the stars; a sigma of 0 holds a value where it is. */
export interface Priors {
  readonly lens: Float64Array;
  /** 1-sigma for focal length and center; scale of a heavy-tailed prior for the terms that bend. */
  readonly lensSigma: Float64Array;
  /** 1-sigma of refraction's strength about 1, the zenith free as well; 0 = both held where they are. */
  readonly refraction: number;
  /** Up in the picture's own axes as the header says. */
  readonly up: readonly [number, number];
  /** Sine of the height at which the reference camera looks, and its spread. */
  readonly aim: { readonly sine: number; readonly sigma: number };
  /** Latitude, deg, where known: the zenith stands at that height above the celestial pole's horizon. */
  readonly latitude?: number | undefined;
  /** Steady sag over half the run, px, 1-sigma: bounded, for a large one would trade against the pole; 0 = none. */
  readonly sag: number;
  /** Small motion of the camera in a frame, px, scale of a heavy-tailed prior. */
  readonly drift: number;
  /** Scale of a frame, fraction, scale of a heavy-tailed prior; 0 = held. */
  readonly scale: number;
}
