import { median } from '../core/index.js';
import type { BackgroundMesh } from './types.js';

/**
 * Robust level and scatter of values in ascending order: clipped at 3 sigma about the median until nothing
 * more leaves, then 2.5 median - 1.5 mean, or the median where the field is crowded ((mean - median) / sd > 0.3).
 * The median of tied (quantised) values is spread over the width of their step, else the mode of whole ADU
 * would jump by whole ADU.
 * @source E. Bertin and S. Arnouts, A&AS 117 (1996) 393, section 3; clip factor of the scatter: truncated normal.
 */
export function modeOfSorted(sorted: Float32Array, count: number): { level: number; noise: number } {
  let low = 0;
  let high = count;
  let sum = 0;
  let squares = 0;
  const zero = sorted[count >> 1]!;
  for (let i = 0; i < count; i++) {
    const value = sorted[i]! - zero;
    sum += value;
    squares += value * value;
  }
  let mid = zero;
  let meanLevel = zero;
  let spread = 0;
  for (let pass = 0; pass < 12; pass++) {
    const n = high - low;
    mid = tiedMedian(sorted, low, high);
    meanLevel = zero + sum / n;
    spread = Math.sqrt(Math.max(0, squares / n - (sum / n) ** 2));
    if (pass === 0) {
      // Bright stars inflate the first scatter: start from the quartiles instead.
      const quartiles = sorted[low + ((3 * n) >> 2)]! - sorted[low + (n >> 2)]!;
      if (quartiles > 0) spread = Math.min(spread, quartiles / 1.349);
    }
    const bottom = mid - 3 * spread;
    const top = mid + 3 * spread;
    const before = n;
    while (low < high - 1 && sorted[low]! < bottom) {
      const value = sorted[low++]! - zero;
      sum -= value;
      squares -= value * value;
    }
    while (high > low + 1 && sorted[high - 1]! > top) {
      const value = sorted[--high]! - zero;
      sum -= value;
      squares -= value * value;
    }
    if (high - low === before) break;
  }
  const crowded = spread > 0 && (meanLevel - mid) / spread > 0.3;
  // 0.984846: what clipping at 3 sigma to convergence leaves of a normal distribution's sigma.
  return { level: crowded ? mid : 2.5 * mid - 1.5 * meanLevel, noise: spread / 0.984_846 };
}

function tiedMedian(sorted: Float32Array, low: number, high: number): number {
  const n = high - low;
  const value = sorted[low + (n >> 1)]!;
  let first = low + (n >> 1);
  let last = first;
  while (first > low && sorted[first - 1] === value) first--;
  while (last < high - 1 && sorted[last + 1] === value) last++;
  const ties = last - first + 1;
  if (ties === 1) return n % 2 === 1 ? value : (value + sorted[low + (n >> 1) - 1]!) / 2;
  const below = first > low ? sorted[first - 1]! : value;
  const above = last < high - 1 ? sorted[last + 1]! : value;
  const left = (value + below) / 2;
  const right = (value + above) / 2;
  return left + ((right - left) * (low + n / 2 - first)) / ties;
}

/** Fills NaN nodes with the mean of known neighbours, ring by ring; returns false when nothing is known. */
export function fillNodes(nodes: Float32Array, columns: number, rows: number): boolean {
  let missing = 0;
  for (let i = 0; i < nodes.length; i++) if (Number.isNaN(nodes[i]!)) missing++;
  if (missing === nodes.length) return false;
  while (missing > 0) {
    const before = nodes.slice();
    for (let y = 0; y < rows; y++) {
      for (let x = 0; x < columns; x++) {
        if (!Number.isNaN(before[y * columns + x]!)) continue;
        let sum = 0;
        let n = 0;
        for (let dy = -1; dy <= 1; dy++) {
          for (let dx = -1; dx <= 1; dx++) {
            const px = x + dx;
            const py = y + dy;
            if (px < 0 || py < 0 || px >= columns || py >= rows) continue;
            const value = before[py * columns + px]!;
            if (!Number.isNaN(value)) {
              sum += value;
              n++;
            }
          }
        }
        if (n > 0) {
          nodes[y * columns + x] = sum / n;
          missing--;
        }
      }
    }
  }
  return true;
}

/**
 * Replaces nodes that stand out from what their neighbours say in every direction by more than `limit` times
 * the typical deviation. What neighbours say is the mean of an opposite pair (at the border: the straight
 * continuation), so that a gradient passes unchanged where a plain median filter would bend it, and a skyline,
 * which agrees with its own direction, stays.
 */
