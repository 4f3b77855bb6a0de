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
  const h = Math.max(-1, radToDeg(Math.atan2(sine, across)));
  const lift = degToRad((strength * 1.02) / 60 / Math.tan(degToRad(h + 10.3 / (h + 5.11))));
  const c = Math.cos(lift);
  const s = Math.sin(lift) / across;
  return [c * x + s * tx, c * y + s * ty, c * z + s * tz];
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
