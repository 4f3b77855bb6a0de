import type { ColorImage, Mask, Plane } from '../core/index.js';

export type CombineMethod = 'mean' | 'median' | 'clipped-mean';

/** Noise model of a body at one ISO. */
export interface NoiseModel {
  /** e-/ADU. */
  readonly gain: number;
  /** ADU rms. */
  readonly readNoise: number;
}

/** What the noise measurement gives; the `noise` of the JSON contract. ADU of the green plane, binned 8 x 8. */
export interface NoiseGain {
  readonly singleFrame: number;
  readonly stack: number;
  readonly gain: number;
  readonly ideal: number;
}

/** The linear product of a stack on the reference frame's full grid, camera-native ADU above black. */
export interface StackedImage {
  /** Sky and land together, NaN only where nothing contributed. */
  readonly image: ColorImage;
  readonly sky: ColorImage;
  readonly land?: ColorImage;
  /** Share of land at each pixel, 0 = sky, 1 = land, soft edge. */
  readonly landShare?: Plane;
  /** Frames that contributed to each sky pixel. */
  readonly coverage: Plane;
  /** Samples clipped at each pixel. */
  readonly rejected: Plane;
  readonly landMask?: Mask;
}

/** Kinds of combination a tile can be asked for: the three of a stack, and the brightest value for star trails. */
export type TileMethod = CombineMethod | 'max';

/**
 * Where reference pixels lie on a frame: node (i, j) is the exact position, px, for reference pixel
 * (i*step, j*step); bilinear between nodes. NaN = that place is not on the frame. As `warpGrid` of
 * `alignment` gives it; nodes must reach the last pixel of the reference grid.
 */
export interface WarpGrid {
  readonly step: number;
  readonly columns: number;
  readonly rows: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
}

/** A smooth surface of second order, ADU: c0 + c1 X + c2 Y + c3 X^2 + c4 XY + c5 Y^2, X and Y as `surfaceScale` says. */
export type Surface = readonly [number, number, number, number, number, number];

/** Values on a coarse regular grid of cells over the reference frame, f32[rows*columns]; bilinear between cell centres. */
export interface CoarseMap {
  readonly columns: number;
  readonly rows: number;
  readonly data: Float32Array;
}
