import { degToRad } from '../core/index.js';
import { LENS_VALUES, makeProjected, projectWithDerivatives } from './_lens-derivatives.js';
import { multiply, rotationLog, tangentBasis, transpose } from './_rotation.js';
import {
  expectedCamera,
  type FramesInfo,
  type Observations,
  type Priors,
  type State,
  turnRotation,
} from './_state.js';
import { refract, refractSteps } from './refraction.js';

/** Which unknown stands where; -1 = held. */
export interface Layout {
  readonly lens: Int32Array;
  readonly pole: number;
  readonly refraction: number;
  readonly sag: number;
  readonly segments: number;
  readonly globals: number;
  readonly perFrame: 3 | 4;
  /** First unknown of each frame; -1 for the reference. */
  readonly frames: Int32Array;
  readonly total: number;
}

export function layOut(priors: Priors, frames: FramesInfo): Layout {
  let n = 0;
  const lens = new Int32Array(LENS_VALUES).fill(-1);
  for (let k = 0; k < LENS_VALUES; k++) if (priors.lensSigma[k]! > 0) lens[k] = n++;
  const pole = n;
  n += 2;
  const refraction = priors.refraction > 0 ? n : -1;
  if (priors.refraction > 0) n += 3;
  const sag = priors.sag > 0 ? n : -1;
  if (priors.sag > 0) n += 3;
  const segments = n;
  n += 3 * frames.segmentCount;
  const globals = n;
  const perFrame = priors.scale > 0 ? 4 : 3;
  const starts = new Int32Array(frames.count).fill(-1);
  for (let i = 0; i < frames.count; i++) {
    if (i === frames.reference) continue;
    starts[i] = n;
    n += perFrame;
  }
  return { lens, pole, refraction, sag, segments, globals, perFrame, frames: starts, total: n };
}

/** Softness of the loss on star places, sigmas: beyond it a residual pulls with constant force. @source P. J. Huber, Ann. Math. Stat. 35 (1964) 73. */
export const HUBER = 2.2;

/** Cost of a state: Huber on the stars, heavy tails on the camera's small motions, squares on the rest. Infinity when a star leaves the lens. */
export function costOf(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
  residuals?: { readonly x: Float64Array; readonly y: Float64Array },
): number {
  const { observations, frames, priors } = given;
  const turns = Array.from({ length: frames.count }, (_, i) => turnRotation(state, frames.turn[i]!));
  const useRefraction = state.refraction[3] !== 0;
  const out = makeProjected();
  const d = { x: 0, y: 0, z: 0, scale: 1 };
  let cost = 0;
  for (let t = 0; t < observations.trackCount; t++) {
    const sx = state.stars[3 * t]!;
    const sy = state.stars[3 * t + 1]!;
    const sz = state.stars[3 * t + 2]!;
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const i = observations.frame[k]!;
      const T = turns[i]!;
      let ax = T[0]! * sx + T[1]! * sy + T[2]! * sz;
      let ay = T[3]! * sx + T[4]! * sy + T[5]! * sz;
      let az = T[6]! * sx + T[7]! * sy + T[8]! * sz;
      if (useRefraction) [ax, ay, az] = refract(state.refraction, [ax, ay, az]);
      const C = state.camera;
      const c = 9 * i;
      d.x = C[c]! * ax + C[c + 1]! * ay + C[c + 2]! * az;
      d.y = C[c + 3]! * ax + C[c + 4]! * ay + C[c + 5]! * az;
      d.z = C[c + 6]! * ax + C[c + 7]! * ay + C[c + 8]! * az;
      d.scale = state.scale[i]!;
      if (!projectWithDerivatives(state.projection, state.lens, d, out, false)) return Infinity;
      const rx = observations.x[k]! - out.x;
      const ry = observations.y[k]! - out.y;
      if (residuals) {
        residuals.x[k] = rx;
        residuals.y[k] = ry;
      }
      const r = Math.sqrt(rx * rx + ry * ry) / observations.sigma[k]!;
      cost += r <= HUBER ? r * r : 2 * HUBER * r - HUBER * HUBER;
    }
  }
  return cost + priorCost(state, frames, priors);
}

const heavy = (squared: number): number => 2 * Math.log(1 + squared);

