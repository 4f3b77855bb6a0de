import type { Alignment, LensModel } from './types.js';

/**
 * The lens that this run found, to be the next night's prior for the same body, lens and focal length;
 * undefined where the run did not hold the focal length.
 */
export function rememberedLens(alignment: Alignment): LensModel | undefined {
  return alignment.model && alignment.focalLengthPx?.known ? alignment.model.lens : undefined;
}
