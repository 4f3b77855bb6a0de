import {
  Body,
  C_AUDAY,
  e_tilt,
  HelioState,
  MakeTime,
  RotateVector,
  Rotation_EQJ_EQD,
  Vector,
} from 'astronomy-engine';
import { degToRad, radToDeg } from '../core/index.js';
import { checkRange } from './_check.js';
import { localSiderealTime } from './sidereal.js';

/** A direction on the sky, deg. `rightAscension` in [0, 360), `declination` in [-90, 90]. */
export interface Equatorial {
  readonly rightAscension: number;
  readonly declination: number;
}

/** A direction at a site, deg. `altitude` geometric (airless); `azimuth` from north through east in [0, 360). */
export interface Horizontal {
  readonly altitude: number;
  readonly azimuth: number;
}

/** A place on Earth, deg: latitude +N, longitude +E. Sea level. */
export interface Position {
  readonly latitude: number;
  readonly longitude: number;
}

/** Throws `InputError` VALUE_OUT_OF_RANGE unless the position is on Earth. */
export function checkPosition<T extends Position>(position: T): T {
  checkRange('a latitude', position.latitude, { min: -90, max: 90, unit: 'deg' });
  checkRange('a longitude', position.longitude, { min: -180, max: 180, unit: 'deg' });
  return position;
}

const wrap = (degrees: number): number => ((degrees % 360) + 360) % 360;

type Vec3 = readonly [number, number, number];

/** Unit vector of a longitude and latitude on a sphere, both deg. */
export function unitVector(longitude: number, latitude: number): Vec3 {
  const a = degToRad(longitude);
  const d = degToRad(latitude);
  return [Math.cos(d) * Math.cos(a), Math.cos(d) * Math.sin(a), Math.sin(d)];
}

/** Longitude in [0, 360) and latitude, deg, of a vector; longitude 0 at the poles. */
function spherical([x, y, z]: Vec3): readonly [number, number] {
  return [wrap(radToDeg(Math.atan2(y, x))), radToDeg(Math.atan2(z, Math.hypot(x, y)))];
}

/** Angle between two directions given as longitude and latitude pairs, deg. Sound at 0 and at 180 deg. */
export function separation(a: readonly [number, number], b: readonly [number, number]): number {
  const u = unitVector(a[0], a[1]);
  const v = unitVector(b[0], b[1]);
  const cross = Math.hypot(u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]);
  return radToDeg(Math.atan2(cross, u[0] * v[0] + u[1] * v[1] + u[2] * v[2]));
}

/** Great-circle separation of two sky positions, deg in [0, 180]. */
export const skySeparation = (a: Equatorial, b: Equatorial): number =>
  separation([a.rightAscension, a.declination], [b.rightAscension, b.declination]);

/**
 * Hour angle and declination to altitude and azimuth, all deg.
 * @source J. Meeus, Astronomical Algorithms, eq. 13.5 and 13.6, azimuth counted from north here.
 */
export function hourAngleToHorizontal(hourAngle: number, declination: number, latitude: number): Horizontal {
  const h = degToRad(hourAngle);
  const d = degToRad(declination);
  const f = degToRad(latitude);
  const east = -Math.cos(d) * Math.sin(h);
  const north = Math.sin(d) * Math.cos(f) - Math.cos(d) * Math.cos(h) * Math.sin(f);
  const up = Math.sin(d) * Math.sin(f) + Math.cos(d) * Math.cos(h) * Math.cos(f);
  return {
    altitude: radToDeg(Math.atan2(up, Math.hypot(east, north))),
    azimuth: wrap(radToDeg(Math.atan2(east, north))),
  };
}

/** Position of date to altitude and azimuth at a site. For stars and the like: no parallax. */
export const toHorizontal = (ofDate: Equatorial, instant: Date, site: Position): Horizontal =>
  hourAngleToHorizontal(
    localSiderealTime(instant, site.longitude) - ofDate.rightAscension,
    ofDate.declination,
    site.latitude,
  );

/** Altitude and azimuth to the position of date, all deg. @source the rotation of `hourAngleToHorizontal`, inverted. */
export function fromHorizontal({ altitude, azimuth }: Horizontal, instant: Date, site: Position): Equatorial {
  const [north, east, up] = unitVector(azimuth, altitude);
  const f = degToRad(site.latitude);
  const onMeridian = up * Math.cos(f) - north * Math.sin(f);
  const axis = north * Math.cos(f) + up * Math.sin(f);
  const [hourAngle, declination] = spherical([onMeridian, -east, axis]);
  return { rightAscension: wrap(localSiderealTime(instant, site.longitude) - hourAngle), declination };
}

