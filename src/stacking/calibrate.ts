import { DataError, type FramePixels } from '../core/index.js';
import { removeBanding } from './banding.js';
import { type DefectMap, repairDefects } from './defects.js';
import { applyFalloff, type Falloff } from './falloff.js';
import type { Master } from './master.js';
import { geometryDifference } from './master.js';

/** What is applied to a light, in this order: dark or bias, banding, flat or falloff, defects. */
export interface CalibrationRecipe {
  readonly dark?: Master;
  /** Exposure of the light over that of the dark; only with a bias, which is not scaled. Default 1. */
  readonly darkScale?: number;
  readonly bias?: Master;
  readonly flat?: Master;
  /** Lens falloff, where there is no flat. */
  readonly falloff?: Falloff;
  readonly defects?: DefectMap;
  /** Takes row (or column) offsets off; for old bodies. Default none. */
  readonly banding?: 'rows' | 'columns' | 'none';
}

/** Flat values below this are dead pixels or outside the picture circle, not shading. */
const FLAT_FLOOR = 0.02;

/**
 * Calibrates a light in the mosaic. ADU above black throughout; negative values are kept (L05). After a flat
 * or a falloff correction a pixel means surface brightness relative to the middle of the picture.
 *
 * `light - dark`: both had the same nominal black taken off, so what is left of the black in the dark goes
 * with it, once. With bias and `darkScale` s: `light - bias - s (dark - bias)`.
 *
 * @returns new pixels; white levels lowered by the dark's level, so that clipped pixels are still known
 * @throws {DataError} CALIBRATION_MISMATCH when a master has another size, pattern or decoder
 */
export function calibrate(pixels: FramePixels, recipe: CalibrationRecipe): FramePixels {
  const { dark, bias, flat, falloff, defects, darkScale = 1 } = recipe;
  for (const master of [dark, bias, flat]) {
    const difference = master && geometryDifference(master, pixels);
    if (difference) {
      throw new DataError(
        'CALIBRATION_MISMATCH',
        `The master ${master.kind} does not fit this light: ${difference}.`,
      );
    }
  }
  if (darkScale !== 1 && dark && !bias) {
    throw new DataError('CALIBRATION_MISMATCH', 'A dark can be scaled only where a bias is known too.');
  }
  const data = pixels.data.slice();
  subtractDark(data, recipe);
  if (recipe.banding && recipe.banding !== 'none') {
    removeBanding(data, pixels, recipe.banding, (dark ?? bias)?.darkBorder);
  }
  if (flat) {
    const by = flat.data;
    for (let i = 0; i < data.length; i++) {
      data[i] = by[i]! > FLAT_FLOOR ? data[i]! / by[i]! : Number.NaN;
    }
  } else if (falloff) {
    applyFalloff(data, pixels, falloff);
  }
  if (defects && pixels.kind !== 'color') repairDefects(data, pixels, defects);
  const off = (dark?.level ?? 0) * darkScale + (bias ? bias.level * (dark ? 1 - darkScale : 1) : 0);
  const [r, g, b] = pixels.whiteLevel;
  return { ...pixels, data, whiteLevel: [r - off, g - off, b - off] };
}

function subtractDark(data: Float32Array, { dark, bias, darkScale = 1 }: CalibrationRecipe): void {
  const d = dark?.data;
  const b = bias?.data;
  if (d && b && darkScale !== 1) {
    for (let i = 0; i < data.length; i++) data[i] = data[i]! - b[i]! - darkScale * (d[i]! - b[i]!);
  } else if (d) {
    for (let i = 0; i < data.length; i++) data[i] = data[i]! - d[i]!;
  } else if (b) {
    for (let i = 0; i < data.length; i++) data[i] = data[i]! - b[i]!;
  }
}
