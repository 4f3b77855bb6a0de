/** Places in a uniform grid of bins, to find the nearest one quickly. */
export interface PointIndex {
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly bin: number;
  readonly columns: number;
  readonly rows: number;
  readonly starts: Int32Array;
  readonly order: Int32Array;
}

/** Sorts places into bins of `bin` px; places outside the frame fall into the border bins. */
export function indexPoints(
  x: Float64Array,
  y: Float64Array,
  size: { readonly width: number; readonly height: number; readonly bin: number },
): PointIndex {
  const columns = Math.max(1, Math.ceil(size.width / size.bin));
  const rows = Math.max(1, Math.ceil(size.height / size.bin));
  const starts = new Int32Array(columns * rows + 1);
  const bins = new Int32Array(x.length);
  for (let i = 0; i < x.length; i++) {
    const column = clampBin(x[i]! / size.bin, columns);
    const row = clampBin(y[i]! / size.bin, rows);
    bins[i] = row * columns + column;
    starts[bins[i]! + 1]!++;
  }
  for (let i = 0; i < columns * rows; i++) starts[i + 1]! += starts[i]!;
  const fill = starts.slice();
  const order = new Int32Array(x.length);
  for (let i = 0; i < x.length; i++) order[fill[bins[i]!]!++] = i;
  return { x, y, bin: size.bin, columns, rows, starts, order };
}

const clampBin = (at: number, count: number): number => Math.min(count - 1, Math.max(0, Math.floor(at)));

/** Index of the nearest place within `radius` px of (x, y), or -1. */
export function nearestPoint(index: PointIndex, x: number, y: number, radius: number): number {
  if (Number.isNaN(x) || Number.isNaN(y)) return -1;
  const left = clampBin((x - radius) / index.bin, index.columns);
  const right = clampBin((x + radius) / index.bin, index.columns);
  const top = clampBin((y - radius) / index.bin, index.rows);
  const bottom = clampBin((y + radius) / index.bin, index.rows);
  let best = -1;
  let bestDistance = radius * radius;
  for (let row = top; row <= bottom; row++) {
    const from = index.starts[row * index.columns + left]!;
    const to = index.starts[row * index.columns + right + 1]!;
    for (let k = from; k < to; k++) {
      const i = index.order[k]!;
      const dx = index.x[i]! - x;
      const dy = index.y[i]! - y;
      const distance = dx * dx + dy * dy;
      if (distance <= bestDistance) {
        bestDistance = distance;
        best = i;
      }
    }
  }
  return best;
}