/** A function that turns J2000 positions into apparent ones for the hours around an instant. */
export type ToApparent = (j2000: Equatorial) => Equatorial;

/**
 * Prepares the way from J2000 to the apparent place of date (aberration, precession, nutation). One
 * preparation serves a whole night: in 12 h the apparent place moves by less than 1 arcsec.
 * @source astronomy-engine `Rotation_EQJ_EQD`; aberration to first order, u + v/c (Explanatory Supplement, 3.253).
 */
export function apparentPlaces(instant: Date): ToApparent {
  const time = MakeTime(instant);
  const earth = HelioState(Body.Earth, time);
  const rotation = Rotation_EQJ_EQD(time);
  return ({ rightAscension, declination }) => {
    const u = unitVector(rightAscension, declination);
    const moved = new Vector(
      u[0] + earth.vx / C_AUDAY,
      u[1] + earth.vy / C_AUDAY,
      u[2] + earth.vz / C_AUDAY,
      time,
    );
    const { x, y, z } = RotateVector(rotation, moved);
    const [ra, dec] = spherical([x, y, z]);
    return { rightAscension: ra, declination: dec };
  };
}

/** J2000 to the apparent place of date. For many positions prepare once with `apparentPlaces`. */
export const toApparent = (j2000: Equatorial, instant: Date): Equatorial => apparentPlaces(instant)(j2000);

// Galactic axes in the J2000 frame, rows x, y, z. @source ESA SP-1200 (Hipparcos) vol. 1, eq. 1.5.11.
const GALACTIC: readonly [Vec3, Vec3, Vec3] = [
  [-0.054_875_560_416_2, -0.873_437_090_234_9, -0.483_835_015_548_7],
  [0.494_109_427_875_5, -0.444_829_629_96, 0.746_982_244_497_2],
  [-0.867_666_149_019, -0.198_076_373_431_2, 0.455_983_776_175_2],
];

/** Galactic longitude and latitude, deg, to J2000. */
export function galacticToEquatorial(longitude: number, latitude: number): Equatorial {
  const g = unitVector(longitude, latitude);
  const v = [0, 1, 2].map(
    (i) => GALACTIC[0][i]! * g[0] + GALACTIC[1][i]! * g[1] + GALACTIC[2][i]! * g[2],
  ) as unknown as Vec3;
  const [ra, dec] = spherical(v);
  return { rightAscension: ra, declination: dec };
}

/** J2000 to galactic longitude and latitude, deg. */
export function equatorialToGalactic(j2000: Equatorial): { longitude: number; latitude: number } {
  const u = unitVector(j2000.rightAscension, j2000.declination);
  const v = GALACTIC.map((row) => row[0] * u[0] + row[1] * u[1] + row[2] * u[2]) as unknown as Vec3;
  const [longitude, latitude] = spherical(v);
  return { longitude, latitude };
}

/** Equatorial to ecliptic longitude and latitude with a given obliquity, all deg. @source Meeus, eq. 13.1, 13.2. */
export function equatorialToEcliptic(
  position: Equatorial,
  obliquity: number,
): { longitude: number; latitude: number } {
  const [x, y, z] = unitVector(position.rightAscension, position.declination);
  const e = degToRad(obliquity);
  const [longitude, latitude] = spherical([
    x,
    y * Math.cos(e) + z * Math.sin(e),
    z * Math.cos(e) - y * Math.sin(e),
  ]);
  return { longitude, latitude };
}

/** Mean and true obliquity of the ecliptic, deg, and the nutation in arcsec. @source astronomy-engine `e_tilt`. */
export function obliquity(instant: Date): {
  mean: number;
  true: number;
  nutationLongitude: number;
  nutationObliquity: number;
} {
  const tilt = e_tilt(MakeTime(instant));
  return { mean: tilt.mobl, true: tilt.tobl, nutationLongitude: tilt.dpsi, nutationObliquity: tilt.deps };
}

/**
 * Unit vector of the north celestial pole in local east, north, up coordinates. The sky turns by
 * `SIDEREAL_RATE` arcsec/s about the negative of this vector (right-hand rule): counterclockwise to someone
 * who faces the north pole, clockwise to someone who faces the south pole.
 */
export function celestialPole(latitude: number): { east: number; north: number; up: number } {
  checkRange('a latitude', latitude, { min: -90, max: 90, unit: 'deg' });
  const f = degToRad(latitude);
  return { east: 0, north: Math.cos(f), up: Math.sin(f) };
}
