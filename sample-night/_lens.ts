import type { LensShape } from './night-scenario.js';

/** A lens on a sensor: shape, focal length and axis, all in px. */
export interface LensOnSensor {
  readonly shape: LensShape;
  readonly focalLengthPx: number;
  readonly centerX: number;
  readonly centerY: number;
}

/** Distance from the axis on the undistorted image plane for focal length 1, from the angle off axis. */
function planeRadius(projection: LensShape['projection'], angle: number): number {
  switch (projection) {
    case 'rectilinear':
      return angle < 1.5 ? Math.tan(angle) : Number.NaN;
    case 'equidistant':
      return angle;
    case 'equisolid':
      return 2 * Math.sin(angle / 2);
    case 'stereographic':
      return 2 * Math.tan(angle / 2);
  }
}

function planeAngle(projection: LensShape['projection'], radius: number): number {
  switch (projection) {
    case 'rectilinear':
      return Math.atan(radius);
    case 'equidistant':
      return radius;
    case 'equisolid':
      return radius <= 2 ? 2 * Math.asin(radius / 2) : Number.NaN;
    case 'stereographic':
      return 2 * Math.atan(radius / 2);
  }
}

/**
 * Projects a direction in camera axes (x right, y down, z forward; any length) to px. `out` gets x, y; NaN
 * behind the camera.
 *
 * @source radial and decentring terms: D. C. Brown, Photogrammetric Engineering 37 (1971) 855;
 *   division form: A. W. Fitzgibbon, CVPR 2001, I-125
 */
export function project(lens: LensOnSensor, x: number, y: number, z: number, out: Float64Array): void {
  const { shape } = lens;
  let u: number;
  let v: number;
  if (shape.projection === 'rectilinear') {
    if (!(z > 0.02)) {
      out[0] = Number.NaN;
      out[1] = Number.NaN;
      return;
    }
    u = x / z;
    v = y / z;
  } else {
    const across = Math.hypot(x, y);
    const scale = across < 1e-12 ? 0 : planeRadius(shape.projection, Math.atan2(across, z)) / across;
    u = across < 1e-12 ? x : x * scale;
    v = across < 1e-12 ? y : y * scale;
  }
  const r2 = u * u + v * v;
  const radial = 1 + r2 * (shape.k1 + r2 * (shape.k2 + r2 * (shape.k3 ?? 0)));
  const p1 = shape.p1 ?? 0;
  const p2 = shape.p2 ?? 0;
  let ud = u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u);
  let vd = v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v;
  const lambda = shape.division ?? 0;
  if (lambda !== 0) {
    const s2 = ud * ud + vd * vd;
    const root = 1 - 4 * lambda * s2;
    // r = r0 (1 + lambda r^2) solved for r, written so that it keeps its digits near the axis.
    const factor = root > 0 ? 2 / (1 + Math.sqrt(root)) : Number.NaN;
    ud *= factor;
    vd *= factor;
  }
  out[0] = lens.centerX + lens.focalLengthPx * ud;
  out[1] = lens.centerY + lens.focalLengthPx * vd;
}

/** The direction in camera axes (unit vector) that lands on a pixel; `out` gets x, y, z. Inverse of `project` to 1e-10 rad. */
export function unproject(lens: LensOnSensor, px: number, py: number, out: Float64Array): void {
  const { shape } = lens;
  let ud = (px - lens.centerX) / lens.focalLengthPx;
  let vd = (py - lens.centerY) / lens.focalLengthPx;
  const lambda = shape.division ?? 0;
  if (lambda !== 0) {
    const factor = 1 / (1 + lambda * (ud * ud + vd * vd));
    ud *= factor;
    vd *= factor;
  }
  const p1 = shape.p1 ?? 0;
  const p2 = shape.p2 ?? 0;
  const k3 = shape.k3 ?? 0;
  let u = ud;
  let v = vd;
  for (let i = 0; i < 60; i++) {
    const r2 = u * u + v * v;
    const radial = 1 + r2 * (shape.k1 + r2 * (shape.k2 + r2 * k3));
    const nextU = (ud - 2 * p1 * u * v - p2 * (r2 + 2 * u * u)) / radial;
    const nextV = (vd - p1 * (r2 + 2 * v * v) - 2 * p2 * u * v) / radial;
    const change = Math.abs(nextU - u) + Math.abs(nextV - v);
    u = nextU;
    v = nextV;
    if (change < 1e-13) break;
  }
  if (shape.projection === 'rectilinear') {
    const norm = 1 / Math.sqrt(1 + u * u + v * v);
    out[0] = u * norm;
    out[1] = v * norm;
    out[2] = norm;
    return;
  }
  const radius = Math.hypot(u, v);
  const angle = planeAngle(shape.projection, radius);
  const across = radius < 1e-12 ? 0 : Math.sin(angle) / radius;
  out[0] = u * across;
  out[1] = v * across;
  out[2] = Math.cos(angle);
}
