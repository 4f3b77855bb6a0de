import {
  type Alignment,
  type LensModel,
  type SolvedPointing,
  solvePointing,
  unprojectPixel,
} from '../alignment/index.js';
import type { SkyAt } from '../finishing/index.js';
import type { FitsCard } from '../frames/index.js';
import { equatorialToGalactic, localSiderealTime, type Position, starCatalogue } from '../sky/index.js';

/** Where a stack's grid points, found by its stars. */
export interface SkyPointing extends SolvedPointing {
  readonly lens: LensModel;
  /** Direction of the zenith in the camera's axes, where site and clock are known; good to a fifth of a degree. */
  readonly zenith?: readonly [number, number, number];
}

/**
 * Finds where the stack's grid points by laying the star catalogue over the run's stars.
 * @returns undefined where the run has no sky-motion model, or the stars do not agree
 */
export function skyPointing(
  alignment: Alignment,
  at?: { readonly site: Position; readonly instant: Date },
): SkyPointing | undefined {
  const { model, trackDirections, trackFlux } = alignment;
  if (!model || !trackDirections || !trackFlux) return undefined;
  const stars = starCatalogue();
  const vectors = new Float64Array(3 * stars.count);
  for (let i = 0; i < stars.count; i++) {
    const ra = (stars.rightAscension[i]! * Math.PI) / 180;
    const dec = (stars.declination[i]! * Math.PI) / 180;
    vectors[3 * i] = Math.cos(dec) * Math.cos(ra);
    vectors[3 * i + 1] = Math.cos(dec) * Math.sin(ra);
    vectors[3 * i + 2] = Math.sin(dec);
  }
  const solved = solvePointing({
    directions: trackDirections,
    flux: trackFlux,
    catalogue: vectors,
    magnitude: stars.magnitude,
  });
  return solved && { lens: model.lens, ...solved, ...(at ? { zenith: zenithOf(solved.toCamera, at) } : {}) };
}

/** The zenith's hour angle is zero and its declination the latitude; precession since 2000 is left out. */
function zenithOf(
  m: readonly number[],
  { site, instant }: { readonly site: Position; readonly instant: Date },
): readonly [number, number, number] {
  const ra = (localSiderealTime(instant, site.longitude) * Math.PI) / 180;
  const dec = (site.latitude * Math.PI) / 180;
  const [x, y, z] = [Math.cos(dec) * Math.cos(ra), Math.cos(dec) * Math.sin(ra), Math.sin(dec)];
  const along = (row: number) => m[3 * row]! * x + m[3 * row + 1]! * y + m[3 * row + 2]! * z;
  return [along(0), along(1), along(2)];
}

/**
 * The plate solution of a stack for its FITS header: a tangent plane about the middle of the frame, with the scale
 * there. What the lens bends on top of that is not in it; a wide lens is off by degrees in the corners.
 * @source M. R. Calabretta & E. W. Greisen, A&A 395 (2002) 1077: the TAN projection and the CD matrix
 */
export function plateCards(pointing: SkyPointing, width: number, height: number): FitsCard[] {
  const { lens, toCamera: m } = pointing;
  const skyOf = (x: number, y: number): [number, number, number] => {
    const [u, v, w] = unprojectPixel(lens, x, y);
    return [0, 1, 2].map((i) => m[i]! * u + m[3 + i]! * v + m[6 + i]! * w) as [number, number, number];
  };
  const [cx, cy] = [(width - 1) / 2, (height - 1) / 2];
  const middle = skyOf(cx, cy);
  const ra = Math.atan2(middle[1], middle[0]);
  const dec = Math.asin(Math.max(-1, Math.min(1, middle[2])));
  const east = [-Math.sin(ra), Math.cos(ra), 0];
  const north = [-Math.sin(dec) * Math.cos(ra), -Math.sin(dec) * Math.sin(ra), Math.cos(dec)];
  // deg on the tangent plane per px, from points a few px away.
  const step = 4;
  const slope = (dx: number, dy: number, axis: readonly number[]): number => {
    const along = ([x, y, z]: readonly [number, number, number]) =>
      (x * axis[0]! + y * axis[1]! + z * axis[2]!) / (x * middle[0] + y * middle[1] + z * middle[2]);
    const difference = along(skyOf(cx + dx, cy + dy)) - along(skyOf(cx - dx, cy - dy));
    return ((difference / (2 * step)) * 180) / Math.PI;
  };
  const digits = (value: number): number => Number(value.toPrecision(9));
  const deg = (value: number): number => digits(((value * 180) / Math.PI + 360) % 360);
  // FITS counts from 1 and its rows from below.
  return [
    { keyword: 'CTYPE1', value: 'RA---TAN', comment: 'tangent plane; lens distortion not included' },
    { keyword: 'CTYPE2', value: 'DEC--TAN' },
    { keyword: 'CUNIT1', value: 'deg' },
    { keyword: 'CUNIT2', value: 'deg' },
    { keyword: 'CRPIX1', value: cx + 1 },
    { keyword: 'CRPIX2', value: height - cy },
    { keyword: 'CRVAL1', value: deg(ra), comment: '[deg] right ascension of the middle' },
    { keyword: 'CRVAL2', value: digits((dec * 180) / Math.PI), comment: '[deg] declination of the middle' },
    { keyword: 'CD1_1', value: digits(slope(step, 0, east)) },
    { keyword: 'CD1_2', value: digits(-slope(0, step, east)) },
    { keyword: 'CD2_1', value: digits(slope(step, 0, north)) },
    { keyword: 'CD2_2', value: digits(-slope(0, step, north)) },
    { keyword: 'RADESYS', value: 'ICRS' },
    { keyword: 'EQUINOX', value: 2000 },
  ];
}

/** Galactic longitude (-180..180) and latitude, deg, of a place on the stack, px; NaN where the lens shows none. */
export function galacticAt(
  pointing: SkyPointing,
  x: number,
  y: number,
): { longitude: number; latitude: number } {
  const { lens, toCamera: m } = pointing;
  const [u, v, w] = unprojectPixel(lens, x, y);
  const ex = m[0]! * u + m[3]! * v + m[6]! * w;
  const ey = m[1]! * u + m[4]! * v + m[7]! * w;
  const ez = m[2]! * u + m[5]! * v + m[8]! * w;
  const { longitude, latitude } = equatorialToGalactic({
    rightAscension: ((Math.atan2(ey, ex) * 180) / Math.PI + 360) % 360,
    declination: (Math.asin(Math.max(-1, Math.min(1, ez))) * 180) / Math.PI,
  });
  return { longitude: longitude > 180 ? longitude - 360 : longitude, latitude };
}

/** Where each place of the stack looks. */
export function skyPlaces(pointing: SkyPointing): SkyAt {
  const { zenith, lens } = pointing;
  return (x, y) => {
    const place = galacticAt(pointing, x, y);
    if (!zenith) return place;
    const [u, v, w] = unprojectPixel(lens, x, y);
    const sine = u * zenith[0] + v * zenith[1] + w * zenith[2];
    return { ...place, altitude: (Math.asin(Math.max(-1, Math.min(1, sine))) * 180) / Math.PI };
  };
}
