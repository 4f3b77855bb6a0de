/**
 * The geometry of the simulated night. It is written apart from `src/sky` and `src/alignment` on purpose:
 * truth that shared code with what it judges would share its mistakes.
 */
import { degToRad, radToDeg } from '../src/core/index.js';
import { type LensOnSensor, project, unproject } from './_lens.js';
import { focalLengthPx, type NightScenario, type Pointing, type Shot } from './night-scenario.js';

/** Row-major 3x3. */
export type Matrix3 = readonly number[];

export function multiply(a: Matrix3, b: Matrix3): number[] {
  const out = new Array<number>(9);
  for (let r = 0; r < 3; r++) {
    for (let c = 0; c < 3; c++) {
      out[r * 3 + c] = a[r * 3]! * b[c]! + a[r * 3 + 1]! * b[3 + c]! + a[r * 3 + 2]! * b[6 + c]!;
    }
  }
  return out;
}

export const transpose = (m: Matrix3): number[] => [
  m[0]!,
  m[3]!,
  m[6]!,
  m[1]!,
  m[4]!,
  m[7]!,
  m[2]!,
  m[5]!,
  m[8]!,
];

export function apply(m: Matrix3, v: readonly [number, number, number]): [number, number, number] {
  return [
    m[0]! * v[0] + m[1]! * v[1] + m[2]! * v[2],
    m[3]! * v[0] + m[4]! * v[1] + m[5]! * v[2],
    m[6]! * v[0] + m[7]! * v[1] + m[8]! * v[2],
  ];
}

/** Unit vector of a longitude-like and a latitude-like angle, deg. */
export function direction(longitude: number, latitude: number): [number, number, number] {
  const a = degToRad(longitude);
  const d = degToRad(latitude);
  return [Math.cos(d) * Math.cos(a), Math.cos(d) * Math.sin(a), Math.sin(d)];
}

const julianDay = (ms: number): number => ms / 86_400_000 + 2_440_587.5;

/** Greenwich mean sidereal time, deg. @source Meeus, Astronomical Algorithms (1998), eq. 12.4; UT1 taken as UTC. */
export function greenwichSiderealTime(ms: number): number {
  const days = julianDay(ms) - 2_451_545;
  const centuries = days / 36_525;
  return 280.460_618_37 + 360.985_647_366_29 * days + 0.000_387_933 * centuries * centuries;
}

/** Precession from J2000 to the date, as a matrix on unit vectors. @source J. H. Lieske et al., A&A 58 (1977) 1. */
export function precession(ms: number): number[] {
  const t = (julianDay(ms) - 2_451_545) / 36_525;
  const arcsec = (value: number) => degToRad(value / 3600);
  const zeta = arcsec(t * (2306.2181 + t * (0.30188 + t * 0.017998)));
  const z = arcsec(t * (2306.2181 + t * (1.09468 + t * 0.018203)));
  const theta = arcsec(t * (2004.3109 - t * (0.42665 + t * 0.041833)));
  const about3 = (angle: number) => [
    Math.cos(angle),
    -Math.sin(angle),
    0,
    Math.sin(angle),
    Math.cos(angle),
    0,
    0,
    0,
    1,
  ];
  const about2 = [Math.cos(theta), 0, -Math.sin(theta), 0, 1, 0, Math.sin(theta), 0, Math.cos(theta)];
  return multiply(about3(z), multiply(about2, about3(zeta)));
}

/** Equatorial of date to east, north, up, at a latitude and local sidereal time (deg). @source Meeus, eq. 13.5, 13.6. */
export function equatorialToEnu(latitude: number, siderealTime: number): number[] {
  const phi = degToRad(latitude);
  const s = degToRad(siderealTime);
  return [
    -Math.sin(s),
    Math.cos(s),
    0,
    -Math.sin(phi) * Math.cos(s),
    -Math.sin(phi) * Math.sin(s),
    Math.cos(phi),
    Math.cos(phi) * Math.cos(s),
    Math.cos(phi) * Math.sin(s),
    Math.sin(phi),
  ];
}

/** Refraction from the true altitude, deg. @source T. Saemundsson, Sky & Telescope 72 (1986) 70; held constant below -1 deg. */
export function refraction(altitude: number): number {
  const h = Math.max(-1, altitude);
  return 1.02 / Math.tan(degToRad(h + 10.3 / (h + 5.11))) / 60;
}

/** Lifts (or lowers back) a direction in east, north, up by the refraction, in place. */
function bend(v: Float64Array, back: boolean): void {
  const level = Math.hypot(v[0]!, v[1]!);
  const seen = radToDeg(Math.atan2(v[2]!, level));
  let altitude = seen + refraction(seen);
  if (back) {
    altitude = seen;
    for (let i = 0; i < 5; i++) altitude = seen - refraction(altitude);
  }
  if (level < 1e-9) return;
  const cosine = Math.cos(degToRad(altitude)) / level;
  v[0] = v[0]! * cosine;
  v[1] = v[1]! * cosine;
  v[2] = Math.sin(degToRad(altitude));
}

