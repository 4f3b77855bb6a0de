import { adjugate3 } from '../core/index.js';
/** A 3-vector. */
export type Vector = readonly [number, number, number];

/** Row-major 3x3 identity. */
export const IDENTITY: readonly number[] = [1, 0, 0, 0, 1, 0, 0, 0, 1];

/** Rotation matrix of a rotation vector (axis times angle in radians). @source O. Rodrigues, J. Math. Pures Appl. 5 (1840) 380. */
export function rotationExp(x: number, y: number, z: number): number[] {
  const angle2 = x * x + y * y + z * z;
  const angle = Math.sqrt(angle2);
  // Series near zero keep full precision where the quotients would not.
  const a = angle < 1e-4 ? 1 - angle2 / 6 : Math.sin(angle) / angle;
  const b = angle < 1e-4 ? 0.5 - angle2 / 24 : (1 - Math.cos(angle)) / angle2;
  return [
    1 - b * (y * y + z * z),
    b * x * y - a * z,
    b * x * z + a * y,
    b * x * y + a * z,
    1 - b * (x * x + z * z),
    b * y * z - a * x,
    b * x * z - a * y,
    b * y * z + a * x,
    1 - b * (x * x + y * y),
  ];
}

/** Rotation vector (radians) of a rotation matrix; the inverse of `rotationExp` for angles below pi. */
export function rotationLog(m: ArrayLike<number>, at = 0): [number, number, number] {
  const x = (m[at + 7]! - m[at + 5]!) / 2;
  const y = (m[at + 2]! - m[at + 6]!) / 2;
  const z = (m[at + 3]! - m[at + 1]!) / 2;
  const sine = Math.hypot(x, y, z);
  const cosine = (m[at]! + m[at + 4]! + m[at + 8]! - 1) / 2;
  if (sine < 1e-9) return [x, y, z];
  const factor = Math.atan2(sine, cosine) / sine;
  return [x * factor, y * factor, z * factor];
}

/** Product a b of two row-major 3x3 matrices. */
export function multiply(a: ArrayLike<number>, b: ArrayLike<number>): number[] {
  const out = new Array<number>(9);
  for (let r = 0; r < 3; r++) {
    for (let c = 0; c < 3; c++) {
      out[r * 3 + c] = a[r * 3]! * b[c]! + a[r * 3 + 1]! * b[3 + c]! + a[r * 3 + 2]! * b[6 + c]!;
    }
  }
  return out;
}

/** Transpose of a row-major 3x3 matrix: the inverse of a rotation. */
export function transpose(m: ArrayLike<number>): number[] {
  return [m[0]!, m[3]!, m[6]!, m[1]!, m[4]!, m[7]!, m[2]!, m[5]!, m[8]!];
}

/** Matrix times vector. */
export function apply(m: ArrayLike<number>, v: ArrayLike<number>): [number, number, number] {
  return [
    m[0]! * v[0]! + m[1]! * v[1]! + m[2]! * v[2]!,
    m[3]! * v[0]! + m[4]! * v[1]! + m[5]! * v[2]!,
    m[6]! * v[0]! + m[7]! * v[1]! + m[8]! * v[2]!,
  ];
}

/** Transposed matrix times vector. */
export function applyTransposed(m: ArrayLike<number>, v: ArrayLike<number>): [number, number, number] {
  return [
    m[0]! * v[0]! + m[3]! * v[1]! + m[6]! * v[2]!,
    m[1]! * v[0]! + m[4]! * v[1]! + m[7]! * v[2]!,
    m[2]! * v[0]! + m[5]! * v[1]! + m[8]! * v[2]!,
  ];
}

/** The vector brought to unit length. */
export function normalize(v: ArrayLike<number>): [number, number, number] {
  const length = Math.hypot(v[0]!, v[1]!, v[2]!);
  return [v[0]! / length, v[1]! / length, v[2]! / length];
}

/** Cross product a x b. */
export function cross(a: ArrayLike<number>, b: ArrayLike<number>): [number, number, number] {
  return [a[1]! * b[2]! - a[2]! * b[1]!, a[2]! * b[0]! - a[0]! * b[2]!, a[0]! * b[1]! - a[1]! * b[0]!];
}

/** Two unit vectors that span the plane across unit vector v, always the same for the same v. */
export function tangentBasis(v: ArrayLike<number>): [[number, number, number], [number, number, number]] {
  // Start from the axis least along v, so that the cross product is well conditioned.
  const ax = Math.abs(v[0]!);
  const ay = Math.abs(v[1]!);
  const az = Math.abs(v[2]!);
  const start = ax <= ay && ax <= az ? [1, 0, 0] : ay <= az ? [0, 1, 0] : [0, 0, 1];
  const first = normalize(cross(v, start));
  return [first, cross(v, first)];
}

/** The nearest rotation to a nearly orthogonal matrix (one Newton step of the polar decomposition, repeated). */
export function orthonormalize(m: readonly number[]): number[] {
  const x = normalize([m[0]!, m[1]!, m[2]!]);
  const z = normalize(cross(x, [m[3]!, m[4]!, m[5]!]));
  const y = cross(z, x);
  return [...x, ...y, ...z];
}

/** Inverse of a symmetric positive 3x3 matrix, row-major; undefined when it is singular for its own size. */
export function invertSymmetric3(m: ArrayLike<number>): number[] | undefined {
  const minors = adjugate3(Array.from(m));
  const determinant = m[0]! * minors[0]! + m[1]! * minors[3]! + m[2]! * minors[6]!;
  // Information has large units: what is singular is told against the diagonal, not by a fixed number.
  if (!(determinant > 1e-12 * m[0]! * m[4]! * m[8]!)) return undefined;
  return minors.map((value) => value / determinant);
}