function priorCost(state: State, frames: FramesInfo, priors: Priors): number {
  const focal = Math.exp(state.lens[0]!);
  let cost = 0;
  for (let k = 0; k < LENS_VALUES; k++) {
    if (!(priors.lensSigma[k]! > 0)) continue;
    const off2 = ((state.lens[k]! - priors.lens[k]!) / priors.lensSigma[k]!) ** 2;
    // Terms of bending have heavy tails: mostly small, now and then large.
    cost += k < FIRST_BENDING ? off2 : heavy(off2);
  }
  if (priors.refraction > 0) {
    cost += ((state.refraction[3]! - 1) / priors.refraction) ** 2;
    cost += heavy((tiltOf(state.refraction).value / LEVEL) ** 2);
    if (priors.latitude !== undefined) cost += (latitudeMisfit(state, priors.latitude) / LATITUDE_SIGMA) ** 2;
  }
  if (priors.sag > 0) {
    const s = priors.sag / focal;
    cost += (state.sag[0] ** 2 + state.sag[1] ** 2 + state.sag[2] ** 2) / (s * s);
  }
  for (let s = 0; s < frames.segmentCount; s++) {
    const k = rotationLog(state.segments, 9 * s);
    const sigma = segmentSigma(s, frames.segment[frames.reference]!);
    cost += (k[0] ** 2 + k[1] ** 2 + k[2] ** 2) / (sigma * sigma);
  }
  const perpendicular = priors.drift / focal;
  for (let i = 0; i < frames.count; i++) {
    const v = cameraOffset(state, frames, i);
    const along = v[0] * state.pole[0] + v[1] * state.pole[1] + v[2] * state.pole[2];
    const across2 = Math.max(0, v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - along * along);
    cost += heavy(across2 / (perpendicular * perpendicular));
    const sa = Math.hypot(frames.turnSigma[i]!, perpendicular);
    if (Number.isFinite(sa)) cost += heavy((along * along) / (sa * sa));
    if (priors.scale > 0) cost += heavy((Math.log(state.scale[i]!) / priors.scale) ** 2);
  }
  return cost;
}

/** Lens values from this one on bend the picture. */
const FIRST_BENDING = 3;
/** Tripods at night are level to this, rad: scale of a heavy-tailed prior on the horizon's tilt in the picture. */
const LEVEL = 0.03;
/** Named sites are this near, rad, pole included. */
const LATITUDE_SIGMA = 0.01;

/** Tilt of the horizon against the nearer pair of the picture's edges: landscape or portrait. */
function tiltOf(zenith: readonly number[]): { axis: 0 | 1; value: number } {
  const axis = Math.abs(zenith[0]!) <= Math.abs(zenith[1]!) ? 0 : 1;
  return { axis, value: zenith[axis]! };
}

/** The sky turns about the celestial south pole by the right-hand rule: zenith . pole = -sin(latitude). */
function latitudeMisfit(state: State, latitude: number): number {
  const [x, y, z] = state.pole;
  const [u, v, w] = state.refraction as [number, number, number];
  return x * u + y * v + z * w + Math.sin(degToRad(latitude));
}

/** A segment's camera is free; the reference's own is held near by this, rad. */
const segmentSigma = (segment: number, own: number): number => (segment === own ? 0.02 : 1);

function cameraOffset(state: State, frames: FramesInfo, i: number): [number, number, number] {
  const expected = expectedCamera(state, frames.segment[i]!, frames.tau[i]!);
  return rotationLog(multiply(state.camera.subarray(9 * i, 9 * i + 9), transpose(expected)));
}

/** The normal equations with the stars eliminated, and what is needed to find the stars' own steps afterwards. */
export interface Normal {
  readonly matrix: Float64Array;
  readonly right: Float64Array;
  /** Per track: inverse Cholesky-reduced right side (2), factor (3). */
  readonly starRight: Float64Array;
  readonly starFactor: Float64Array;
  /** Per track: 2 x globals; per observation: 2 x perFrame, both already multiplied by the inverse factor. */
  readonly starGlobals: Float64Array;
  readonly starFrames: Float64Array;
}

export function makeNormal(layout: Layout, observations: Observations): Normal {
  return {
    matrix: new Float64Array(layout.total * layout.total),
    right: new Float64Array(layout.total),
    starRight: new Float64Array(2 * observations.trackCount),
    starFactor: new Float64Array(3 * observations.trackCount),
    starGlobals: new Float64Array(2 * layout.globals * observations.trackCount),
    starFrames: new Float64Array(2 * layout.perFrame * observations.count),
  };
}

/**
 * Fills the normal equations at a state, with `lambda` times the diagonal added. Star directions are
 * eliminated block by block (Schur complement).
 * @source K. Levenberg, Quart. Appl. Math. 2 (1944) 164; D. Marquardt, SIAM J. 11 (1963) 431; elimination:
 * D. C. Brown, The bundle adjustment, 1976.
 */
