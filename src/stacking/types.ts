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
