import { apply, applyTransposed, multiply, rotationExp, transpose } from './_rotation.js';
import { projectDirection, unprojectPixel } from './geometry.js';
import { refract, unrefract } from './refraction.js';
import type { Alignment, FrameFit, LensModel, SkyMotionModel } from './types.js';

/** What one frame needs to be mapped, taken apart once. */
export interface FrameCamera {
  readonly lens: LensModel;
  readonly turn: readonly number[];
  /** The camera's own rotation against the reference, the sky's turn removed. */
  readonly camera: readonly number[];
  readonly refraction: readonly number[];
}

/** The lens as it stood in a frame: the model's, with the frame's own scale. */
export function frameLens(model: SkyMotionModel, fit: FrameFit): LensModel {
  const scale = fit.scale ?? 1;
  return scale === 1 ? model.lens : { ...model.lens, focalLengthPx: model.lens.focalLengthPx * scale };
}

export function frameCamera(model: SkyMotionModel, fit: FrameFit): FrameCamera {
  const turn = turnOf(model, fit.turn ?? 0);
  return {
    lens: frameLens(model, fit),
    turn,
    camera: multiply(fit.rotation, transpose(turn)),
    refraction: model.lowOrder,
  };
}

export function turnOf(model: SkyMotionModel, turn: number): number[] {
  return rotationExp(model.pole[0] * turn, model.pole[1] * turn, model.pole[2] * turn);
}

/** The frame's fit and the model, or undefined when the frame has none. */
export function fittedFrame(alignment: Alignment, index: number): FrameFit | undefined {
  const fit = alignment.frames[index];
  if (!fit)
    throw new RangeError(`Expected a frame index below ${alignment.frames.length} but received ${index}`);
  return fit.status === 'fitted' ? fit : undefined;
}

/** Place on a frame of a direction (reference camera's axes, above refraction). */
export function showDirection(frame: FrameCamera, direction: ArrayLike<number>): [number, number] {
  const apparent = refract(frame.refraction, apply(frame.turn, direction));
  return projectDirection(frame.lens, apply(frame.camera, apparent));
}

/** Direction (reference camera's axes, above refraction) that a place on a frame shows. */
export function seeDirection(frame: FrameCamera, x: number, y: number): [number, number, number] {
  const apparent = applyTransposed(frame.camera, unprojectPixel(frame.lens, x, y));
  return applyTransposed(frame.turn, unrefract(frame.refraction, apparent));
}
