import type { Plane } from '../core/index.js';
import { makePointReader } from './_mesh.js';
import type { Background, ForcedFluxes } from './types.js';

/** Sub-pixel lattice at an aperture's rim, a side: area right to 0.1 % at radius 3 px. */
const SUB = 5;

/**
 * Measures the flux at given places, whether a star is seen there or not: the sum above background within a
 * circle, rim pixels by the share of their area. Missing pixels (NaN, outside) are made up for by the mean
 * of the aperture where at least 80 % of it has data; below that the flux is NaN.
 *
 * @param plane f32[height*width], ADU. Not modified.
 * @param positions x, y in px; NaN gives NaN
 * @param options.radius aperture radius, px, > 0; 1.5 fwhm catches 99.8 % of a Gaussian star
 * @param options.noise effective per-pixel noise, ADU; default the background's own
 * @param options.gain e-/ADU: adds the photons' own noise to the errors
 */
export function forcedPhotometry(
  plane: Plane,
  background: Background,
  positions: { readonly x: ArrayLike<number>; readonly y: ArrayLike<number> },
  options: { readonly radius: number; readonly noise?: number; readonly gain?: number },
): ForcedFluxes {
  const { width, height, data } = plane;
  const { radius } = options;
  const count = positions.x.length;
  const flux = new Float32Array(count).fill(Number.NaN);
  const error = new Float32Array(count).fill(Number.NaN);
  const coverage = new Float32Array(count);
  const peak = new Float32Array(count).fill(Number.NaN);
  const noiseAt = background.mesh
    ? makePointReader(background.mesh.noise, background.mesh)
    : () => background.noise;
  const area = Math.PI * radius * radius;
  for (let k = 0; k < count; k++) {
    const cx = positions.x[k]!;
    const cy = positions.y[k]!;
    if (!Number.isFinite(cx) || !Number.isFinite(cy)) continue;
    let sum = 0;
    let seen = 0;
    let highest = Number.NEGATIVE_INFINITY;
    for (let y = Math.floor(cy - radius); y <= Math.ceil(cy + radius); y++) {
      if (y < 0 || y >= height) continue;
      for (let x = Math.floor(cx - radius); x <= Math.ceil(cx + radius); x++) {
        if (x < 0 || x >= width) continue;
        const share = overlap(x - cx, y - cy, radius);
        if (share === 0) continue;
        const i = y * width + x;
        const value = data[i]! - background.level.data[i]!;
        if (Number.isNaN(value)) continue;
        sum += share * value;
        seen += share;
        if (value > highest) highest = value;
      }
    }
    coverage[k] = Math.min(1, seen / area);
    if (seen < 0.8 * area) continue;
    flux[k] = (sum * area) / seen;
    peak[k] = highest;
    const noise = options.noise ?? noiseAt(cx, cy);
    const photons = options.gain ? Math.max(0, flux[k]!) / options.gain : 0;
    error[k] = Math.sqrt(noise * noise * area + photons);
  }
  return { flux, error, coverage, peak };
}

/** Share of the pixel at (dx, dy) from the centre that lies within the circle. */
function overlap(dx: number, dy: number, radius: number): number {
  const distance = Math.hypot(dx, dy);
  if (distance < radius - 0.7072) return 1;
  if (distance > radius + 0.7072) return 0;
  let inside = 0;
  for (let j = 0; j < SUB; j++) {
    for (let i = 0; i < SUB; i++) {
      const sx = dx + (i + 0.5) / SUB - 0.5;
      const sy = dy + (j + 0.5) / SUB - 0.5;
      if (sx * sx + sy * sy <= radius * radius) inside++;
    }
  }
  return inside / (SUB * SUB);
}
