import { type Mask, median, type Plane, quantile, radToDeg, type StarTable } from '../core/index.js';
import type { BackgroundMesh, ZoneMeasure } from './types.js';

export const ZONES = 5;

/** Rows of stars fit for shape statistics: no flag, clear of the noise; the faint only where there are few. */
export function goodStars(stars: StarTable): number[] {
  const clear: number[] = [];
  const faint: number[] = [];
  for (let i = 0; i < stars.count; i++) {
    if (stars.flags[i] !== 0 || Number.isNaN(stars.fwhm[i]!)) continue;
    (stars.snr[i]! >= 15 ? clear : faint).push(i);
  }
  return clear.length >= 30 ? clear : [...clear, ...faint];
}

/** Length and angle of the line whose tensor is the median of the stars' tensors: noise in round stars cancels. */
export function medianTrail(stars: StarTable, rows: readonly number[]): { length: number; angle: number } {
  if (rows.length === 0) return { length: Number.NaN, angle: Number.NaN };
  const c: number[] = [];
  const s: number[] = [];
  for (const i of rows) {
    const angle = (2 * stars.theta[i]! * Math.PI) / 180;
    const square = stars.trailLength[i]! ** 2;
    c.push(square * Math.cos(angle));
    s.push(square * Math.sin(angle));
  }
  const mc = median(c);
  const ms = median(s);
  return {
    length: Math.sqrt(Math.hypot(mc, ms)),
    angle: (radToDeg(Math.atan2(ms, mc) / 2) + 180) % 180,
  };
}

interface FrameShape {
  readonly fwhm: number;
  readonly fwhmMinor: number;
  readonly elongation: number;
  readonly trailLength: number;
  readonly trailAngle: number;
  readonly cornerComa: number;
}

/**
 * Medians over the frame, and the trail told from coma (P04): a trail is the same line all over, changing
 * slowly, while coma points to the centre and grows with the square of the radius. Both are tensors that
 * add, so a robust linear fit parts them; the trail given is the one at the middle of the field.
 */
export function frameShape(plane: Plane, stars: StarTable): FrameShape {
  const rows = goodStars(stars);
  const pick = (column: Float32Array): number => median(rows.map((i) => column[i]!));
  const fallback = medianTrail(stars, rows);
  const parted = rows.length >= 25 ? partTrail(plane, stars, rows) : undefined;
  return {
    fwhm: pick(stars.fwhm),
    fwhmMinor: pick(stars.fwhmMinor),
    elongation: pick(stars.elongation),
    trailLength: parted?.length ?? fallback.length,
    trailAngle: parted?.angle ?? fallback.angle,
    cornerComa: parted?.coma ?? Number.NaN,
  };
}

/** Unknowns: the trail tensor's value and slopes (2 x 3) and the radial term. */
const UNKNOWNS = 7;

function partTrail(
  plane: Plane,
  stars: StarTable,
  rows: readonly number[],
): { length: number; angle: number; coma: number } | undefined {
  const cx = (plane.width - 1) / 2;
  const cy = (plane.height - 1) / 2;
  const radius = Math.hypot(cx, cy);
  const weights = new Float64Array(rows.length).fill(1);
  let solution: Float64Array | undefined;
  for (let pass = 0; pass < 8; pass++) {
    const matrix = new Float64Array(UNKNOWNS * UNKNOWNS);
    const right = new Float64Array(UNKNOWNS);
    for (let n = 0; n < rows.length; n++) {
      for (const equation of equations(rows[n]!)) accumulate(matrix, right, equation, weights[n]!);
    }
    solution = solveLinear(matrix, right, UNKNOWNS);
    if (!solution) return undefined;
    const found = solution;
    const residuals = rows.map((i) => {
      const [first, second] = equations(i);
      return Math.hypot(first.value - dot(first.row, found), second.value - dot(second.row, found));
    });
    // Huber weights with the scale from the median residual.
    const scale = 1.5 * Math.max(1e-6, median(residuals));
    for (let n = 0; n < rows.length; n++) weights[n] = residuals[n]! <= scale ? 1 : scale / residuals[n]!;
  }
  if (!solution) return undefined;
  const c = solution[0]!;
  const s = solution[3]!;
  return {
    length: Math.sqrt(Math.hypot(c, s)),
    angle: (radToDeg(Math.atan2(s, c) / 2) + 180) % 180,
    coma: Math.sqrt(Math.max(0, solution[6]!)),
  };

  function equations(i: number): readonly [Equation, Equation] {
    const x = (stars.x[i]! - cx) / radius;
    const y = (stars.y[i]! - cy) / radius;
    const angle = (2 * stars.theta[i]! * Math.PI) / 180;
    const square = stars.trailLength[i]! ** 2;
    // r^2 cos 2 phi and r^2 sin 2 phi of the direction to the centre.
    return [
      { row: [1, x, y, 0, 0, 0, x * x - y * y], value: square * Math.cos(angle) },
      { row: [0, 0, 0, 1, x, y, 2 * x * y], value: square * Math.sin(angle) },
    ];
  }
}

interface Equation {
  readonly row: readonly number[];
  readonly value: number;
}

