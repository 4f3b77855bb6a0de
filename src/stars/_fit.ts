import type { CfaPattern, Plane } from '../core/index.js';
import { PARAMETERS, type Shape, shapeDerivatives, shapeTerms } from './_shape.js';
import type { MeasuringPlane } from './types.js';

/** Pixels of one star's window, background taken off. */
export interface Window {
  count: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly value: Float64Array;
  /** 1 / variance of each pixel. */
  readonly weight: Float64Array;
}

export interface FitResult {
  readonly shape: Shape;
  /** 1-sigma errors in the order of the parameters. */
  readonly errors: Float64Array;
  /** Weighted squares of the residual per degree of freedom. */
  readonly chi2: number;
  /** Share of the light's own variance in the window that the shape does not explain, 0..1. */
  readonly unexplained: number;
  readonly converged: boolean;
}

const MAX_WINDOW = 80 * 80;

export function makeWindow(): Window {
  return {
    count: 0,
    x: new Float64Array(MAX_WINDOW),
    y: new Float64Array(MAX_WINDOW),
    value: new Float64Array(MAX_WINDOW),
    weight: new Float64Array(MAX_WINDOW),
  };
}

/**
 * Second moments by a Gaussian weight that adapts to the star until both agree, the offset taken as zero:
 * stable start values at any length and angle. @source G. M. Bernstein and M. Jarvis, AJ 123 (2002) 583.
 */
export function adaptiveMoments(
  plane: Plane,
  at: {
    readonly x: number;
    readonly y: number;
    readonly background: number;
    readonly sigma: number;
    readonly reach: number;
  },
  others: ArrayLike<number> = [],
): Shape | undefined {
  const { width, height, data } = plane;
  let x = at.x;
  let y = at.y;
  // Weight tensor: starts wide enough to feel a trail, not so wide as to feel the neighbours.
  let mxx = 2 * at.sigma * at.sigma;
  let myy = mxx;
  let mxy = 0;
  let flux = 0;
  for (let pass = 0; pass < 14; pass++) {
    const det = mxx * myy - mxy * mxy;
    if (!(det > 0.01)) return undefined;
    const ixx = myy / det;
    const iyy = mxx / det;
    const ixy = -mxy / det;
    const rx = Math.min(at.reach, Math.ceil(3 * Math.sqrt(mxx)));
    const ry = Math.min(at.reach, Math.ceil(3 * Math.sqrt(myy)));
    const x0 = Math.max(0, Math.round(x) - rx);
    const x1 = Math.min(width - 1, Math.round(x) + rx);
    const y0 = Math.max(0, Math.round(y) - ry);
    const y1 = Math.min(height - 1, Math.round(y) + ry);
    let s = 0;
    let sw = 0;
    let sx = 0;
    let sy = 0;
    let sxx = 0;
    let syy = 0;
    let sxy = 0;
    for (let py = y0; py <= y1; py++) {
      const dy = py - y;
      for (let px = x0; px <= x1; px++) {
        const dx = px - x;
        const r = ixx * dx * dx + 2 * ixy * dx * dy + iyy * dy * dy;
        if (r > 9) continue;
        const raw = data[py * width + px]!;
        if (Number.isNaN(raw) || nearerToOther(px, py, x, y, others)) continue;
        const weight = Math.exp(-0.5 * r);
        const value = weight * (raw - at.background);
        s += value;
        sw += weight;
        sx += value * dx;
        sy += value * dy;
        sxx += value * dx * dx;
        syy += value * dy * dy;
        sxy += value * dx * dy;
      }
    }
    if (!(s > 0)) return undefined;
    const mx = sx / s;
    const my = sy / s;
    x += Math.max(-1.5, Math.min(1.5, 2 * mx));
    y += Math.max(-1.5, Math.min(1.5, 2 * my));
    if (Math.hypot(x - at.x, y - at.y) > at.reach) return undefined;
    // Weighted moments of a Gaussian under a Gaussian: the inverse tensors add.
    const cxx = sxx / s - mx * mx;
    const cyy = syy / s - my * my;
    const cxy = sxy / s - mx * my;
    const cdet = cxx * cyy - cxy * cxy;
    if (!(cdet > 1e-6)) return undefined;
    let jxx = cyy / cdet - ixx;
    let jyy = cxx / cdet - iyy;
    const jxy = -cxy / cdet - ixy;
    const limit = 2 / (at.reach * at.reach);
    if (jxx < limit) jxx = limit;
    if (jyy < limit) jyy = limit;
    const jdet = jxx * jyy - jxy * jxy;
    if (!(jdet > 1e-6)) return undefined;
    const nxx = Math.max(0.3, jyy / jdet);
    const nyy = Math.max(0.3, jxx / jdet);
    const nxy = -jxy / jdet;
    const change = Math.abs(nxx - mxx) + Math.abs(nyy - myy) + 2 * Math.abs(nxy - mxy);
    flux = (s / Math.max(1e-9, sw)) * 2 * Math.PI * 2 * Math.sqrt(Math.max(0.05, nxx * nyy - nxy * nxy));
    mxx = nxx;
    myy = nyy;
    mxy = nxy;
    if (mxx + myy > 2 * at.reach * at.reach) return undefined;
    if (change < 0.02 * (mxx + myy)) break;
  }
  return { x, y, flux, m: (mxx + myy) / 2, q1: mxx - myy, q2: 2 * mxy, offset: 0 };
}

