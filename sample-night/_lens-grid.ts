import type { FrameGeometry } from './_geometry.js';
import { unproject } from './_lens.js';
import { smoothStep } from './_noise.js';
import type { NightScenario } from './night-scenario.js';

/** Spacing of the coarse grid on which everything smooth is worked out, px. */
export const GRID_STEP = 6;

/** Directions in camera axes and falloff at the nodes of the coarse grid: depends on the lens only. */
export interface LensGrid {
  readonly columns: number;
  readonly rows: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly z: Float64Array;
  /** Light of a star that arrives, axis = 1: aperture seen from the side, and the lens's own vignetting. */
  readonly transmission: Float32Array;
  /** Light of an even surface that one pixel gets, axis = 1: `transmission` times the pixel's solid angle. */
  readonly surface: Float32Array;
}

/** Works out the grid of a lens. @source natural falloff: cosine of the aperture times solid angle, E. Hecht, Optics. */
export function lensGrid(scenario: NightScenario, geometry: FrameGeometry): LensGrid {
  const { width, height } = scenario.camera;
  const columns = Math.floor((width - 1) / GRID_STEP) + 2;
  const rows = Math.floor((height - 1) / GRID_STEP) + 2;
  const n = columns * rows;
  const x = new Float64Array(n);
  const y = new Float64Array(n);
  const z = new Float64Array(n);
  const transmission = new Float32Array(n);
  const surface = new Float32Array(n);
  const corner = Math.hypot(width, height) / 2;
  const { lens } = geometry;
  const a = new Float64Array(3);
  const b = new Float64Array(3);
  const c = new Float64Array(3);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const k = j * columns + i;
      const px = i * GRID_STEP;
      const py = j * GRID_STEP;
      unproject(lens, px, py, a);
      unproject(lens, px + 1, py, b);
      unproject(lens, px, py + 1, c);
      x[k] = a[0]!;
      y[k] = a[1]!;
      z[k] = a[2]!;
      const b0 = b[0]! - a[0]!;
      const b1 = b[1]! - a[1]!;
      const b2 = b[2]! - a[2]!;
      const c0 = c[0]! - a[0]!;
      const c1 = c[1]! - a[1]!;
      const c2 = c[2]! - a[2]!;
      const solid = Math.hypot(b1 * c2 - b2 * c1, b2 * c0 - b0 * c2, b0 * c1 - b1 * c0);
      const radius = Math.hypot(px - lens.centerX, py - lens.centerY) / corner;
      const mechanical = 1 - scenario.lens.vignetting * smoothStep(0, 1.6, radius) * 1.6;
      transmission[k] = Math.max(0, a[2]!) * Math.max(0.02, mechanical);
      surface[k] = transmission[k]! * solid * lens.focalLengthPx ** 2;
    }
  }
  return { columns, rows, x, y, z, transmission, surface };
}