function dot(row: readonly number[], x: Float64Array): number {
  let sum = 0;
  for (let i = 0; i < row.length; i++) sum += row[i]! * x[i]!;
  return sum;
}

function accumulate(matrix: Float64Array, right: Float64Array, equation: Equation, weight: number): void {
  const n = right.length;
  for (let j = 0; j < n; j++) {
    const w = weight * equation.row[j]!;
    if (w === 0) continue;
    right[j]! += w * equation.value;
    for (let k = 0; k < n; k++) matrix[j * n + k]! += w * equation.row[k]!;
  }
}

/** Solves a small dense system by elimination with row exchange; undefined when singular. */
export function solveLinear(matrix: Float64Array, right: Float64Array, n: number): Float64Array | undefined {
  const a = matrix.slice();
  const b = right.slice();
  for (let column = 0; column < n; column++) {
    let pivot = column;
    for (let r = column + 1; r < n; r++) {
      if (Math.abs(a[r * n + column]!) > Math.abs(a[pivot * n + column]!)) pivot = r;
    }
    if (!(Math.abs(a[pivot * n + column]!) > 1e-12)) return undefined;
    if (pivot !== column) {
      for (let k = 0; k < n; k++) {
        const swap = a[column * n + k]!;
        a[column * n + k] = a[pivot * n + k]!;
        a[pivot * n + k] = swap;
      }
      const swap = b[column]!;
      b[column] = b[pivot]!;
      b[pivot] = swap;
    }
    for (let r = column + 1; r < n; r++) {
      const factor = a[r * n + column]! / a[column * n + column]!;
      if (factor === 0) continue;
      for (let k = column; k < n; k++) a[r * n + k]! -= factor * a[column * n + k]!;
      b[r]! -= factor * b[column]!;
    }
  }
  for (let r = n - 1; r >= 0; r--) {
    let sum = b[r]!;
    for (let k = r + 1; k < n; k++) sum -= a[r * n + k]! * b[k]!;
    b[r] = sum / a[r * n + r]!;
  }
  return b;
}

/** Measures each of 5 x 5 zones, row by row. */
export function zonesOf(
  plane: Plane,
  stars: StarTable,
  mesh: BackgroundMesh,
  mask: Mask | undefined,
): ZoneMeasure[] {
  const members: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
  const counts = new Int32Array(ZONES * ZONES);
  const zoneOf = (x: number, y: number): number => {
    const column = Math.max(0, Math.min(ZONES - 1, Math.floor(((x + 0.5) / plane.width) * ZONES)));
    const row = Math.max(0, Math.min(ZONES - 1, Math.floor(((y + 0.5) / plane.height) * ZONES)));
    return row * ZONES + column;
  };
  for (let i = 0; i < stars.count; i++) counts[zoneOf(stars.x[i]!, stars.y[i]!)]!++;
  for (const i of goodStars(stars)) members[zoneOf(stars.x[i]!, stars.y[i]!)]!.push(i);
  const levels: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
  const noises: number[][] = Array.from({ length: ZONES * ZONES }, () => []);
  // Four points a cell, so that every zone is met also where cells are as large as zones.
  for (let r = 0; r < mesh.rows; r++) {
    for (let c = 0; c < mesh.columns; c++) {
      for (const [fx, fy] of [
        [0.1, 0.1],
        [0.9, 0.1],
        [0.1, 0.9],
        [0.9, 0.9],
      ] as const) {
        const x = Math.min(plane.width - 1, Math.floor((c + fx) * mesh.cellWidth));
        const y = Math.min(plane.height - 1, Math.floor((r + fy) * mesh.cellHeight));
        if (mask && mask.data[y * plane.width + x] !== 0) continue;
        const zone = zoneOf(x, y);
        levels[zone]!.push(mesh.level[r * mesh.columns + c]!);
        noises[zone]!.push(mesh.noise[r * mesh.columns + c]!);
      }
    }
  }
  return members.map((rows, zone) => {
    const trail = medianTrail(stars, rows);
    const pick = (column: Float32Array): number => median(rows.map((i) => column[i]!));
    return {
      starCount: counts[zone]!,
      fwhm: pick(stars.fwhm),
      fwhmMinor: pick(stars.fwhmMinor),
      trailLength: trail.length,
      trailAngle: trail.angle,
      background: median(levels[zone]!),
      noise: median(noises[zone]!),
      comaShare: comaShare(plane, stars, rows),
    };
  });
}

/** Share of a zone's elongation that points to the frame's centre, from its stars' tensors; 1 = all of it. */
function comaShare(plane: Plane, stars: StarTable, rows: readonly number[]): number {
  if (rows.length < 3) return Number.NaN;
  const cx = (plane.width - 1) / 2;
  const cy = (plane.height - 1) / 2;
  const toward: number[] = [];
  const whole: number[] = [];
  for (const i of rows) {
    const phi = Math.atan2(stars.y[i]! - cy, stars.x[i]! - cx);
    const square = stars.trailLength[i]! ** 2;
    toward.push(square * Math.cos(2 * ((stars.theta[i]! * Math.PI) / 180 - phi)));
    whole.push(square);
  }
  const all = quantile(whole, 0.5);
  return all > 0 ? Math.max(0, Math.min(1, median(toward) / all)) : 0;
}