export function fillNormal(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
  work: { readonly layout: Layout; readonly normal: Normal; readonly lambda: number },
): void {
  const { observations, frames, priors } = given;
  const { layout, normal, lambda } = work;
  const { matrix, right } = normal;
  const N = layout.total;
  const G = layout.globals;
  const B = layout.perFrame;
  matrix.fill(0);
  right.fill(0);
  const turns = Array.from({ length: frames.count }, (_, i) => turnRotation(state, frames.turn[i]!));
  const poleBasis = tangentBasis(state.pole);
  const useRefraction = state.refraction[3] !== 0;
  const zenithBasis = useRefraction ? tangentBasis(state.refraction) : poleBasis;
  const out = makeProjected();
  const d = { x: 0, y: 0, z: 0, scale: 1 };
  // Jacobian rows of one observation: globals then frame, x and y.
  const jx = new Float64Array(G);
  const jy = new Float64Array(G);
  const fx = new Float64Array(B);
  const fy = new Float64Array(B);
  const byDirection = out.byDirection;
  const bentStep = new Float64Array(3);
  let maxSeen = 0;
  for (let t = 0; t < observations.trackCount; t++) {
    maxSeen = Math.max(maxSeen, observations.trackStart[t + 1]! - observations.trackStart[t]!);
  }
  const y0 = new Float64Array(G + B * maxSeen);
  const y1 = new Float64Array(G + B * maxSeen);
  const place = new Int32Array(G + B * maxSeen);
  for (let k = 0; k < G; k++) place[k] = k;
  const active: number[] = [];
  for (let k = 0; k < LENS_VALUES; k++) if (layout.lens[k]! >= 0) active.push(k);
  const used: number[] = [];
  for (const k of active) used.push(layout.lens[k]!);
  used.push(layout.pole, layout.pole + 1);
  if (layout.refraction >= 0) used.push(layout.refraction, layout.refraction + 1, layout.refraction + 2);

  for (let t = 0; t < observations.trackCount; t++) {
    const from = observations.trackStart[t]!;
    const to = observations.trackStart[t + 1]!;
    const s = [state.stars[3 * t]!, state.stars[3 * t + 1]!, state.stars[3 * t + 2]!] as const;
    const [b1, b2] = tangentBasis(s);
    let v00 = 0;
    let v01 = 0;
    let v11 = 0;
    let r0 = 0;
    let r1 = 0;
    y0.fill(0);
    y1.fill(0);
    let columns = G;
    for (let k = from; k < to; k++) {
      const i = observations.frame[k]!;
      const T = turns[i]!;
      const c = 9 * i;
      const C = state.camera;
      const ax = T[0]! * s[0] + T[1]! * s[1] + T[2]! * s[2];
      const ay = T[3]! * s[0] + T[4]! * s[1] + T[5]! * s[2];
      const az = T[6]! * s[0] + T[7]! * s[1] + T[8]! * s[2];
      let px = ax;
      let py = ay;
      let pz = az;
      const bendStep = useRefraction ? refractSteps(state.refraction, [ax, ay, az]) : undefined;
      if (useRefraction) [px, py, pz] = refract(state.refraction, [ax, ay, az]);
      d.x = C[c]! * px + C[c + 1]! * py + C[c + 2]! * pz;
      d.y = C[c + 3]! * px + C[c + 4]! * py + C[c + 5]! * pz;
      d.z = C[c + 6]! * px + C[c + 7]! * py + C[c + 8]! * pz;
      d.scale = state.scale[i]!;
      if (!projectWithDerivatives(state.projection, state.lens, d, out)) continue;
      const rx = observations.x[k]! - out.x;
      const ry = observations.y[k]! - out.y;
      const sigma = observations.sigma[k]!;
      const r = Math.sqrt(rx * rx + ry * ry) / sigma;
      const w = (r <= HUBER ? 1 : HUBER / r) / (sigma * sigma);
      for (const q of active) {
        jx[layout.lens[q]!] = out.byLens[q]!;
        jy[layout.lens[q]!] = out.byLens[LENS_VALUES + q]!;
      }
      // A = d(place)/d(direction) times the camera's rotation: derivative by the direction before the camera moved.
      const a0 = byDirection[0]! * C[c]! + byDirection[1]! * C[c + 3]! + byDirection[2]! * C[c + 6]!;
      const a1 = byDirection[0]! * C[c + 1]! + byDirection[1]! * C[c + 4]! + byDirection[2]! * C[c + 7]!;
      const a2 = byDirection[0]! * C[c + 2]! + byDirection[1]! * C[c + 5]! + byDirection[2]! * C[c + 8]!;
      const a3 = byDirection[3]! * C[c]! + byDirection[4]! * C[c + 3]! + byDirection[5]! * C[c + 6]!;
      const a4 = byDirection[3]! * C[c + 1]! + byDirection[4]! * C[c + 4]! + byDirection[5]! * C[c + 7]!;
      const a5 = byDirection[3]! * C[c + 2]! + byDirection[4]! * C[c + 5]! + byDirection[5]! * C[c + 8]!;
      for (let q = 0; q < 2; q++) {
        // The pole tilts by e: a' = e x a - T (e x s).
        const e = poleBasis[q]!;
        const ex = e[1] * s[2] - e[2] * s[1];
        const ey = e[2] * s[0] - e[0] * s[2];
        const ez = e[0] * s[1] - e[1] * s[0];
        let gx = e[1] * az - e[2] * ay - (T[0]! * ex + T[1]! * ey + T[2]! * ez);
        let gy = e[2] * ax - e[0] * az - (T[3]! * ex + T[4]! * ey + T[5]! * ez);
        let gz = e[0] * ay - e[1] * ax - (T[6]! * ex + T[7]! * ey + T[8]! * ez);
        if (bendStep) {
          bendStep(gx, gy, gz, bentStep);
          gx = bentStep[0]!;
          gy = bentStep[1]!;
          gz = bentStep[2]!;
        }
        jx[layout.pole + q] = a0 * gx + a1 * gy + a2 * gz;
        jy[layout.pole + q] = a3 * gx + a4 * gy + a5 * gz;
      }
      if (layout.refraction >= 0) {
        const step = 1e-5;
        for (let q = 0; q < 3; q++) {
          const term = state.refraction.slice();
          if (q < 2) {
            const e = zenithBasis[q]!;
            for (let m = 0; m < 3; m++) term[m]! += step * e[m]!;
          } else term[3]! += step;
          const moved = refract(term, [ax, ay, az]);
          const gx = (moved[0] - px) / step;
          const gy = (moved[1] - py) / step;
          const gz = (moved[2] - pz) / step;
          jx[layout.refraction + q] = a0 * gx + a1 * gy + a2 * gz;
          jy[layout.refraction + q] = a3 * gx + a4 * gy + a5 * gz;
        }
      }
      // The star moves along its tangent plane; the sky's turn, refraction and the camera carry the step.
      let ux = T[0]! * b1[0] + T[1]! * b1[1] + T[2]! * b1[2];
      let uy = T[3]! * b1[0] + T[4]! * b1[1] + T[5]! * b1[2];
      let uz = T[6]! * b1[0] + T[7]! * b1[1] + T[8]! * b1[2];
      if (bendStep) {
        bendStep(ux, uy, uz, bentStep);
        ux = bentStep[0]!;
        uy = bentStep[1]!;
        uz = bentStep[2]!;
      }
      const sx0 = a0 * ux + a1 * uy + a2 * uz;
      const sy0 = a3 * ux + a4 * uy + a5 * uz;
      ux = T[0]! * b2[0] + T[1]! * b2[1] + T[2]! * b2[2];
      uy = T[3]! * b2[0] + T[4]! * b2[1] + T[5]! * b2[2];
      uz = T[6]! * b2[0] + T[7]! * b2[1] + T[8]! * b2[2];
      if (bendStep) {
        bendStep(ux, uy, uz, bentStep);
        ux = bentStep[0]!;
        uy = bentStep[1]!;
        uz = bentStep[2]!;
      }
      const sx1 = a0 * ux + a1 * uy + a2 * uz;
      const sy1 = a3 * ux + a4 * uy + a5 * uz;
      v00 += w * (sx0 * sx0 + sy0 * sy0);
      v01 += w * (sx0 * sx1 + sy0 * sy1);
      v11 += w * (sx1 * sx1 + sy1 * sy1);
      r0 += w * (sx0 * rx + sy0 * ry);
      r1 += w * (sx1 * rx + sy1 * ry);
      for (const g of used) {
        const gx = w * jx[g]!;
        const gy = w * jy[g]!;
        y0[g]! += sx0 * gx + sy0 * gy;
        y1[g]! += sx1 * gx + sy1 * gy;
        right[g]! += gx * rx + gy * ry;
        for (const h of used) {
          if (h > g) break;
          matrix[g * N + h]! += gx * jx[h]! + gy * jy[h]!;
        }
      }
      const start = layout.frames[i]!;
      if (start < 0) continue;
      // A small turn e of the camera moves a direction by e x d.
      fx[0] = byDirection[2]! * d.y - byDirection[1]! * d.z;
      fx[1] = byDirection[0]! * d.z - byDirection[2]! * d.x;
      fx[2] = byDirection[1]! * d.x - byDirection[0]! * d.y;
      fy[0] = byDirection[5]! * d.y - byDirection[4]! * d.z;
      fy[1] = byDirection[3]! * d.z - byDirection[5]! * d.x;
      fy[2] = byDirection[4]! * d.x - byDirection[3]! * d.y;
      if (B === 4) {
        fx[3] = out.byLens[0]!;
        fy[3] = out.byLens[LENS_VALUES]!;
      }
      for (let q = 0; q < B; q++) {
        const gx = w * fx[q]!;
        const gy = w * fy[q]!;
        y0[columns + q] = sx0 * gx + sy0 * gy;
        y1[columns + q] = sx1 * gx + sy1 * gy;
        place[columns + q] = start + q;
        right[start + q]! += gx * rx + gy * ry;
        const row = (start + q) * N;
        for (const h of used) matrix[row + h]! += gx * jx[h]! + gy * jy[h]!;
        for (let h = 0; h <= q; h++) matrix[row + start + h]! += gx * fx[h]! + gy * fy[h]!;
      }
      columns += B;
    }
    v00 *= 1 + lambda;
    v11 *= 1 + lambda;
    const l00 = Math.sqrt(Math.max(v00, 1e-12));
    const l10 = v01 / l00;
    const l11 = Math.sqrt(Math.max(v11 - l10 * l10, 1e-12));
    const q0 = r0 / l00;
    const q1 = (r1 - l10 * q0) / l11;
    normal.starFactor[3 * t] = l00;
    normal.starFactor[3 * t + 1] = l10;
    normal.starFactor[3 * t + 2] = l11;
    normal.starRight[2 * t] = q0;
    normal.starRight[2 * t + 1] = q1;
    for (let c = 0; c < columns; c++) {
      y0[c]! /= l00;
      y1[c] = (y1[c]! - l10 * y0[c]!) / l11;
    }
    normal.starGlobals.set(y0.subarray(0, G), 2 * G * t);
    normal.starGlobals.set(y1.subarray(0, G), 2 * G * t + G);
    // Frames' parts, in the order of the observations; the reference has none.
    let c = G;
    for (let k = from; k < to; k++) {
      const at = 2 * B * k;
      const own = c < columns && place[c] === layout.frames[observations.frame[k]!]! && place[c]! >= 0;
      for (let q = 0; q < B; q++) {
        normal.starFrames[at + q] = own ? y0[c + q]! : 0;
        normal.starFrames[at + B + q] = own ? y1[c + q]! : 0;
      }
      if (own) c += B;
    }
    for (let p = 0; p < columns; p++) {
      const u0 = y0[p]!;
      const u1 = y1[p]!;
      if (u0 === 0 && u1 === 0) continue;
      const row = place[p]! * N;
      right[place[p]!]! -= u0 * q0 + u1 * q1;
      for (let q = 0; q <= p; q++) matrix[row + place[q]!]! -= u0 * y0[q]! + u1 * y1[q]!;
    }
  }
  addPriors(state, frames, { priors, layout, normal });
  for (let k = 0; k < N; k++) matrix[k * N + k]! += lambda * matrix[k * N + k]! + 1e-9;
}