/** True where a pixel lies nearer to one of the other stars (x, y pairs) than to this one. */
function nearerToOther(px: number, py: number, x: number, y: number, others: ArrayLike<number>): boolean {
  if (others.length === 0) return false;
  const own = (px - x) ** 2 + (py - y) ** 2;
  for (let i = 0; i < others.length; i += 2) {
    if ((px - others[i]!) ** 2 + (py - others[i + 1]!) ** 2 < own) return true;
  }
  return false;
}

export interface WindowOptions {
  readonly background: number;
  /** Pixels at or above this are left out, ADU. */
  readonly saturation: number;
  /** 1-sigma noise of a pixel, ADU. */
  readonly noise: number;
  /** e-/ADU, or 0 = photon noise unknown. */
  readonly gain: number;
  readonly others: ArrayLike<number>;
}

/**
 * Gathers the pixels within about 3 sigma of a star's ellipse, at least 2.5 px out.
 * @returns whether the window is cut by the frame's edge, and how many pixels were saturated
 */
export function fillWindow(
  window: Window,
  plane: MeasuringPlane,
  shape: Shape,
  options: WindowOptions,
): { readonly cut: boolean; readonly saturated: number; readonly peak: number } {
  const { width, height, data } = plane;
  const size = Math.hypot(shape.q1, shape.q2);
  const a2 = shape.m + size / 2;
  const b2 = Math.max(0.3, shape.m - size / 2);
  // 3 sigma and a little: the offset needs some sky to be told from the light.
  const ra = Math.min(36, Math.max(2.5, 2.8 * Math.sqrt(a2) + 1));
  const rb = Math.min(36, Math.max(2.5, 2.8 * Math.sqrt(b2) + 1));
  const angle = Math.atan2(shape.q2, shape.q1) / 2;
  const cos = Math.cos(angle);
  const sin = Math.sin(angle);
  const rx = Math.ceil(Math.hypot(ra * cos, rb * sin));
  const ry = Math.ceil(Math.hypot(ra * sin, rb * cos));
  const cx = Math.round(shape.x);
  const cy = Math.round(shape.y);
  const cut = cx - rx < 0 || cy - ry < 0 || cx + rx >= width || cy + ry >= height;
  let n = 0;
  let saturated = 0;
  let peak = Number.NEGATIVE_INFINITY;
  const cfa = plane.sampled;
  // Interpolated pixels repeat their neighbours: leave them out, and let the others say as much as all seem to.
  const variance = options.noise * options.noise * (cfa ? greenShare(cfa) : 1);
  for (let y = Math.max(0, cy - ry); y <= Math.min(height - 1, cy + ry); y++) {
    for (let x = Math.max(0, cx - rx); x <= Math.min(width - 1, cx + rx); x++) {
      const dx = x - shape.x;
      const dy = y - shape.y;
      const u = (cos * dx + sin * dy) / ra;
      const v = (-sin * dx + cos * dy) / rb;
      if (u * u + v * v > 1) continue;
      const raw = data[y * width + x]!;
      if (Number.isNaN(raw)) continue;
      const value = raw - options.background;
      if (value > peak) peak = value;
      if (raw >= options.saturation) {
        saturated++;
        continue;
      }
      if (cfa && cfa.colors[(y % cfa.height) * cfa.width + (x % cfa.width)] !== 1) continue;
      if (nearerToOther(x, y, shape.x, shape.y, options.others)) continue;
      window.x[n] = x;
      window.y[n] = y;
      window.value[n] = value;
      window.weight[n] = 1 / (variance + (options.gain > 0 && value > 0 ? value / options.gain : 0));
      n++;
    }
  }
  window.count = n;
  return { cut, saturated, peak };
}

