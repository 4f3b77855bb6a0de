import { IDENTITY, multiply, orthonormalize, rotationExp } from './_rotation.js';

/**
 * Finds the rotation R (row-major 3x3, determinant +1 always) that best turns the directions `from` into
 * `to`: least sum of w |to - R from|^2, by Gauss-Newton on the rotation group from `start`.
 *
 * @param from  unit vectors, x, y, z each
 * @param to    their images, same order
 * @returns undefined for fewer than two directions or all directions on one line
 * @source the problem: G. Wahba, SIAM Review 7 (1965) 409
 */
export function fitRotation(
  from: ArrayLike<number>,
  to: ArrayLike<number>,
  options: { readonly weights?: ArrayLike<number>; readonly start?: readonly number[] } = {},
): number[] | undefined {
  const n = Math.floor(from.length / 3);
  if (n < 2) return undefined;
  let rotation: readonly number[] = options.start ?? IDENTITY;
  for (let round = 0; round < 60; round++) {
    let xx = 0;
    let xy = 0;
    let xz = 0;
    let yy = 0;
    let yz = 0;
    let zz = 0;
    let gx = 0;
    let gy = 0;
    let gz = 0;
    for (let k = 0; k < n; k++) {
      const w = options.weights ? options.weights[k]! : 1;
      const [a, b, c] = [from[3 * k]!, from[3 * k + 1]!, from[3 * k + 2]!];
      const x = rotation[0]! * a + rotation[1]! * b + rotation[2]! * c;
      const y = rotation[3]! * a + rotation[4]! * b + rotation[5]! * c;
      const z = rotation[6]! * a + rotation[7]! * b + rotation[8]! * c;
      const [p, q, r] = [to[3 * k]!, to[3 * k + 1]!, to[3 * k + 2]!];
      // Second-order exact: matrix (image . turned) I - sym(image turned^T), so that large turns converge too.
      const dot = x * p + y * q + z * r;
      xx += w * (dot - x * p);
      yy += w * (dot - y * q);
      zz += w * (dot - z * r);
      xy -= (w * (x * q + y * p)) / 2;
      xz -= (w * (x * r + z * p)) / 2;
      yz -= (w * (y * r + z * q)) / 2;
      gx += w * (y * r - z * q);
      gy += w * (z * p - x * r);
      gz += w * (x * q - y * p);
    }
    const step = solve3(xx, xy, xz, yy, yz, zz, gx, gy, gz);
    if (!step) return undefined;
    const size = Math.hypot(...step);
    const limit = size > 1 ? 1 / size : 1;
    rotation = orthonormalize(
      multiply(rotationExp(step[0] * limit, step[1] * limit, step[2] * limit), rotation),
    );
    if (size < 1e-14) break;
  }
  return [...rotation];
}

function solve3(
  xx: number,
  xy: number,
  xz: number,
  yy: number,
  yz: number,
  zz: number,
  gx: number,
  gy: number,
  gz: number,
): [number, number, number] | undefined {
  const a = yy * zz - yz * yz;
  const b = xz * yz - xy * zz;
  const c = xy * yz - xz * yy;
  const determinant = xx * a + xy * b + xz * c;
  const size = Math.abs(xx) + Math.abs(yy) + Math.abs(zz);
  if (!(Math.abs(determinant) > 1e-18 * size ** 3)) return undefined;
  const d = xx * zz - xz * xz;
  const e = xy * xz - xx * yz;
  const f = xx * yy - xy * xy;
  return [
    (a * gx + b * gy + c * gz) / determinant,
    (b * gx + d * gy + e * gz) / determinant,
    (c * gx + e * gy + f * gz) / determinant,
  ];
}

/**
 * `fitRotation` with wrong pairs about: Cauchy weights with the given softness (radians), a few rounds.
 */
export function fitRotationRobust(
  from: Float64Array,
  to: Float64Array,
  options: { readonly softness: number; readonly start?: readonly number[] },
): number[] | undefined {
  const n = from.length / 3;
  const weights = new Float64Array(n).fill(1);
  let rotation = fitRotation(from, to, { ...(options.start ? { start: options.start } : {}) });
  for (let round = 0; round < 8 && rotation; round++) {
    // The softness comes down from ten times, so that a poor start does not shut out good stars.
    const soft = options.softness * Math.max(1, 10 * 0.5 ** round);
    for (let k = 0; k < n; k++) {
      const [x, y, z] = [from[3 * k]!, from[3 * k + 1]!, from[3 * k + 2]!];
      const dx = rotation[0]! * x + rotation[1]! * y + rotation[2]! * z - to[3 * k]!;
      const dy = rotation[3]! * x + rotation[4]! * y + rotation[5]! * z - to[3 * k + 1]!;
      const dz = rotation[6]! * x + rotation[7]! * y + rotation[8]! * z - to[3 * k + 2]!;
      weights[k] = 1 / (1 + (dx * dx + dy * dy + dz * dz) / (soft * soft));
    }
    rotation = fitRotation(from, to, { weights, start: rotation });
  }
  return rotation;
}
