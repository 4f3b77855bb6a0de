import { median, STAR_FLAGS, type StarTable } from '../core/index.js';
import type { Grid } from './_land-grid.js';
import { solveLinear } from './_zones.js';

/** Places of stars that belong to the sky, grid px. */
export interface SkyPoints {
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly count: number;
}

/**
 * Stars that prove sky: those that do not stay put over the run. What stays put in most tables while the
 * rest moves is land or a defect. Where nearly all stay put (frames too close in time, or near the pole) all count.
 *
 * @param scale grid px for one frame px
 */
export function skyPoints(
  tables: readonly StarTable[],
  scale: { readonly x: number; readonly y: number },
): SkyPoints {
  const rowsOf = tables.map((table) => {
    const rows: number[] = [];
    for (let i = 0; i < table.count; i++) {
      if (table.flags[i]! & (STAR_FLAGS.SHAPE_FAILED.bit | STAR_FLAGS.DEFECT_SUSPECT.bit)) continue;
      rows.push(i);
    }
    return rows;
  });
  const fixed = tables.map((table, t) => stayingPut(tables, t, rowsOf[t]!, table));
  const all = rowsOf.reduce((sum, rows) => sum + rows.length, 0);
  const staying = fixed.reduce((sum, flags) => sum + flags.reduce((n, f) => n + (f ? 1 : 0), 0), 0);
  const tellsApart = tables.length >= 2 && staying < 0.6 * all;
  const xs: number[] = [];
  const ys: number[] = [];
  tables.forEach((table, t) => {
    rowsOf[t]!.forEach((i, n) => {
      if (tellsApart && fixed[t]![n]) return;
      xs.push((table.x[i]! + 0.5) * scale.x - 0.5);
      ys.push((table.y[i]! + 0.5) * scale.y - 0.5);
    });
  });
  return { x: Float64Array.from(xs), y: Float64Array.from(ys), count: xs.length };
}

/** For each row: whether most other tables hold a star within 1 px of the same place. */
function stayingPut(
  tables: readonly StarTable[],
  own: number,
  rows: readonly number[],
  table: StarTable,
): boolean[] {
  const hits = new Int32Array(rows.length);
  let others = 0;
  tables.forEach((other, t) => {
    if (t === own) return;
    others++;
    const cell = 4;
    const places = new Map<number, number[]>();
    for (let i = 0; i < other.count; i++) {
      const key = Math.floor(other.y[i]! / cell) * 65536 + Math.floor(other.x[i]! / cell);
      const list = places.get(key);
      if (list) list.push(i);
      else places.set(key, [i]);
    }
    rows.forEach((i, n) => {
      const cx = Math.floor(table.x[i]! / cell);
      const cy = Math.floor(table.y[i]! / cell);
      for (let dy = -1; dy <= 1; dy++) {
        for (let dx = -1; dx <= 1; dx++) {
          for (const j of places.get((cy + dy) * 65536 + cx + dx) ?? []) {
            if (Math.hypot(other.x[j]! - table.x[i]!, other.y[j]! - table.y[i]!) < 1) {
              hits[n]!++;
              return;
            }
          }
        }
      }
    });
  });
  return rows.map((_, n) => others > 0 && hits[n]! >= Math.max(1, 0.5 * others));
}

/** Powers of x and y in the sky's smooth model: a full cubic. */
const POWERS = [
  [0, 0],
  [1, 0],
  [0, 1],
  [2, 0],
  [1, 1],
  [0, 2],
  [3, 0],
  [2, 1],
  [1, 2],
  [0, 3],
] as const;

/**
 * Fits the sky's smooth level at cells round the stars and returns what is left of the grid, with the typical
 * scatter at those cells. With few stars the model has fewer terms.
 */
export function skyResidual(
  grid: Grid,
  points: SkyPoints,
): { readonly residual: Float32Array; readonly scatter: number } {
  const { width, height, data } = grid;
  const cells: number[] = [];
  for (let k = 0; k < points.count; k++) {
    for (const [dx, dy] of [
      [3, 0],
      [-3, 0],
      [0, 3],
      [0, -3],
    ] as const) {
      const x = Math.round(points.x[k]! + dx);
      const y = Math.round(points.y[k]! + dy);
      if (x >= 0 && y >= 0 && x < width && y < height) cells.push(y * width + x);
    }
  }
  const terms = points.count < 15 ? 1 : points.count < 60 ? 3 : points.count < 200 ? 6 : 10;
  const most = 4000;
  const step = Math.max(1, Math.floor(cells.length / most));
  const used = cells.filter((_, i) => i % step === 0);
  const rowAt = (i: number): number[] => {
    const x = (2 * (i % width)) / width - 1;
    const y = (2 * Math.floor(i / width)) / height - 1;
    return POWERS.slice(0, terms).map(([px, py]) => x ** px * y ** py);
  };
  const weights = new Float64Array(used.length).fill(1);
  let solution = new Float64Array(terms);
  let scatter = 0;
  for (let pass = 0; pass < 10; pass++) {
    const matrix = new Float64Array(terms * terms);
    const right = new Float64Array(terms);
    used.forEach((i, n) => {
      const row = rowAt(i);
      for (let j = 0; j < terms; j++) {
        const w = weights[n]! * row[j]!;
        right[j]! += w * data[i]!;
        for (let k = 0; k < terms; k++) matrix[j * terms + k]! += w * row[k]!;
      }
    });
    // A whisper of damping: higher terms stay small where the stars leave them open.
    for (let j = 1; j < terms; j++) matrix[j * terms + j]! += 0.002 * used.length;
    const solved = solveLinear(matrix, right, terms);
    if (!solved) break;
    solution = new Float64Array(solved);
    const residuals = used.map((i) => {
      const row = rowAt(i);
      let value = data[i]!;
      for (let j = 0; j < terms; j++) value -= row[j]! * solution[j]!;
      return Math.abs(value);
    });
    scatter = 1.4826 * median(residuals);
    if (!(scatter > 0)) break;
    residuals.forEach((r, n) => {
      weights[n] = r < 1.5 * scatter ? 1 : r > 6 * scatter ? 0 : (1.5 * scatter) / r;
    });
  }
  const residual = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const row = rowAt(i);
      let value = data[i]!;
      for (let j = 0; j < terms; j++) value -= row[j]! * solution[j]!;
      residual[i] = value;
    }
  }
  return { residual, scatter };
}
