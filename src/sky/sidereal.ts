import { e_tilt, MakeTime } from 'astronomy-engine';
import { julianDay } from './julian.js';

const wrap = (degrees: number): number => ((degrees % 360) + 360) % 360;

/**
 * Mean sidereal time at Greenwich, deg in [0, 360). UT1 is taken as UTC (below 0.9 s apart by definition,
 * 0.2 s in 2026).
 * @source IAU 1982 expression; J. Meeus, Astronomical Algorithms (2nd ed. 1998), eq. 12.4.
 */
export function meanSiderealTime(instant: Date): number {
  const days = julianDay(instant) - 2_451_545;
  const t = days / 36_525;
  return wrap(280.460_618_37 + 360.985_647_366_29 * days + 0.000_387_933 * t * t - (t * t * t) / 38_710_000);
}

/**
 * Apparent sidereal time at a longitude (+E), deg in [0, 360).
 * @source mean sidereal time and the equation of the equinoxes of astronomy-engine `e_tilt` (nutation to 0.1 arcsec)
 */
export const localSiderealTime = (instant: Date, longitude: number): number =>
  wrap(meanSiderealTime(instant) + e_tilt(MakeTime(instant)).ee / 240 + longitude);