/** East, north, up to camera axes (x right, y down, z forward) for a pointing. */
export function cameraAxes(pointing: Pointing): number[] {
  const az = degToRad(pointing.azimuth);
  const alt = degToRad(pointing.altitude);
  const roll = degToRad(pointing.roll);
  const forward = [Math.sin(az) * Math.cos(alt), Math.cos(az) * Math.cos(alt), Math.sin(alt)];
  const right = [Math.cos(az), -Math.sin(az), 0];
  const down = [
    forward[1]! * right[2]! - forward[2]! * right[1]!,
    forward[2]! * right[0]! - forward[0]! * right[2]!,
    forward[0]! * right[1]! - forward[1]! * right[0]!,
  ];
  const turned = (c: number, s: number) => right.map((value, i) => c * value + s * down[i]!);
  return [...turned(Math.cos(roll), Math.sin(roll)), ...turned(-Math.sin(roll), Math.cos(roll)), ...forward];
}

/** The EXIF orientation that shows a picture taken with this roll upright. @source Exif 2.32, Orientation. */
export function orientationOf(roll: number): 1 | 3 | 6 | 8 {
  const quarter = ((Math.round(roll / 90) % 4) + 4) % 4;
  return ([1, 6, 3, 8] as const)[quarter]!;
}

/** Everything fixed of one frame: where the camera really pointed and what the lens did. */
export interface FrameGeometry {
  readonly camera: Matrix3;
  readonly lens: LensOnSensor;
  readonly refraction: boolean;
  /** J2000 to east, north, up at a moment, s after the scenario's start. */
  readonly skyAt: (time: number) => Matrix3;
}

/** Builds the geometry of a frame. */
export function frameGeometry(scenario: NightScenario, shot: Shot): FrameGeometry {
  const { width, height } = scenario.camera;
  const focal = focalLengthPx(scenario) * (shot.scale ?? 1);
  const lens: LensOnSensor = {
    shape: scenario.lens.shape,
    focalLengthPx: focal,
    centerX: (width - 1) / 2 + scenario.lens.shape.offsetX,
    centerY: (height - 1) / 2 + scenario.lens.shape.offsetY,
  };
  let camera: Matrix3 = cameraAxes(shot.pointing ?? scenario.pointing);
  if (shot.head) {
    const a = Math.atan(shot.head.x / focal);
    const b = Math.atan(shot.head.y / focal);
    const c = degToRad(shot.head.rotation);
    const yaw = [Math.cos(a), 0, Math.sin(a), 0, 1, 0, -Math.sin(a), 0, Math.cos(a)];
    const pitch = [1, 0, 0, 0, Math.cos(b), Math.sin(b), 0, -Math.sin(b), Math.cos(b)];
    const roll = [Math.cos(c), -Math.sin(c), 0, Math.sin(c), Math.cos(c), 0, 0, 0, 1];
    camera = multiply(yaw, multiply(pitch, multiply(roll, camera)));
  }
  const startMs = Date.parse(scenario.start);
  const toDate = precession(startMs);
  const { latitude, longitude } = scenario.site;
  return {
    camera,
    lens,
    refraction: scenario.sky.refraction,
    skyAt: (time) =>
      multiply(equatorialToEnu(latitude, greenwichSiderealTime(startMs + time * 1000) + longitude), toDate),
  };
}

/** Projects a J2000 unit vector to px through a sky matrix of `skyAt`; `out` gets x, y and the sine of the apparent altitude. */
export function starToPixel(
  geometry: FrameGeometry,
  sky: Matrix3,
  x: number,
  y: number,
  z: number,
  out: Float64Array,
): void {
  const v = SCRATCH;
  v[0] = sky[0]! * x + sky[1]! * y + sky[2]! * z;
  v[1] = sky[3]! * x + sky[4]! * y + sky[5]! * z;
  v[2] = sky[6]! * x + sky[7]! * y + sky[8]! * z;
  if (geometry.refraction) bend(v, false);
  const e = v[0]!;
  const n = v[1]!;
  const u = v[2]!;
  const m = geometry.camera;
  project(
    geometry.lens,
    m[0]! * e + m[1]! * n + m[2]! * u,
    m[3]! * e + m[4]! * n + m[5]! * u,
    m[6]! * e + m[7]! * n + m[8]! * u,
    out,
  );
  out[2] = u;
}

const SCRATCH = new Float64Array(3);
const SCRATCH_OUT = new Float64Array(3);

/** The apparent direction (east, north, up) that a pixel looks at. */
export function pixelToEnu(geometry: FrameGeometry, px: number, py: number): [number, number, number] {
  unproject(geometry.lens, px, py, SCRATCH_OUT);
  const m = geometry.camera;
  const x = SCRATCH_OUT[0]!;
  const y = SCRATCH_OUT[1]!;
  const z = SCRATCH_OUT[2]!;
  return [
    m[0]! * x + m[3]! * y + m[6]! * z,
    m[1]! * x + m[4]! * y + m[7]! * z,
    m[2]! * x + m[5]! * y + m[8]! * z,
  ];
}

/** Undoes the refraction of an apparent direction in east, north, up. */
export function unrefracted(enu: readonly [number, number, number]): [number, number, number] {
  const v = Float64Array.from(enu);
  bend(v, true);
  return [v[0]!, v[1]!, v[2]!];
}

/** The J2000 direction seen at a pixel at a moment, s after the scenario's start. */
export function pixelToSky(
  geometry: FrameGeometry,
  sky: Matrix3,
  px: number,
  py: number,
): [number, number, number] {
  const enu = pixelToEnu(geometry, px, py);
  return apply(transpose(sky), geometry.refraction ? unrefracted(enu) : enu);
}