export function filterNodes(nodes: Float32Array, columns: number, rows: number, limit = 4): void {
  if (columns < 3 && rows < 3) return;
  const expected = new Float32Array(nodes.length);
  const deviation = new Float32Array(nodes.length);
  const at = (x: number, y: number): number =>
    x < 0 || y < 0 || x >= columns || y >= rows ? Number.NaN : nodes[y * columns + x]!;
  for (let y = 0; y < rows; y++) {
    for (let x = 0; x < columns; x++) {
      const own = nodes[y * columns + x]!;
      const says: number[] = [];
      let nearest = Number.POSITIVE_INFINITY;
      for (const [dx, dy] of DIRECTIONS) {
        const a = at(x - dx, y - dy);
        const b = at(x + dx, y + dy);
        let value = (a + b) / 2;
        if (Number.isNaN(a)) value = 2 * b - at(x + 2 * dx, y + 2 * dy);
        else if (Number.isNaN(b)) value = 2 * a - at(x - 2 * dx, y - 2 * dy);
        if (Number.isNaN(value)) continue;
        says.push(value);
        nearest = Math.min(nearest, Math.abs(own - value));
      }
      expected[y * columns + x] = median(says);
      deviation[y * columns + x] = says.length > 0 ? nearest : 0;
    }
  }
  const typical = 1.4826 * median(deviation);
  if (!(typical > 0)) return;
  for (let i = 0; i < nodes.length; i++) if (deviation[i]! > limit * typical) nodes[i] = expected[i]!;
}

const DIRECTIONS = [
  [1, 0],
  [0, 1],
  [1, 1],
  [1, -1],
] as const;

/** Evaluates nodes at cell centres along one row of pixels by Catmull-Rom splines, straight beyond the outer nodes. */
export function makeRowReader(
  nodes: Float32Array,
  mesh: Omit<BackgroundMesh, 'level' | 'noise'>,
  width: number,
): (y: number, out: Float32Array) => void {
  const { columns, rows, cellWidth, cellHeight } = mesh;
  const line = new Float64Array(columns);
  const node = (y: number, x: number): number => {
    if (rows === 1) return nodes[x]!;
    if (y < 0) return (1 - y) * nodes[x]! + y * nodes[columns + x]!;
    if (y >= rows) {
      const over = y - rows + 1;
      return (1 + over) * nodes[(rows - 1) * columns + x]! - over * nodes[(rows - 2) * columns + x]!;
    }
    return nodes[y * columns + x]!;
  };
  return (y, out) => {
    const gy = (y + 0.5) / cellHeight - 0.5;
    const iy = Math.max(-1, Math.min(rows - 1, Math.floor(gy)));
    const t = gy - iy;
    for (let x = 0; x < columns; x++) {
      line[x] = cubic(node(iy - 1, x), node(iy, x), node(iy + 1, x), node(iy + 2, x), t);
    }
    const value = (x: number): number => {
      if (columns === 1) return line[0]!;
      if (x < 0) return (1 - x) * line[0]! + x * line[1]!;
      if (x >= columns) {
        const over = x - columns + 1;
        return (1 + over) * line[columns - 1]! - over * line[columns - 2]!;
      }
      return line[x]!;
    };
    let x = 0;
    for (let i = -1; i < columns && x < width; i++) {
      const end = i === columns - 1 ? width : Math.min(width, Math.ceil((i + 1.5) * cellWidth - 0.5));
      const p0 = value(i - 1);
      const p1 = value(i);
      const p2 = value(i + 1);
      const p3 = value(i + 2);
      const c1 = (p2 - p0) / 2;
      const c2 = p0 - 2.5 * p1 + 2 * p2 - 0.5 * p3;
      const c3 = (p3 - p0) / 2 + 1.5 * (p1 - p2);
      for (; x < end; x++) {
        const u = (x + 0.5) / cellWidth - 0.5 - i;
        out[x] = p1 + u * (c1 + u * (c2 + u * c3));
      }
    }
  };
}

/** @source E. Catmull and R. Rom, Computer Aided Geometric Design (1974) 317. */
function cubic(p0: number, p1: number, p2: number, p3: number, t: number): number {
  return (
    p1 + t * ((p2 - p0) / 2 + t * (p0 - 2.5 * p1 + 2 * p2 - 0.5 * p3 + t * ((p3 - p0) / 2 + 1.5 * (p1 - p2))))
  );
}

/** Reads nodes at single places, bilinear between cell centres. */
export function makePointReader(
  nodes: Float32Array,
  mesh: Omit<BackgroundMesh, 'level' | 'noise'>,
): (x: number, y: number) => number {
  const { columns, rows, cellWidth, cellHeight } = mesh;
  return (x, y) => {
    const gx = (x + 0.5) / cellWidth - 0.5;
    const gy = (y + 0.5) / cellHeight - 0.5;
    // The outer half cell continues the slope of the outer two nodes.
    const ix = Math.max(0, Math.min(columns - 2, Math.floor(gx)));
    const iy = Math.max(0, Math.min(rows - 2, Math.floor(gy)));
    const tx = columns > 1 ? gx - ix : 0;
    const ty = rows > 1 ? gy - iy : 0;
    const right = columns > 1 ? 1 : 0;
    const down = rows > 1 ? columns : 0;
    const at = iy * columns + ix;
    const top = nodes[at]! + tx * (nodes[at + right]! - nodes[at]!);
    const bottom = nodes[at + down]! + tx * (nodes[at + down + right]! - nodes[at + down]!);
    return top + ty * (bottom - top);
  };
}
