import { STAR_FLAGS, type StarTable } from '../core/index.js';
import type { Grid } from './_land-grid.js';

/** Places of stars that belong to the sky, grid px. */
export interface SkyPoints {
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly count: number;
  /** Most of them that any one frame holds. */
  readonly perFrame: number;
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
  let perFrame = 0;
  tables.forEach((table, t) => {
    const before = xs.length;
    rowsOf[t]!.forEach((i, n) => {
      if (tellsApart && fixed[t]![n]) return;
      xs.push((table.x[i]! + 0.5) * scale.x - 0.5);
      ys.push((table.y[i]! + 0.5) * scale.y - 0.5);
    });
    perFrame = Math.max(perFrame, xs.length - before);
  });
  return { x: Float64Array.from(xs), y: Float64Array.from(ys), count: xs.length, perFrame };
}

/** For each row: whether most other tables hold a star within 1.5 px of the same place. */
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
            if (Math.hypot(other.x[j]! - table.x[i]!, other.y[j]! - table.y[i]!) < 1.5) {
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

/** A change of level below this multiple of the sky's own changes costs a path nothing. */
const FREE_STEP = 1.4;
const SWEEPS = 6;
/** A basin with less than this share of the stars it would hold as sky is no sky; the few there are false. */
const LEAST_SHARE = 0.12;
/** With fewer stars in a frame than this the upper edge is taken as sky. */
export const FEW_POINTS = 6;

/**
 * How rough the smoothest way from the nearest proven sky is, in units of the sky's own changes of level: near 0
 * for sky without stars, however much it brightens toward the horizon, and high beyond any edge.
 *
 * @param unit a usual change of level within the sky, from `changes`
 */
export function roughnessFromSky(grid: Grid, points: SkyPoints, unit: number): Float32Array {
  const { width, height } = grid;
  const cost = changes(grid);
  for (let i = 0; i < cost.length; i++) cost[i] = Math.max(0, cost[i]! / unit - FREE_STEP);
  const way = new Float32Array(width * height).fill(1e6);
  const seeds = points.perFrame < FEW_POINTS ? [] : trustedSeeds(grid, points, cost);
  for (const i of seeds) way[i] = 0;
  if (seeds.length === 0) for (let x = 0; x < width; x++) way[x] = 0;
  // Sweeps from the four corners in turn spread the least sums everywhere in a few rounds.
  for (let round = 0; round < SWEEPS; round++) {
    let changed = false;
    for (const [fromLeft, fromTop] of [
      [true, true],
      [false, true],
      [false, false],
      [true, false],
    ] as const) {
      const dx = fromLeft ? 1 : -1;
      const dy = fromTop ? 1 : -1;
      for (let n = 0; n < height; n++) {
        const y = fromTop ? n : height - 1 - n;
        for (let m = 0; m < width; m++) {
          const x = fromLeft ? m : width - 1 - m;
          const i = y * width + x;
          const beside = x - dx >= 0 && x - dx < width ? way[i - dx]! : 1e6;
          const behind = y - dy >= 0 && y - dy < height ? way[i - dy * width]! : 1e6;
          const least = Math.min(beside, behind) + cost[i]!;
          if (least < way[i]!) {
            way[i] = least;
            changed = true;
          }
        }
      }
    }
    if (!changed) break;
  }
  return way;
}

/**
 * Cells of stars that may stand for sky: not on an edge, and in a smooth basin that holds about as many stars
 * as its size lets expect. One false star on smooth land would call all of it sky.
 */
function trustedSeeds(grid: Grid, points: SkyPoints, cost: Float32Array): number[] {
  const { width, height } = grid;
  const basin = basinsOf(grid, cost);
  const counts = new Int32Array(basin.count);
  const cells: number[] = [];
  for (let k = 0; k < points.count; k++) {
    const x = Math.max(0, Math.min(width - 1, Math.round(points.x[k]!)));
    const y = Math.max(0, Math.min(height - 1, Math.round(points.y[k]!)));
    const i = y * width + x;
    const label = basin.labels[i]!;
    if (label < 0) continue;
    counts[label]!++;
    cells.push(i);
  }
  let largest = 0;
  for (let b = 1; b < basin.count; b++) if (counts[b]! > counts[largest]!) largest = b;
  const density = basin.count > 0 ? counts[largest]! / basin.areas[largest]! : 0;
  return cells.filter((i) => {
    const b = basin.labels[i]!;
    const expected = density * basin.areas[b]!;
    return expected < 3 || counts[b]! >= LEAST_SHARE * expected;
  });
}

/** Connected regions of cells that cost nothing to cross; -1 where there is a cost. */
function basinsOf(
  grid: Grid,
  cost: Float32Array,
): { readonly labels: Int32Array; readonly areas: number[]; readonly count: number } {
  const { width, height } = grid;
  const labels = new Int32Array(width * height).fill(-1);
  const stack = new Int32Array(width * height);
  const areas: number[] = [];
  for (let start = 0; start < labels.length; start++) {
    if (labels[start] !== -1 || cost[start]! > 0) continue;
    const label = areas.length;
    let area = 0;
    let top = 0;
    stack[top++] = start;
    labels[start] = label;
    while (top > 0) {
      const i = stack[--top]!;
      area++;
      const x = i % width;
      const visit = (j: number): void => {
        if (labels[j] === -1 && !(cost[j]! > 0)) {
          labels[j] = label;
          stack[top++] = j;
        }
      };
      if (x > 0) visit(i - 1);
      if (x < width - 1) visit(i + 1);
      if (i >= width) visit(i - width);
      if (i < width * (height - 1)) visit(i + width);
    }
    areas.push(area);
  }
  return { labels, areas, count: areas.length };
}

/** Change of level at each cell: the larger of the central differences across and down. */
export function changes(grid: Grid): Float32Array {
  const { width, height, data } = grid;
  const out = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    const up = Math.max(0, y - 1) * width;
    const down = Math.min(height - 1, y + 1) * width;
    for (let x = 0; x < width; x++) {
      const left = Math.max(0, x - 1);
      const right = Math.min(width - 1, x + 1);
      const across = Math.abs(data[y * width + right]! - data[y * width + left]!);
      const along = Math.abs(data[down + x]! - data[up + x]!);
      out[y * width + x] = Math.max(across, along);
    }
  }
  return out;
}