/** Adds one believed value, with its slopes by the unknowns (in ascending order of unknown), to the equations. */
function pullBy(
  normal: Normal,
  total: number,
  belief: { readonly slopes: readonly [number, number][]; readonly weight: number; readonly value: number },
): void {
  for (const [a, slopeA] of belief.slopes) {
    normal.right[a]! -= belief.weight * slopeA * belief.value;
    for (const [b, slopeB] of belief.slopes) {
      if (b <= a) normal.matrix[a * total + b]! += belief.weight * slopeA * slopeB;
    }
  }
}

function addPriors(
  state: State,
  frames: FramesInfo,
  work: { readonly priors: Priors; readonly layout: Layout; readonly normal: Normal },
): void {
  const { priors, layout, normal } = work;
  const { matrix, right } = normal;
  const N = layout.total;
  const focal = Math.exp(state.lens[0]!);
  const diagonal = (at: number, weight: number, pull: number) => {
    matrix[at * N + at]! += weight;
    right[at]! += weight * pull;
  };
  for (let k = 0; k < LENS_VALUES; k++) {
    if (layout.lens[k]! < 0) continue;
    const pull = priors.lens[k]! - state.lens[k]!;
    const off2 = (pull / priors.lensSigma[k]!) ** 2;
    diagonal(layout.lens[k]!, (k < FIRST_BENDING ? 1 : 2 / (1 + off2)) / priors.lensSigma[k]! ** 2, pull);
  }
  if (layout.refraction >= 0) {
    // Weak holds on the zenith keep the equations regular where the data say nothing of it.
    diagonal(layout.refraction, 1, 0);
    diagonal(layout.refraction + 1, 1, 0);
    diagonal(layout.refraction + 2, 1 / priors.refraction ** 2, 1 - state.refraction[3]!);
    const basis = tangentBasis(state.refraction);
    const tilt = tiltOf(state.refraction);
    const weight = 2 / (1 + (tilt.value / LEVEL) ** 2) / LEVEL ** 2;
    const slopes: [number, number][] = basis.map((e, q) => [layout.refraction + q, e[tilt.axis]]);
    pullBy(normal, layout.total, { slopes, weight, value: tilt.value });
    if (priors.latitude !== undefined) {
      const poleBasis = tangentBasis(state.pole);
      const dot = (a: readonly number[], b: readonly number[]) =>
        a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!;
      pullBy(normal, layout.total, {
        slopes: [
          ...poleBasis.map((e, q): [number, number] => [layout.pole + q, dot(e, state.refraction)]),
          ...basis.map((e, q): [number, number] => [layout.refraction + q, dot(e, state.pole)]),
        ],
        weight: 1 / LATITUDE_SIGMA ** 2,
        value: latitudeMisfit(state, priors.latitude),
      });
    }
  }
  if (layout.sag >= 0) {
    const s = priors.sag / focal;
    for (let q = 0; q < 3; q++) diagonal(layout.sag + q, 1 / (s * s), -state.sag[q]!);
  }
  for (let s = 0; s < frames.segmentCount; s++) {
    const k = rotationLog(state.segments, 9 * s);
    const weight = 1 / segmentSigma(s, frames.segment[frames.reference]!) ** 2;
    for (let q = 0; q < 3; q++) diagonal(layout.segments + 3 * s + q, weight, -k[q]!);
  }
  const perpendicular = priors.drift / focal;
  const p = state.pole;
  for (let i = 0; i < frames.count; i++) {
    const v = cameraOffset(state, frames, i);
    const along = v[0] * p[0] + v[1] * p[1] + v[2] * p[2];
    const across2 = Math.max(0, v[0] ** 2 + v[1] ** 2 + v[2] ** 2 - along * along);
    const wAcross = 2 / (1 + across2 / (perpendicular * perpendicular)) / (perpendicular * perpendicular);
    const sa = Math.hypot(frames.turnSigma[i]!, perpendicular);
    const wAlong = Number.isFinite(sa) ? 2 / (1 + (along * along) / (sa * sa)) / (sa * sa) : 0;
    // v = camera - segment - tau sag, to first order; weight matrix wAcross (I - p p^T) + wAlong p p^T.
    const parts: [number, number][] = [[layout.segments + 3 * frames.segment[i]!, -1]];
    if (layout.sag >= 0 && frames.tau[i] !== 0) parts.push([layout.sag, -frames.tau[i]!]);
    if (layout.frames[i]! >= 0) parts.push([layout.frames[i]!, 1]);
    for (let r = 0; r < 3; r++) {
      let force = 0;
      for (let c = 0; c < 3; c++) {
        const w = (r === c ? wAcross : 0) + (wAlong - wAcross) * p[r]! * p[c]!;
        force += w * v[c]!;
        for (const [a, fa] of parts) {
          for (const [b, fb] of parts) {
            if (b + c <= a + r) matrix[(a + r) * N + b + c]! += fa * fb * w;
          }
        }
      }
      for (const [a, fa] of parts) right[a + r]! -= fa * force;
    }
    if (layout.perFrame === 4 && layout.frames[i]! >= 0) {
      const log = Math.log(state.scale[i]!);
      const weight = 2 / (1 + (log / priors.scale) ** 2) / priors.scale ** 2;
      diagonal(layout.frames[i]! + 3, weight, -log);
    }
  }
}
