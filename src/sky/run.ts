import { SIDEREAL_RATE } from '../core/index.js';
import { checkPositive } from './_check.js';

/** How frames are put together, as far as noise goes. */
export type CombineKind = 'mean' | 'median';

/** Variance of the median of many values over that of their mean, for normal noise. @source pi/2, e.g. Kendall & Stuart, Advanced Theory of Statistics I */
const MEDIAN_VARIANCE = Math.PI / 2;

/** How much less noise a stack of `frames` has than one frame: sqrt(N), less by sqrt(2/pi) for a median of more than two. */
export function noiseGain(frames: number, combine: CombineKind = 'mean'): number {
  checkPositive('a number of frames', frames);
  return Math.sqrt(combine === 'median' && frames > 2 ? frames / MEDIAN_VARIANCE : frames);
}

/** Frames needed for a noise gain, rounded up. */
export function framesForGain(gain: number, combine: CombineKind = 'mean'): number {
  const wanted = checkPositive('a noise gain', gain) ** 2 * (combine === 'median' ? MEDIAN_VARIANCE : 1);
  // 1e-9: 4 frames for a gain of 2, not 5 because of the last bit.
  return Math.max(1, Math.ceil(wanted - 1e-9));
}

/** A run of equal frames. */
export interface RunInput {
  readonly frames: number;
  /** s */
  readonly exposureTime: number;
  /** Between frames, s. */
  readonly pause: number;
}

/** From the first frame's start to the last one's end, s. */
export const runDuration = ({ frames, exposureTime, pause }: RunInput): number =>
  frames * exposureTime + (frames - 1) * pause;

/** How many frames fit into a stretch of time, s. */
export const framesInStretch = (stretch: number, { exposureTime, pause }: Omit<RunInput, 'frames'>): number =>
  Math.max(0, Math.floor((stretch + pause) / (exposureTime + pause)));

/** How far the sky turns about the pole in a time, deg. */
export const skyTurn = (seconds: number): number => (SIDEREAL_RATE * seconds) / 3600;

/** Most that frames can take on the card, bytes: every pixel stored raw with `bits` (default 14) and not compressed. */
export const cardSpace = (input: {
  readonly frames: number;
  readonly imageWidth: number;
  readonly imageHeight: number;
  readonly bits?: number;
}): number => Math.ceil((input.frames * input.imageWidth * input.imageHeight * (input.bits ?? 14)) / 8);
