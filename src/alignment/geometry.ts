import { degToRad } from '../core/index.js';
import { apply, normalize, rotationExp, type Vector } from './_rotation.js';
import type { LensModel } from './types.js';

/** Rotation matrix (row-major 3x3) that turns by `angle` degrees about `axis` by the right-hand rule. */
export function rotationAbout(axis: Vector, angle: number): number[] {
  const [x, y, z] = normalize(axis);
  const rad = degToRad(angle);
  return rotationExp(x * rad, y * rad, z * rad);
}

/** Turns a vector by a row-major 3x3 rotation. */
export function applyRotation(rotation: readonly number[], vector: Vector): [number, number, number] {
  return apply(rotation, vector);
}

/**
 * Where a lens shows a direction: unit vector in the camera's axes (x right, y down, z forward) to px.
 *
 * NaN for directions that the projection cannot show (behind a rectilinear lens, straight behind a fisheye).
 *
 * @source rectilinear: gnomonic projection; equidistant r = f theta, equisolid r = 2 f sin(theta/2),
 * stereographic r = 2 f tan(theta/2): K. Miyamoto, J. Opt. Soc. Am. 54 (1964) 1060. Radial and decentring
 * terms: D.C. Brown, Photogrammetric Engineering 32 (1966) 444 and 37 (1971) 855, in the order of signs of
 * OpenCV's `projectPoints`.
 */
export function projectDirection(lens: LensModel, direction: Vector): [number, number] {
  const [x, y, z] = direction;
  let u: number;
  let v: number;
  if (lens.projection === 'rectilinear') {
    if (!(z > 1e-6)) return [Number.NaN, Number.NaN];
    u = x / z;
    v = y / z;
  } else {
    const across = Math.hypot(x, y);
    const theta = Math.atan2(across, z);
    if (theta > 3.1) return [Number.NaN, Number.NaN];
    const factor = across < 1e-12 ? 1 : fisheyeRadius(lens.projection, theta) / across;
    u = x * factor;
    v = y * factor;
  }
  const [bentU, bentV] = bend(lens, u, v);
  return [lens.centerX + lens.focalLengthPx * bentU, lens.centerY + lens.focalLengthPx * bentV];
}

/** Radius on the image plane in focal lengths of a direction `theta` rad off the axis. */
export function fisheyeRadius(projection: LensModel['projection'], theta: number): number {
  if (projection === 'equidistant') return theta;
  if (projection === 'equisolid') return 2 * Math.sin(theta / 2);
  if (projection === 'stereographic') return 2 * Math.tan(theta / 2);
  return Math.tan(theta);
}

/** The lens's errors: ideal image plane to real one, both in focal lengths. */
function bend(lens: LensModel, u: number, v: number): [number, number] {
  const r2 = u * u + v * v;
  const k3 = lens.k3 ?? 0;
  const k4 = lens.k4 ?? 0;
  const p1 = lens.p1 ?? 0;
  const p2 = lens.p2 ?? 0;
  const a = lens.stretch ?? 0;
  const b = lens.shear ?? 0;
  const radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * (k3 + r2 * k4)));
  return [
    u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u) + a * u + b * v,
    v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v + b * u - a * v,
  ];
}

/**
 * The direction (unit vector in the camera's axes) that a lens shows at a place, px: the inverse of
 * `projectDirection`, by Newton's method to 1e-11 focal lengths. NaN where no direction is shown there, as
 * beyond the radius at which a strong radial term folds the picture over.
 */
export function unprojectPixel(lens: LensModel, x: number, y: number): [number, number, number] {
  const targetU = (x - lens.centerX) / lens.focalLengthPx;
  const targetV = (y - lens.centerY) / lens.focalLengthPx;
  const start = undoRadial(lens, Math.hypot(targetU, targetV));
  let u = targetU * start;
  let v = targetV * start;
  const k3 = lens.k3 ?? 0;
  const k4 = lens.k4 ?? 0;
  const p1 = lens.p1 ?? 0;
  const p2 = lens.p2 ?? 0;
  const a = lens.stretch ?? 0;
  const b = lens.shear ?? 0;
  let settled = false;
  for (let i = 0; i < 20; i++) {
    const r2 = u * u + v * v;
    const radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * (k3 + r2 * k4)));
    const slope = 2 * (lens.k1 + r2 * (2 * lens.k2 + r2 * (3 * k3 + r2 * 4 * k4)));
    const du = u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u) + a * u + b * v - targetU;
    const dv = v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v + b * u - a * v - targetV;
    const juu = radial + slope * u * u + 2 * p1 * v + 6 * p2 * u + a;
    const juv = slope * u * v + 2 * p1 * u + 2 * p2 * v + b;
    const jvv = radial + slope * v * v + 6 * p1 * v + 2 * p2 * u - a;
    const determinant = juu * jvv - juv * juv;
    if (!(determinant > 1e-6)) return [Number.NaN, Number.NaN, Number.NaN];
    const stepU = (jvv * du - juv * dv) / determinant;
    const stepV = (juu * dv - juv * du) / determinant;
    u -= stepU;
    v -= stepV;
    if (stepU * stepU + stepV * stepV < 1e-24) {
      settled = true;
      break;
    }
  }
  if (!settled) return [Number.NaN, Number.NaN, Number.NaN];
  return planeToDirection(lens.projection, u, v);
}

/** First guess of the ideal radius over the real one: Newton's method on the radial terms alone. */
function undoRadial(lens: LensModel, radius: number): number {
  if (radius < 1e-12) return 1;
  const k3 = lens.k3 ?? 0;
  const k4 = lens.k4 ?? 0;
  let r = radius;
  for (let i = 0; i < 8; i++) {
    const r2 = r * r;
    const value = r * (1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * (k3 + r2 * k4)))) - radius;
    const slope = 1 + r2 * (3 * lens.k1 + r2 * (5 * lens.k2 + r2 * (7 * k3 + r2 * 9 * k4)));
    if (!(slope > 0.05)) break;
    r = Math.max(0, r - value / slope);
  }
  return r / radius;
}

function planeToDirection(
  projection: LensModel['projection'],
  u: number,
  v: number,
): [number, number, number] {
  if (projection === 'rectilinear') {
    const length = Math.sqrt(1 + u * u + v * v);
    return [u / length, v / length, 1 / length];
  }
  const r = Math.hypot(u, v);
  let theta = r;
  if (projection === 'equisolid') {
    if (r > 2) return [Number.NaN, Number.NaN, Number.NaN];
    theta = 2 * Math.asin(r / 2);
  } else if (projection === 'stereographic') theta = 2 * Math.atan(r / 2);
  if (theta > 3.1) return [Number.NaN, Number.NaN, Number.NaN];
  const factor = r < 1e-12 ? 1 : Math.sin(theta) / r;
  return [u * factor, v * factor, Math.cos(theta)];
}
