import { degToRad, plateScale, radToDeg, SIDEREAL_RATE } from '../core/index.js';
import { checkPositive, checkRange } from './_check.js';

/** Below this cosine of the declination (0.2 arcsec from the pole) a star does not trail and has no limit. */
const POLE_COSINE = 1e-6;

function cosineOf(declination: number): number {
  checkRange('a declination', declination, { min: -90, max: 90, unit: 'deg' });
  const cosine = Math.cos(degToRad(declination));
  return cosine < POLE_COSINE ? 0 : cosine;
}

/**
 * Longest shutter by the 500 rule, s: 500 / (focal length x crop factor). Blind to pixel size and declination.
 * @source common practice. @throws {InputError} VALUE_OUT_OF_RANGE unless both are above 0
 */
export const rule500 = (focalLengthMm: number, crop = 1): number =>
  500 / (checkPositive('a focal length', focalLengthMm, 'mm') * checkPositive('a crop factor', crop));

/** Camera and lens as the shutter rules need them. */
export interface Optics {
  readonly focalLengthMm: number;
  readonly pixelPitchUm: number;
  /** Full f-number; only the NPF rules use it. */
  readonly fNumber: number;
}

function checkOptics({ focalLengthMm, pixelPitchUm, fNumber }: Optics): void {
  checkPositive('a focal length', focalLengthMm, 'mm');
  checkPositive('a pixel pitch', pixelPitchUm, 'um');
  checkPositive('an f-number', fNumber);
}

/** Longest shutter by the simple NPF rule, s: (35 N + 30 p) / f, at the celestial equator. @source Societe Astronomique du Havre, NPF rule. */
export function npfSimple(optics: Optics): number {
  checkOptics(optics);
  return (35 * optics.fNumber + 30 * optics.pixelPitchUm) / optics.focalLengthMm;
}

/**
 * Longest shutter by the full NPF rule, s: k (16.856 N + 0.0997 f + 13.713 p) / (f cos declination).
 * k = 1 for strict points, 2 for a trail hardly seen. Undefined at the celestial pole, where nothing trails.
 * @source F. Michaud, Societe Astronomique du Havre; coefficients before rounding (13.713 = 206.265/15.041,
 * a trail of 1 px; 0.0997 = 1.5/15.041, seeing of 1.5 arcsec).
 */
export function npfFull(optics: Optics, declination: number, k = 1): number | undefined {
  checkOptics(optics);
  checkPositive('the factor k', k);
  const cosine = cosineOf(declination);
  if (cosine === 0) return undefined;
  const { fNumber, focalLengthMm, pixelPitchUm } = optics;
  return (k * (16.856 * fNumber + 0.0997 * focalLengthMm + 13.713 * pixelPitchUm)) / (focalLengthMm * cosine);
}

/** What decides how far a star moves over the pixels. */
export interface TrailInput {
  /** s */
  readonly exposureTime: number;
  /** deg */
  readonly declination: number;
  readonly focalLengthMm: number;
  readonly pixelPitchUm: number;
}

/** Trail of a star on the optical axis in one exposure, px; 0 at the pole. @source small angles: rate x cos(dec) x t / plate scale. */
export function trailLength(input: TrailInput): number {
  checkPositive('an exposure time', input.exposureTime, 's');
  const scale = plateScale(
    checkPositive('a pixel pitch', input.pixelPitchUm, 'um'),
    checkPositive('a focal length', input.focalLengthMm, 'mm'),
  );
  return (SIDEREAL_RATE * cosineOf(input.declination) * input.exposureTime) / scale;
}

/** Longest exposure for a trail of `tolerance` px on the axis, s; undefined at the pole, where there is no limit. */
export function longestExposure(
  input: Omit<TrailInput, 'exposureTime'> & { readonly tolerance: number },
): number | undefined {
  checkPositive('a trail tolerance', input.tolerance, 'px');
  const trail = trailLength({ ...input, exposureTime: 1 });
  return trail === 0 ? undefined : input.tolerance / trail;
}

/**
 * How much longer a trail is at an angle from the axis of a rectilinear lens than on it: `radial` for motion
 * along the radius, the worst case, `tangential` across it. @source gnomonic projection: 1/cos^2 and 1/cos.
 */
export function offAxisStretch(angle: number): { radial: number; tangential: number } {
  checkRange('an angle from the axis', angle, { min: 0, max: 85, unit: 'deg' });
  const cosine = Math.cos(degToRad(angle));
  return { radial: 1 / (cosine * cosine), tangential: 1 / cosine };
}

/** Angle from the axis to the corner of a sensor, deg, for a rectilinear lens. */
export function cornerAngle(focalLengthMm: number, sensorWidthMm: number, sensorHeightMm: number): number {
  const half =
    Math.hypot(
      checkPositive('a sensor width', sensorWidthMm, 'mm'),
      checkPositive('a sensor height', sensorHeightMm, 'mm'),
    ) / 2;
  return radToDeg(Math.atan2(half, checkPositive('a focal length', focalLengthMm, 'mm')));
}

/** Shutter labels in thirds of a stop from 2^(-5/3) s up, s. @source labels in general use; ISO 516 gives the doubling series. */
const LABELS = [
  0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.3, 1.6, 2, 2.5, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60,
];

/**
 * What a labelled shutter really is on bodies whose series doubles from 1 s: 15 s exposes 16 s and 30 s
 * exposes 32 s, the thirds between them likewise (10 is 10.1, 13 is 12.7, 20 is 20.2, 25 is 25.4). Other
 * bodies are true to the label: the cadence and the measured trail decide. A value that is no label is
 * returned as it is.
 * @source APEX: exposure time = 2^-Tv with Tv in thirds of a stop (EXIF 2.32, annex C)
 */
export function realShutter(nominal: number): number {
  const step = LABELS.indexOf(checkPositive('a shutter', nominal, 's'));
  return step < 0 ? nominal : 2 ** ((step - 5) / 3);
}

/** The longest labelled shutter that does not expose longer than `limit`, s, on either kind of body; undefined below 0.3 s. */
export const longestLabel = (limit: number): number | undefined =>
  LABELS.findLast((label) => Math.max(label, realShutter(label)) <= limit);
