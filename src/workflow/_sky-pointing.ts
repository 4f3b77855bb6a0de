import { type Alignment, type LensModel, unprojectPixel } from '../alignment/index.js';
import type { BandTest } from '../finishing/index.js';
import { equatorialToGalactic, localSiderealTime, type Position } from '../sky/index.js';
import { zenithInCamera } from '../verdicts/index.js';

/** Where a stack's grid points: its lens, and its camera's axes on the sky. Good to a few degrees. */
export interface SkyPointing {
  readonly lens: LensModel;
  /** Unit vectors, in the camera's axes, of the north celestial pole and of the meridian's point on the equator. */
  readonly pole: readonly [number, number, number];
  readonly meridian: readonly [number, number, number];
  /** Local sidereal time, deg. */
  readonly siderealTime: number;
}

type Vector = readonly [number, number, number];
const dot = (a: Vector, b: Vector): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const scaled = (a: Vector, k: number): [number, number, number] => [a[0] * k, a[1] * k, a[2] * k];
const unit = (a: Vector): [number, number, number] => scaled(a, 1 / Math.hypot(...a));

/**
 * Works out the pointing from the pole that the stars turn about, the latitude, the clock, and a tripod that
 * stands level from side to side. The zenith's hour angle is zero and its declination the latitude.
 *
 * @returns undefined where one of them is not known
 */
export function skyPointing(
  alignment: Alignment,
  options: { readonly site: Position; readonly instant: Date; readonly orientation?: number | undefined },
): SkyPointing | undefined {
  const { site, instant, orientation } = options;
  const zenith = zenithInCamera(alignment, { latitude: site.latitude, orientation });
  if (!zenith || !alignment.model || Math.abs(site.latitude) < 3 || Math.abs(site.latitude) > 85)
    return undefined;
  // Of the model's two poles the one whose height is the latitude's is the north pole.
  const sine = Math.sin((site.latitude * Math.PI) / 180);
  const axis = unit(alignment.model.pole);
  const north =
    Math.abs(dot(axis, zenith) - sine) <= Math.abs(dot(axis, zenith) + sine) ? axis : scaled(axis, -1);
  const across = dot(north, zenith);
  const meridian = unit([
    zenith[0] - across * north[0],
    zenith[1] - across * north[1],
    zenith[2] - across * north[2],
  ]);
  return {
    lens: alignment.model.lens,
    pole: north,
    meridian,
    siderealTime: localSiderealTime(instant, site.longitude),
  };
}

/** Galactic longitude (-180..180) and latitude, deg, of a place on the stack, px; NaN where the lens shows none. */
export function galacticAt(
  pointing: SkyPointing,
  x: number,
  y: number,
): { longitude: number; latitude: number } {
  const { lens, pole, meridian, siderealTime } = pointing;
  const direction = unprojectPixel(lens, x, y);
  const declination = (Math.asin(Math.max(-1, Math.min(1, dot(direction, pole)))) * 180) / Math.PI;
  // The camera's axes (x right, y down, z forward) are right-handed, so west on the equator is meridian x pole.
  const west: Vector = [
    meridian[1] * pole[2] - meridian[2] * pole[1],
    meridian[2] * pole[0] - meridian[0] * pole[2],
    meridian[0] * pole[1] - meridian[1] * pole[0],
  ];
  const hourAngle = (Math.atan2(dot(direction, west), dot(direction, meridian)) * 180) / Math.PI;
  const rightAscension = (((siderealTime - hourAngle) % 360) + 360) % 360;
  const { longitude, latitude } = equatorialToGalactic({ rightAscension, declination });
  return { longitude: longitude > 180 ? longitude - 360 : longitude, latitude };
}

/** The Magellanic Clouds: galactic longitude and latitude and reach, deg. @source IAU positions of NED, J2000 */
const CLOUDS = [
  { longitude: -79.5, latitude: -32.9, reach: 6 },
  { longitude: -57.2, latitude: -44.3, reach: 4 },
];

/** Half-width of the band, deg: the disc, wider at the bulge; with room for a pointing that is off by a few. */
const bandReach = (longitude: number): number => 15 + 9 * Math.exp(-((longitude / 28) ** 2));

/** Tells whether a place on the stack shows the galactic band or one of the Magellanic Clouds. */
export const bandTest =
  (pointing: SkyPointing): BandTest =>
  (x, y) => {
    const { longitude, latitude } = galacticAt(pointing, x, y);
    if (!Number.isFinite(latitude)) return false;
    if (Math.abs(latitude) < bandReach(longitude)) return true;
    return CLOUDS.some((cloud) => {
      const across = (longitude - cloud.longitude) * Math.cos((cloud.latitude * Math.PI) / 180);
      return Math.hypot(across, latitude - cloud.latitude) < cloud.reach;
    });
  };
