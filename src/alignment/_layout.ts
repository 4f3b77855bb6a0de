import { LENS_VALUES } from './_lens-derivatives.js';
import type { FramesInfo, Priors } from './_state.js';

/** Which unknown stands where; -1 = held. */
export interface Layout {
  readonly lens: Int32Array;
  readonly pole: number;
  readonly refraction: number;
  readonly sag: number;
  readonly segments: number;
  readonly globals: number;
  readonly perFrame: 3 | 4;
  /** First unknown of each frame; -1 for the reference. */
  readonly frames: Int32Array;
  readonly total: number;
}

export function layOut(priors: Priors, frames: FramesInfo): Layout {
  let n = 0;
  const lens = new Int32Array(LENS_VALUES).fill(-1);
  for (let k = 0; k < LENS_VALUES; k++) if (priors.lensSigma[k]! > 0) lens[k] = n++;
  const pole = n;
  n += 2;
  const refraction = priors.refraction > 0 ? n : -1;
  if (priors.refraction > 0) n += 3;
  const sag = priors.sag > 0 ? n : -1;
  if (priors.sag > 0) n += 3;
  const segments = n;
  n += 3 * frames.segmentCount;
  const globals = n;
  const perFrame = priors.scale > 0 ? 4 : 3;
  const starts = new Int32Array(frames.count).fill(-1);
  for (let i = 0; i < frames.count; i++) {
    if (i === frames.reference) continue;
    starts[i] = n;
    n += perFrame;
  }
  return { lens, pole, refraction, sag, segments, globals, perFrame, frames: starts, total: n };
}
