import { makeProjected, projectWithDerivatives } from './_lens-derivatives.js';
import { priorCost } from './_priors.js';
import { type FramesInfo, type Observations, type Priors, type State, turnRotation } from './_state.js';
import { bend, makeBent } from './refraction.js';

/** Softness of the loss on star places, sigmas: beyond it a residual pulls with constant force. @source P. J. Huber, Ann. Math. Stat. 35 (1964) 73. */
const HUBER = 2.2;

/**
 * Weight of a star's place in the least squares that stand for that loss, px^-2.
 *
 * @param rx residual, px
 * @param sigma its expected size, px
 */
export function placeWeight(rx: number, ry: number, sigma: number): number {
  const r = Math.sqrt(rx * rx + ry * ry) / sigma;
  return (r <= HUBER ? 1 : HUBER / r) / (sigma * sigma);
}

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
  const bent = makeBent();
  const d = { x: 0, y: 0, z: 0, scale: 1 };
  let cost = 0;
  for (let t = 0; t < observations.trackCount; t++) {
    const sx = state.stars[3 * t]!;
    const sy = state.stars[3 * t + 1]!;
    const sz = state.stars[3 * t + 2]!;
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const i = observations.frame[k]!;
      const T = turns[i]!;
      bent.x = T[0]! * sx + T[1]! * sy + T[2]! * sz;
      bent.y = T[3]! * sx + T[4]! * sy + T[5]! * sz;
      bent.z = T[6]! * sx + T[7]! * sy + T[8]! * sz;
      if (useRefraction) bend(state.refraction, bent.x, bent.y, bent.z, bent);
      const C = state.camera;
      const c = 9 * i;
      d.x = C[c]! * bent.x + C[c + 1]! * bent.y + C[c + 2]! * bent.z;
      d.y = C[c + 3]! * bent.x + C[c + 4]! * bent.y + C[c + 5]! * bent.z;
      d.z = C[c + 6]! * bent.x + C[c + 7]! * bent.y + C[c + 8]! * bent.z;
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
