import { degToRad } from '../core/index.js';

/**
 * Refraction to add to a true altitude, deg, at 1010 mbar and 10 C. Below -1 deg, where no formula holds,
 * it fades linearly to 0 at the nadir so that it stays continuous.
 * @source T. Saemundsson, Sky & Telescope 72 (1986) 70; J. Meeus, Astronomical Algorithms, eq. 16.4.
 */
export function refractionFromTrue(altitude: number): number {
  if (altitude < -1) return refractionFromTrue(-1) * Math.max(0, (altitude + 90) / 89);
  return Math.max(0, 1.02 / Math.tan(degToRad(altitude + 10.3 / (altitude + 5.11)))) / 60;
}

/**
 * Refraction to take off an apparent altitude, deg, at 1010 mbar and 10 C; altitude from 0 (clamped) to 90.
 * @source G. G. Bennett, J. Navigation 35 (1982) 255; J. Meeus, Astronomical Algorithms, eq. 16.3.
 */
export function refractionFromApparent(altitude: number): number {
  const h = Math.max(altitude, 0);
  return Math.max(0, 1 / Math.tan(degToRad(h + 7.31 / (h + 4.4)))) / 60;
}

/** The altitude at which something is seen, deg, from its geometric (airless) altitude, deg. */
export const apparentAltitude = (altitude: number): number => altitude + refractionFromTrue(altitude);

/**
 * Relative air mass at an apparent altitude, deg; undefined below the horizon.
 * @source F. Kasten & A. T. Young, Applied Optics 28 (1989) 4735.
 */
export function airmass(apparent: number): number | undefined {
  if (!(apparent >= 0 && apparent <= 90)) return undefined;
  return 1 / (Math.sin(degToRad(apparent)) + 0.505_72 * (apparent + 6.079_95) ** -1.6364);
}
