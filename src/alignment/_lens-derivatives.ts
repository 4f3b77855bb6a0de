import type { LensModel } from './types.js';

/** Lens values in the order the solver uses: ln F, center x, center y, k1, k2, k3, p1, p2, stretch, shear, k4. */
export const LENS_VALUES = 11;

/** Lens values of a lens model. */
export function lensValues(lens: LensModel): Float64Array {
  return Float64Array.of(
    Math.log(lens.focalLengthPx),
    lens.centerX,
    lens.centerY,
    lens.k1,
    lens.k2,
    lens.k3 ?? 0,
    lens.p1 ?? 0,
    lens.p2 ?? 0,
    lens.stretch ?? 0,
    lens.shear ?? 0,
    lens.k4 ?? 0,
  );
}

/** Lens model of lens values; terms that are zero and optional are left out. */
export function lensOf(projection: LensModel['projection'], values: Float64Array): LensModel {
  const [, centerX, centerY, k1, k2, k3, p1, p2, stretch, shear, k4] = values as unknown as number[];
  return {
    projection,
    focalLengthPx: Math.exp(values[0]!),
    centerX: centerX!,
    centerY: centerY!,
    k1: k1!,
    k2: k2!,
    ...(k3 ? { k3 } : {}),
    ...(p1 ? { p1 } : {}),
    ...(p2 ? { p2 } : {}),
    ...(stretch ? { stretch } : {}),
    ...(shear ? { shear } : {}),
    ...(k4 ? { k4 } : {}),
  };
}

/** What one projection yields: place, derivatives by direction (2x3) and by lens value (2x11). */
export interface Projected {
  x: number;
  y: number;
  readonly byDirection: Float64Array;
  readonly byLens: Float64Array;
}

export function makeProjected(): Projected {
  return { x: 0, y: 0, byDirection: new Float64Array(6), byLens: new Float64Array(2 * LENS_VALUES) };
}

/**
 * `projectDirection` with its derivatives, for the solver. Returns false where the direction is not shown.
 * @source derivatives of the formulas of `projectDirection`; checked against differences in the tests.
 */
export function projectWithDerivatives(
  projection: LensModel['projection'],
  lens: Float64Array,
  d: { readonly x: number; readonly y: number; readonly z: number; readonly scale: number },
  out: Projected,
  derive = true,
): boolean {
  const { x, y, z } = d;
  let u: number;
  let v: number;
  let ux: number;
  let uy: number;
  let uz: number;
  let vx: number;
  let vy: number;
  let vz: number;
  if (projection === 'rectilinear') {
    if (!(z > 0.02)) return false;
    u = x / z;
    v = y / z;
    ux = 1 / z;
    uy = 0;
    uz = -u / z;
    vx = 0;
    vy = 1 / z;
    vz = -v / z;
  } else {
    const across = Math.max(1e-9, Math.hypot(x, y));
    const theta = Math.atan2(across, z);
    if (theta > 2.8) return false;
    let f = theta;
    let slope = 1;
    if (projection === 'equisolid') {
      f = 2 * Math.sin(theta / 2);
      slope = Math.cos(theta / 2);
    } else if (projection === 'stereographic') {
      f = 2 * Math.tan(theta / 2);
      slope = 1 / Math.cos(theta / 2) ** 2;
    }
    const n2 = across * across + z * z;
    const cx = x / across;
    const cy = y / across;
    u = f * cx;
    v = f * cy;
    // theta changes by (z d(across) - across dz)/n2; the azimuth of (x, y) turns by (x dy - y dx)/across^2.
    const tx = (slope * z * cx) / n2;
    const ty = (slope * z * cy) / n2;
    const tz = (-slope * across) / n2;
    const g = f / across;
    ux = tx * cx + g * cy * cy;
    uy = ty * cx - g * cx * cy;
    uz = tz * cx;
    vx = tx * cy - g * cx * cy;
    vy = ty * cy + g * cx * cx;
    vz = tz * cy;
  }
  const focal = Math.exp(lens[0]!) * d.scale;
  const k1 = lens[3]!;
  const k2 = lens[4]!;
  const k3 = lens[5]!;
  const p1 = lens[6]!;
  const p2 = lens[7]!;
  const a = lens[8]!;
  const b = lens[9]!;
  const k4 = lens[10]!;
  const r2 = u * u + v * v;
  const r4 = r2 * r2;
  const r6 = r4 * r2;
  const radial = 1 + k1 * r2 + k2 * r4 + k3 * r6 + k4 * r6 * r2;
  const slope = 2 * (k1 + 2 * k2 * r2 + 3 * k3 * r4 + 4 * k4 * r6);
  const bu = u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u) + a * u + b * v;
  const bv = v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v + b * u - a * v;
  out.x = lens[1]! + focal * bu;
  out.y = lens[2]! + focal * bv;
  if (!derive) return true;
  const juu = focal * (radial + slope * u * u + 2 * p1 * v + 6 * p2 * u + a);
  const juv = focal * (slope * u * v + 2 * p1 * u + 2 * p2 * v + b);
  const jvv = focal * (radial + slope * v * v + 6 * p1 * v + 2 * p2 * u - a);
  const by = out.byDirection;
  by[0] = juu * ux + juv * vx;
  by[1] = juu * uy + juv * vy;
  by[2] = juu * uz + juv * vz;
  by[3] = juv * ux + jvv * vx;
  by[4] = juv * uy + jvv * vy;
  by[5] = juv * uz + jvv * vz;
  const l = out.byLens;
  l[0] = focal * bu;
  l[1] = 1;
  l[2] = 0;
  l[3] = focal * u * r2;
  l[4] = focal * u * r4;
  l[5] = focal * u * r6;
  l[6] = focal * 2 * u * v;
  l[7] = focal * (r2 + 2 * u * u);
  l[8] = focal * u;
  l[9] = focal * v;
  l[10] = focal * u * r6 * r2;
  l[11] = focal * bv;
  l[12] = 0;
  l[13] = 1;
  l[14] = focal * v * r2;
  l[15] = focal * v * r4;
  l[16] = focal * v * r6;
  l[17] = focal * (r2 + 2 * v * v);
  l[18] = focal * 2 * u * v;
  l[19] = -focal * v;
  l[20] = focal * u;
  l[21] = focal * v * r6 * r2;
  return true;
}
