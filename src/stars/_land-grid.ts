import { type Plane, selectKth } from '../core/index.js';

/** A coarse picture of a run in which the ground lies at the bottom. */
export interface Grid {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
}

/** Averages a plane down to a grid; NaN pixels are left out, empty cells are NaN. */
export function toGrid(plane: Plane, width: number, height: number): Grid {
  const out = new Float32Array(width * height);
  const counts = new Float32Array(width * height);
  const column = new Int32Array(plane.width);
  for (let x = 0; x < plane.width; x++) {
    column[x] = Math.min(width - 1, Math.floor(((x + 0.5) * width) / plane.width));
  }
  for (let y = 0; y < plane.height; y++) {
    const at = Math.min(height - 1, Math.floor(((y + 0.5) * height) / plane.height)) * width;
    for (let x = 0; x < plane.width; x++) {
      const value = plane.data[y * plane.width + x]!;
      if (Number.isNaN(value)) continue;
      const i = at + column[x]!;
      out[i]! += value;
      counts[i]!++;
    }
  }
  for (let i = 0; i < out.length; i++) out[i] = counts[i]! > 0 ? out[i]! / counts[i]! : Number.NaN;
  // A plane smaller than the grid leaves gaps between its pixels.
  if (plane.width < width || plane.height < height) {
    for (let y = 0; y < height; y++) {
      const py = Math.min(plane.height - 1, Math.floor(((y + 0.5) * plane.height) / height));
      for (let x = 0; x < width; x++) {
        const px = Math.min(plane.width - 1, Math.floor(((x + 0.5) * plane.width) / width));
        if (counts[y * width + x] === 0) out[y * width + x] = plane.data[py * plane.width + px]!;
      }
    }
  }
  return { width, height, data: out };
}

/** Median over grids of one size, value by value: stars that move leave it, land stays. */
export function medianGrid(grids: readonly Grid[]): Grid {
  const { width, height } = grids[0]!;
  if (grids.length === 1) return grids[0]!;
  const out = new Float32Array(width * height);
  const values = new Float64Array(grids.length);
  for (let i = 0; i < out.length; i++) {
    let n = 0;
    for (const grid of grids) {
      const value = grid.data[i]!;
      if (!Number.isNaN(value)) values[n++] = value;
    }
    // The lower of the middle two: what moves is brighter than what stays.
    out[i] = n === 0 ? Number.NaN : selectKth(values, (n - 1) >> 1, n);
  }
  return { width, height, data: out };
}

/** 3 x 3 median: takes out what is left of stars, keeps edges. NaN cells are filled from their neighbours. */
export function smooth3(grid: Grid): Grid {
  const { width, height, data } = grid;
  const out = new Float32Array(width * height);
  const values = new Float64Array(9);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let n = 0;
      for (let py = Math.max(0, y - 1); py <= Math.min(height - 1, y + 1); py++) {
        for (let px = Math.max(0, x - 1); px <= Math.min(width - 1, x + 1); px++) {
          const value = data[py * width + px]!;
          if (!Number.isNaN(value)) values[n++] = value;
        }
      }
      out[y * width + x] = n === 0 ? 0 : selectKth(values, n >> 1, n);
    }
  }
  return { width, height, data: out };
}

/** The edge of the stored picture that is down. */
export type Edge = 'bottom' | 'top' | 'left' | 'right';

/** The stored edge that an EXIF orientation says is down. @source EXIF 2.32, tag 0x0112 */
export function edgeOfOrientation(orientation: number | undefined): Edge | undefined {
  switch (orientation) {
    case 1:
    case 2:
      return 'bottom';
    case 3:
    case 4:
      return 'top';
    case 5:
    case 6:
      return 'right';
    case 7:
    case 8:
      return 'left';
    default:
      return undefined;
  }
}

/** Place (x, y) of a stored grid of the given size when turned so that `edge` is at the bottom. */
export function turnPoint(
  x: number,
  y: number,
  size: { readonly width: number; readonly height: number },
  edge: Edge,
): readonly [number, number] {
  switch (edge) {
    case 'bottom':
      return [x, y];
    case 'top':
      return [size.width - 1 - x, size.height - 1 - y];
    case 'right':
      // Stored right edge becomes the bottom: x grows downward.
      return [size.height - 1 - y, x];
    default:
      return [y, size.width - 1 - x];
  }
}

/** Turns a grid so that `edge` is at the bottom. */
export function turnGrid(grid: Grid, edge: Edge): Grid {
  if (edge === 'bottom') return grid;
  const sideways = edge === 'left' || edge === 'right';
  const width = sideways ? grid.height : grid.width;
  const height = sideways ? grid.width : grid.height;
  const data = new Float32Array(width * height);
  for (let y = 0; y < grid.height; y++) {
    for (let x = 0; x < grid.width; x++) {
      const [tx, ty] = turnPoint(x, y, grid, edge);
      data[ty * width + tx] = grid.data[y * grid.width + x]!;
    }
  }
  return { width, height, data };
}
