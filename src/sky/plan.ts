import { InputError } from '../core/index.js';
import { checkPositive, checkRange } from './_check.js';
import { checkPosition } from './coordinates.js';
import type { NightSite } from './darkness.js';
import { parseTarget } from './targets.js';
import { checkZone, nightWindow } from './zoned-time.js';

/** Where a plan is for. */
export interface PlanSite extends NightSite {
  readonly name?: string;
}

/** What the photographer intends for a night, written before it. Unknown is absent. */
export interface Plan {
  readonly site: PlanSite;
  /** The evening's local date, `YYYY-MM-DD`. */
  readonly night: string;
  /** `core`, `arch`, a bright object's name, or `RA,DEC` in deg (J2000). */
  readonly target: string;
  readonly focalLengthMm?: number;
  /** 36 x 24 mm diagonal divided by the sensor's. */
  readonly crop?: number;
  readonly pixelPitchUm?: number;
  readonly fNumber?: number;
  readonly iso?: number;
  /** Shutter as set on the camera, s. */
  readonly shutter?: number;
  /** Lights wanted. */
  readonly frames?: number;
  readonly notes?: string;
  readonly camera?: string;
  readonly lens?: string;
  readonly sensorWidthMm?: number;
  readonly sensorHeightMm?: number;
  /** Size of the picture, px. */
  readonly imageWidth?: number;
  readonly imageHeight?: number;
  /** True when the camera stands on its side. */
  readonly portrait?: boolean;
  /** Trail the photographer accepts at the target, px; `PLAN_DEFAULTS.trailTolerance` unless given. */
  readonly trailTolerance?: number;
  /** Geometric altitude from which the target is worth a frame, deg; `PLAN_DEFAULTS.minimumAltitude` unless given. */
  readonly minimumAltitude?: number;
  /** Moonless zenith brightness at the site, mag/arcsec2. */
  readonly skyBrightness?: number;
  /** Where the sky brightness is from, in words: a meter, a map. */
  readonly skySource?: string;
}

/** What a plan uses where it says nothing. */
export const PLAN_DEFAULTS = {
  /** px; two are hardly seen at full size. Lower it for large prints. */
  trailTolerance: 2,
  /** deg; below it the air is more than 5.6 times as thick as overhead. Raise it where hills or lights stand. */
  minimumAltitude: 10,
  /** mag; a moon that brightens the target's sky by less is harmless. */
  harmlessMoon: 0.1,
  /** s between frames, for writing and a shutter delay. */
  pause: 1,
} as const;

/** Diagonal of a 36 x 24 mm frame, mm. */
const FULL_DIAGONAL = Math.hypot(36, 24);

const LIMITS: readonly (readonly [keyof Plan, string, number, number, string])[] = [
  ['focalLengthMm', 'a focal length', 1, 5000, 'mm'],
  ['crop', 'a crop factor', 0.2, 20, ''],
  ['pixelPitchUm', 'a pixel pitch', 0.3, 50, 'um'],
  ['fNumber', 'an f-number', 0.5, 128, ''],
  ['iso', 'an ISO setting', 1, 10_000_000, ''],
  ['shutter', 'a shutter', 1 / 8000, 3600, 's'],
  ['frames', 'a number of frames', 1, 100_000, ''],
  ['sensorWidthMm', 'a sensor width', 1, 200, 'mm'],
  ['sensorHeightMm', 'a sensor height', 1, 200, 'mm'],
  ['imageWidth', 'a picture width', 16, 100_000, 'px'],
  ['imageHeight', 'a picture height', 16, 100_000, 'px'],
  ['trailTolerance', 'a trail tolerance', 0.1, 1000, 'px'],
  ['minimumAltitude', 'a lowest target altitude', -5, 89, 'deg'],
  ['skyBrightness', 'a sky brightness', 10, 23, 'mag/arcsec2'],
];

/**
 * Holds a plan against what is possible and returns it.
 * @throws {InputError} in one sentence: impossible position, zone, date, target or setting
 */
export function checkPlan(plan: Plan): Plan {
  checkPosition(plan.site);
  checkYear(plan.night);
  nightWindow(plan.night, checkZone(plan.site.zone));
  parseTarget(plan.target);
  for (const [field, name, min, max, unit] of LIMITS) {
    const value = plan[field];
    if (value === undefined) continue;
    checkRange(name, value as number, { min, max, ...(unit === '' ? {} : { unit }) });
  }
  if (plan.frames !== undefined && !Number.isInteger(plan.frames)) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a whole number of frames but received ${plan.frames}.`,
    );
  }
  return plan;
}

/** Years in which clocks keep zones, and the ephemeris keeps its promise. */
const YEARS = [1900, 2199] as const;

function checkYear(night: string): void {
  const year = Number(night.slice(0, 4));
  if (year < YEARS[0] || year > YEARS[1]) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a night between ${YEARS[0]} and ${YEARS[1]} but received ${night}.`,
    );
  }
}

/** Camera facts of a plan, worked out from what it gives. */
export interface PlanCamera {
  readonly crop: number;
  /** True when nothing told the sensor's size and 36 x 24 mm was taken. */
  readonly cropIsAssumed: boolean;
  readonly pixelPitchUm?: number;
  readonly sensorWidthMm: number;
  readonly sensorHeightMm: number;
}

/** Works out crop, pitch and sensor size from each other: size from the pixels, or from the crop at 3:2. */
export function planCamera(plan: Plan): PlanCamera {
  const { pixelPitchUm, imageWidth, imageHeight } = plan;
  let width = plan.sensorWidthMm;
  let height = plan.sensorHeightMm;
  if (pixelPitchUm !== undefined && imageWidth !== undefined && imageHeight !== undefined) {
    width ??= (imageWidth * pixelPitchUm) / 1000;
    height ??= (imageHeight * pixelPitchUm) / 1000;
  }
  const known = width !== undefined && height !== undefined;
  const crop = plan.crop ?? (known ? FULL_DIAGONAL / Math.hypot(width!, height!) : 1);
  const pitch =
    pixelPitchUm ??
    (width !== undefined && imageWidth !== undefined ? (width * 1000) / imageWidth : undefined);
  return {
    crop: checkPositive('a crop factor', crop),
    cropIsAssumed: plan.crop === undefined && !known,
    ...(pitch === undefined ? {} : { pixelPitchUm: pitch }),
    sensorWidthMm: width ?? 36 / crop,
    sensorHeightMm: height ?? 24 / crop,
  };
}
