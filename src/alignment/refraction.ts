import { degToRad, radToDeg } from '../core/index.js';

/**
 * Lifts a true direction toward the zenith by the atmosphere's bending, in place of the same length.
 *
 * @param term  [zenith x, y, z, strength]: zenith in the same axes as the direction; strength 1 = 1010 hPa, 10 deg C
 * @source T. Saemundsson, Sky and Telescope 72 (1986) 70: R = 1.02' / tan(h + 10.3/(h + 5.11)), h true altitude,
 * deg; held at its value for h = -1 below that, where the formula ends.
 */
export function refract(term: readonly number[], direction: ArrayLike<number>): [number, number, number] {
  const [x, y, z] = [direction[0]!, direction[1]!, direction[2]!];
  const strength = term[3] ?? 0;
  if (strength === 0) return [x, y, z];
  const [zx, zy, zz] = [term[0]!, term[1]!, term[2]!];
  const sine = x * zx + y * zy + z * zz;
  const tx = zx - sine * x;
  const ty = zy - sine * y;
  const tz = zz - sine * z;
  const across = Math.hypot(tx, ty, tz);
  if (across < 1e-9) return [x, y, z];
  const lift = strength * liftAt(radToDeg(Math.atan2(sine, across)));
  const c = Math.cos(lift);
  const s = Math.sin(lift) / across;
  return [c * x + s * tx, c * y + s * ty, c * z + s * tz];
}

/** Refraction at true altitude `h` deg, rad; held below -1 deg. */
function liftAt(altitude: number): number {
  const h = Math.max(-1, altitude);
  return degToRad(1.02 / 60 / Math.tan(degToRad(h + 10.3 / (h + 5.11))));
}

/** Refraction at one direction: the apparent direction and how it follows small changes. */
export interface Bent {
  /** Apparent direction. */
  x: number;
  y: number;
  z: number;
  /** Row-major 3x3: change of the apparent direction by a small step across the true one. */
  readonly bySky: Float64Array;
  /** Row-major 3x3: change by a small step of the zenith across itself. */
  readonly byZenith: Float64Array;
  /** Change by the strength. */
  readonly byStrength: Float64Array;
}

export function makeBent(): Bent {
  return {
    x: 0,
    y: 0,
    z: 0,
    bySky: new Float64Array(9),
    byZenith: new Float64Array(9),
    byStrength: new Float64Array(3),
  };
}

/** `refract` without a new array. */
export function bend(term: readonly number[], x: number, y: number, z: number, out: Bent): void {
  const [zx, zy, zz, strength] = term as unknown as [number, number, number, number];
  const sine = x * zx + y * zy + z * zz;
  const tx = zx - sine * x;
  const ty = zy - sine * y;
  const tz = zz - sine * z;
  const across = Math.sqrt(tx * tx + ty * ty + tz * tz);
  if (strength === 0 || across < 1e-9) {
    out.x = x;
    out.y = y;
    out.z = z;
    return;
  }
  const lift = strength * liftAt(radToDeg(Math.atan2(sine, across)));
  const c = Math.cos(lift);
  const s = Math.sin(lift) / across;
  out.x = c * x + s * tx;
  out.y = c * y + s * ty;
  out.z = c * z + s * tz;
}

/**
 * `bend` with its derivatives: steps toward the zenith change with the height, steps along the horizon with
 * the circle of altitude.
 */
export function bendWithSlopes(term: readonly number[], x: number, y: number, z: number, out: Bent): void {
  const [zx, zy, zz, strength] = term as unknown as [number, number, number, number];
  const { bySky, byZenith, byStrength } = out;
  const sine = x * zx + y * zy + z * zz;
  const across = Math.hypot(zx - sine * x, zy - sine * y, zz - sine * z);
  bend(term, x, y, z, out);
  bySky.fill(0);
  if (strength === 0 || across < 1e-6) {
    bySky[0] = 1;
    bySky[4] = 1;
    bySky[8] = 1;
    byZenith.fill(0);
    byStrength.fill(0);
    return;
  }
  const d = [x, y, z];
  // Unit vector toward the zenith at the true place, and at the apparent one.
  const t = [(zx - sine * x) / across, (zy - sine * y) / across, (zz - sine * z) / across];
  const altitude = radToDeg(Math.atan2(sine, across));
  const plain = liftAt(altitude);
  const step = 1e-4;
  const slope = (strength * (liftAt(altitude + step) - liftAt(altitude - step))) / degToRad(2 * step);
  const c = Math.cos(strength * plain);
  const s = Math.sin(strength * plain);
  const side = (across * c - sine * s) / across;
  for (let r = 0; r < 3; r++) {
    const u = c * t[r]! - s * d[r]!;
    byStrength[r] = plain * u;
    for (let k = 0; k < 3; k++) {
      const unit = r === k ? 1 : 0;
      bySky[3 * r + k] = (1 + slope) * u * t[k]! + side * (unit - t[r]! * t[k]!);
      // A zenith that moves by e lifts the star by d.e / across and turns the way up about the star.
      const turn = (unit - d[r]! * d[k]! - t[r]! * t[k]!) / across;
      byZenith[3 * r + k] = (slope * u * d[k]!) / across + s * turn;
    }
  }
}

/** The true direction behind an apparent one: `refract` undone by repeated substitution, to 1e-9 rad above the horizon. */
export function unrefract(term: readonly number[], direction: ArrayLike<number>): [number, number, number] {
  const [x, y, z] = [direction[0]!, direction[1]!, direction[2]!];
  if ((term[3] ?? 0) === 0) return [x, y, z];
  let guess: [number, number, number] = [x, y, z];
  for (let i = 0; i < 6; i++) {
    const lifted = refract(term, guess);
    const gx = guess[0] + x - lifted[0];
    const gy = guess[1] + y - lifted[1];
    const gz = guess[2] + z - lifted[2];
    const length = Math.hypot(gx, gy, gz);
    guess = [gx / length, gy / length, gz / length];
  }
  return guess;
}