function greenShare(cfa: CfaPattern): number {
  let green = 0;
  for (const color of cfa.colors) if (color === 1) green++;
  return green / cfa.colors.length;
}

/** What is known of a shape before the fit: mean variance and tensor, and the 1-sigma of each. */
export interface ShapePrior {
  readonly m: number;
  readonly q1: number;
  readonly q2: number;
  readonly error: number;
}

interface Priors {
  /** 1 / variance of the offset. */
  readonly offset: number;
  readonly shape: ShapePrior | undefined;
}

/**
 * Fits the shape to a window by damped least squares with weights from the noise model and a mild prior on
 * the offset. @source D. W. Marquardt, J. SIAM 11 (1963) 431.
 *
 * @param offsetError 1-sigma of the background under the star, ADU
 * @param known the frame's own shape nearby, where the pixels alone cannot hold one
 */
export function fitShape(
  window: Window,
  start: Shape,
  offsetError: number,
  known?: ShapePrior,
): FitResult | undefined {
  if (window.count < (known ? 5 : PARAMETERS + 2)) return undefined;
  let shape = { ...start };
  let lambda = 1e-3;
  const prior: Priors = { offset: 1 / (offsetError * offsetError), shape: known };
  let { cost } = normal(window, shape, prior, undefined);
  const matrix = new Float64Array(PARAMETERS * PARAMETERS);
  const gradient = new Float64Array(PARAMETERS);
  const target = { matrix, gradient };
  let converged = false;
  for (let step = 0; step < 14 && !converged; step++) {
    normal(window, shape, prior, target);
    let improved = false;
    for (let attempt = 0; attempt < 5; attempt++) {
      const damped = matrix.slice();
      for (let i = 0; i < PARAMETERS; i++) damped[i * PARAMETERS + i]! *= 1 + lambda;
      const delta = solve(damped, gradient);
      if (!delta) {
        lambda = Math.max(lambda * 10, 1e-3);
        continue;
      }
      const next = advance(shape, delta);
      const tried = normal(window, next, prior, undefined).cost;
      if (tried <= cost) {
        converged = cost - tried < 1e-4 * Math.max(1, cost / window.count);
        improved = true;
        shape = next;
        cost = tried;
        lambda = Math.max(1e-9, lambda / 8);
        break;
      }
      lambda = Math.max(lambda * 8, 1e-4);
    }
    if (!improved) {
      converged = true;
    }
  }
  normal(window, shape, prior, target);
  const errors = new Float64Array(PARAMETERS);
  const chi2 = cost / Math.max(1, window.count - PARAMETERS);
  for (let i = 0; i < PARAMETERS; i++) {
    const unit = new Float64Array(PARAMETERS);
    unit[i] = 1;
    const column = solve(matrix.slice(), unit);
    errors[i] = column && column[i]! > 0 ? Math.sqrt(column[i]!) : Number.NaN;
  }
  let light = 0;
  let weights = 0;
  for (let i = 0; i < window.count; i++) {
    light += window.weight[i]! * (window.value[i]! - shape.offset) ** 2;
    weights++;
  }
  // Noise alone leaves `weights` in cost; what is beyond it is light of another shape.
  const unexplained = Math.max(0, cost - weights) / Math.max(1e-9, light - Math.min(light * 0.5, weights));
  return { shape, errors, chi2, unexplained, converged };
}

