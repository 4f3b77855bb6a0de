import { factor, solveFactored } from './_cholesky.js';
import { costOf } from './_cost.js';
import { type Layout, layOut } from './_layout.js';
import { LENS_VALUES } from './_lens-derivatives.js';
import { fillNormal, makeNormal, type Normal } from './_normal-equations.js';
import { multiply, normalize, orthonormalize, rotationExp, tangentBasis } from './_rotation.js';
import { copyState, type FramesInfo, type Observations, type Priors, type State } from './_state.js';

export interface Solution {
  readonly state: State;
  readonly cost: number;
  readonly iterations: number;
  readonly layout: Layout;
  /** Covariance of the shared unknowns, row-major, in the order of the layout; undefined unless asked for. */
  readonly covariance?: Float64Array;
}

/**
 * Finds the state of least cost by Levenberg-Marquardt, starting nearly undamped: a large start stops early
 * in the flat valley of focal length and pole (FINDINGS lesson 7).
 */
export function solve(
  start: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
  options: { readonly iterations: number; readonly covariance?: boolean; readonly precision?: number },
): Solution {
  const layout = layOut(given.priors, given.frames);
  const normal = makeNormal(layout, given.observations);
  const precision = options.precision ?? 1e-5;
  let state = start;
  let cost = costOf(state, given);
  let lambda = 1e-7;
  let iterations = 0;
  let quiet = 0;
  while (iterations < options.iterations) {
    iterations++;
    fillNormal(state, given, { layout, normal, lambda });
    let better = false;
    if (factor(normal.matrix, layout.total)) {
      solveFactored(normal.matrix, layout.total, normal.right);
      const moved = step(state, given, { layout, normal });
      const next = costOf(moved, given);
      if (next < cost) {
        const gain = (cost - next) / Math.max(1, next);
        better = true;
        state = moved;
        cost = next;
        lambda = Math.max(1e-9, lambda / 10);
        quiet = gain < precision ? quiet + 1 : 0;
      }
    }
    if (!better) {
      lambda = lambda < 1e-5 ? 1e-4 : lambda * 10;
      // Nothing left to gain but rounding.
      if (lambda > 10) break;
      if (quiet > 0) break;
    }
    if (quiet >= 1 && lambda <= 1e-6) break;
  }
  if (!options.covariance) return { state, cost, iterations, layout };
  fillNormal(state, given, { layout, normal, lambda: 0 });
  const covariance = globalCovariance(layout, normal);
  return { state, cost, iterations, layout, ...(covariance ? { covariance } : {}) };
}

function globalCovariance(layout: Layout, normal: Normal): Float64Array | undefined {
  if (!factor(normal.matrix, layout.total)) return undefined;
  const G = layout.globals;
  const covariance = new Float64Array(G * G);
  for (let k = 0; k < G; k++) {
    const unit = new Float64Array(layout.total);
    unit[k] = 1;
    solveFactored(normal.matrix, layout.total, unit);
    covariance.set(unit.subarray(0, G), k * G);
  }
  return covariance;
}

/** The state after the step in `normal.right`. */
function step(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo },
  work: { readonly layout: Layout; readonly normal: Normal },
): State {
  const { layout, normal } = work;
  const { observations, frames } = given;
  const x = normal.right;
  const next = copyState(state);
  for (let k = 0; k < LENS_VALUES; k++) if (layout.lens[k]! >= 0) next.lens[k]! += x[layout.lens[k]!]!;
  const tilt = tangentBasis(state.pole);
  const pole = [0, 1, 2].map((m) => x[layout.pole]! * tilt[0][m]! + x[layout.pole + 1]! * tilt[1][m]!);
  next.pole = normalize(rotate(rotationExp(pole[0]!, pole[1]!, pole[2]!), state.pole));
  if (layout.refraction >= 0) {
    const basis = tangentBasis(state.refraction);
    const zenith = [0, 1, 2].map(
      (m) =>
        state.refraction[m]! +
        x[layout.refraction]! * basis[0][m]! +
        x[layout.refraction + 1]! * basis[1][m]!,
    );
    next.refraction = [...normalize(zenith), state.refraction[3]! + x[layout.refraction + 2]!];
  }
  if (layout.sag >= 0) for (let q = 0; q < 3; q++) next.sag[q]! += x[layout.sag + q]!;
  for (let s = 0; s < frames.segmentCount; s++) {
    turnBy(next.segments, 9 * s, x, layout.segments + 3 * s);
  }
  for (let i = 0; i < frames.count; i++) {
    if (layout.frames[i]! < 0) continue;
    turnBy(next.camera, 9 * i, x, layout.frames[i]!);
    if (layout.perFrame === 4) next.scale[i]! *= Math.exp(x[layout.frames[i]! + 3]!);
  }
  const G = layout.globals;
  const B = layout.perFrame;
  for (let t = 0; t < observations.trackCount; t++) {
    let q0 = normal.starRight[2 * t]!;
    let q1 = normal.starRight[2 * t + 1]!;
    for (let g = 0; g < G; g++) {
      q0 -= normal.starGlobals[2 * G * t + g]! * x[g]!;
      q1 -= normal.starGlobals[2 * G * t + G + g]! * x[g]!;
    }
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const at = layout.frames[observations.frame[k]!]!;
      if (at < 0) continue;
      for (let q = 0; q < B; q++) {
        q0 -= normal.starFrames[2 * B * k + q]! * x[at + q]!;
        q1 -= normal.starFrames[2 * B * k + B + q]! * x[at + q]!;
      }
    }
    // Back through the transposed factor: L^T step = q.
    const second = q1 / normal.starFactor[3 * t + 2]!;
    const first = (q0 - normal.starFactor[3 * t + 1]! * second) / normal.starFactor[3 * t]!;
    const s = [state.stars[3 * t]!, state.stars[3 * t + 1]!, state.stars[3 * t + 2]!];
    const [b1, b2] = tangentBasis(s);
    const moved = normalize([0, 1, 2].map((m) => s[m]! + first * b1[m]! + second * b2[m]!));
    next.stars.set(moved, 3 * t);
  }
  return next;
}

function rotate(m: readonly number[], v: readonly [number, number, number]): [number, number, number] {
  return [
    m[0]! * v[0] + m[1]! * v[1] + m[2]! * v[2],
    m[3]! * v[0] + m[4]! * v[1] + m[5]! * v[2],
    m[6]! * v[0] + m[7]! * v[1] + m[8]! * v[2],
  ];
}

function turnBy(rotations: Float64Array, at: number, x: Float64Array, from: number): void {
  const turned = multiply(rotationExp(x[from]!, x[from + 1]!, x[from + 2]!), rotations.subarray(at, at + 9));
  rotations.set(orthonormalize(turned), at);
}
