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

/**
 * How `refract` carries small steps across a direction: a function from a step (perpendicular to the
 * direction) to the step of the apparent direction. Steps toward the zenith shrink as refraction falls with
 * height, steps along the horizon with the circle of altitude.
 */
export function refractSteps(
  term: readonly number[],
  direction: ArrayLike<number>,
): (x: number, y: number, z: number, out: Float64Array) => void {
  const [x, y, z] = [direction[0]!, direction[1]!, direction[2]!];
  const strength = term[3] ?? 0;
  const [zx, zy, zz] = [term[0]!, term[1]!, term[2]!];
  const sine = x * zx + y * zy + z * zz;
  const across = Math.hypot(zx - sine * x, zy - sine * y, zz - sine * z);
  if (strength === 0 || across < 1e-6) {
    return (sx, sy, sz, out) => {
      out[0] = sx;
      out[1] = sy;
      out[2] = sz;
    };
  }
  const tx = (zx - sine * x) / across;
  const ty = (zy - sine * y) / across;
  const tz = (zz - sine * z) / across;
  const altitude = radToDeg(Math.atan2(sine, across));
  const lift = strength * liftAt(altitude);
  const step = 1e-4;
  const slope = (strength * (liftAt(altitude + step) - liftAt(altitude - step))) / degToRad(2 * step);
  const c = Math.cos(lift);
  const s = Math.sin(lift);
  // Toward the zenith at the apparent place; the sideways unit vector is the same at both.
  const ux = c * tx - s * x;
  const uy = c * ty - s * y;
  const uz = c * tz - s * z;
  const side = (across * c - sine * s) / across;
  return (sx, sy, sz, out) => {
    const up = sx * tx + sy * ty + sz * tz;
    const rise = up * (1 + slope);
    out[0] = rise * ux + side * (sx - up * tx);
    out[1] = rise * uy + side * (sy - up * ty);
    out[2] = rise * uz + side * (sz - up * tz);
  };
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
