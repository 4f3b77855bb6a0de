import { fractal2, smoothStep } from './_noise.js';
import type { Shot } from './night-scenario.js';

/** Depth of cloud at each node, unscaled: thicker where more. */
export function cloudField(
  shot: Shot,
  time: number,
  seed: number,
  enu: Float64Array,
  n: number,
): Float32Array {
  const field = new Float32Array(n);
  const patch = shot.cloud?.patchiness ?? 0;
  for (let k = 0; k < n; k++) {
    const up = Math.max(0.12, enu[k * 3 + 2]!);
    const e = enu[k * 3]! / up + time * 0.0016;
    const north = enu[k * 3 + 1]! / up + time * 0.0007;
    const noise = fractal2(e * 1.7, north * 1.7, 5, seed);
    const veil = 0.35 + noise;
    const patches = 2.4 * smoothStep(0.44, 0.66, noise);
    field[k] = (1 - patch) * veil + patch * patches;
  }
  return field;
}

/** Thickness factor that makes the mean transparency come true over the nodes where `visible` is 1. */
export function cloudDepth(field: Float32Array, visible: Uint8Array, wanted: number): number {
  const meanFor = (depth: number): number => {
    let sum = 0;
    let count = 0;
    for (let k = 0; k < field.length; k++) {
      if (visible[k] === 0) continue;
      sum += Math.exp(-depth * field[k]!);
      count++;
    }
    return count === 0 ? 1 : sum / count;
  };
  let low = 0;
  let high = 1;
  while (meanFor(high) > wanted && high < 500) high *= 2;
  for (let i = 0; i < 30; i++) {
    const middle = (low + high) / 2;
    if (meanFor(middle) > wanted) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}