/** A step, kept within reason: the centre inside the window, widths positive. */
function advance(shape: Shape, delta: Float64Array): Shape {
  const next: Shape = {
    x: shape.x + clamp(delta[0]!, 2),
    y: shape.y + clamp(delta[1]!, 2),
    flux: Math.max(1e-6, shape.flux + delta[2]!),
    m: Math.max(0.12, shape.m + clamp(delta[3]!, 0.7 * shape.m + 0.3)),
    q1: shape.q1 + clamp(delta[4]!, shape.m + 0.3),
    q2: shape.q2 + clamp(delta[5]!, shape.m + 0.3),
    offset: shape.offset + delta[6]!,
  };
  const size = Math.hypot(next.q1, next.q2);
  const most = 2 * (next.m - 0.1);
  if (size > most) {
    next.q1 *= Math.max(0, most) / size;
    next.q2 *= Math.max(0, most) / size;
  }
  return next;
}

function clamp(value: number, limit: number): number {
  return Math.max(-limit, Math.min(limit, value));
}

const row = new Float64Array(PARAMETERS);

/** Weighted squares of the residual; fills the normal equations when a target is given. */
function normal(
  window: Window,
  shape: Shape,
  prior: Priors,
  target: { readonly matrix: Float64Array; readonly gradient: Float64Array } | undefined,
): { cost: number } {
  const terms = shapeTerms(shape);
  let cost = prior.offset * shape.offset * shape.offset;
  const known = prior.shape;
  const pull = known ? 1 / (known.error * known.error) : 0;
  if (known) {
    cost += pull * ((shape.m - known.m) ** 2 + (shape.q1 - known.q1) ** 2 + (shape.q2 - known.q2) ** 2);
  }
  const matrix = target?.matrix;
  const gradient = target?.gradient;
  if (matrix && gradient) {
    matrix.fill(0);
    gradient.fill(0);
  }
  for (let i = 0; i < window.count; i++) {
    const weight = window.weight[i]!;
    shapeDerivatives(terms, shape.flux, window.x[i]! - shape.x, window.y[i]! - shape.y, row);
    const residual = window.value[i]! - shape.offset - row[0]!;
    cost += weight * residual * residual;
    if (!matrix || !gradient) continue;
    row[0] = row[1]!;
    row[1] = row[2]!;
    row[2] = row[3]!;
    row[3] = row[4]!;
    row[4] = row[5]!;
    row[5] = row[6]!;
    row[6] = 1;
    for (let j = 0; j < PARAMETERS; j++) {
      const wj = weight * row[j]!;
      gradient[j]! += wj * residual;
      for (let k = 0; k <= j; k++) matrix[j * PARAMETERS + k]! += wj * row[k]!;
    }
  }
  if (matrix && gradient) {
    matrix[PARAMETERS * PARAMETERS - 1]! += prior.offset;
    gradient[PARAMETERS - 1]! -= prior.offset * shape.offset;
    if (known) {
      for (let j = 3; j < 6; j++) matrix[j * PARAMETERS + j]! += pull;
      gradient[3]! += pull * (known.m - shape.m);
      gradient[4]! += pull * (known.q1 - shape.q1);
      gradient[5]! += pull * (known.q2 - shape.q2);
    }
    for (let j = 0; j < PARAMETERS; j++) {
      for (let k = j + 1; k < PARAMETERS; k++) matrix[j * PARAMETERS + k] = matrix[k * PARAMETERS + j]!;
    }
  }
  return { cost };
}

/** Solves a symmetric positive system by Cholesky's method; undefined when it is not positive. Overwrites `a`. */
function solve(a: Float64Array, b: Float64Array): Float64Array | undefined {
  const n = b.length;
  for (let j = 0; j < n; j++) {
    let diagonal = a[j * n + j]!;
    for (let k = 0; k < j; k++) diagonal -= a[j * n + k]! ** 2;
    if (!(diagonal > 0)) return undefined;
    const root = Math.sqrt(diagonal);
    a[j * n + j] = root;
    for (let i = j + 1; i < n; i++) {
      let sum = a[i * n + j]!;
      for (let k = 0; k < j; k++) sum -= a[i * n + k]! * a[j * n + k]!;
      a[i * n + j] = sum / root;
    }
  }
  const x = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    let sum = b[i]!;
    for (let k = 0; k < i; k++) sum -= a[i * n + k]! * x[k]!;
    x[i] = sum / a[i * n + i]!;
  }
  for (let i = n - 1; i >= 0; i--) {
    let sum = x[i]!;
    for (let k = i + 1; k < n; k++) sum -= a[k * n + i]! * x[k]!;
    x[i] = sum / a[i * n + i]!;
  }
  return x;
}
