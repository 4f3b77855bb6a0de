import { type CfaPattern, gaussian, seededRandom } from '../../src/core/index.js';
import type { Kernels, Rect } from '../../src/kernels/index.js';
import {
  emptyLayer,
  type Layers,
  makeStackPlan,
  pack,
  packRange,
  placeTile,
  planTiles,
  type ReadCrop,
  type StackInput,
  type StackLayer,
  stackTile,
  tileTask,
  type WarpGrid,
} from '../../src/stacking/index.js';

export const RGGB: CfaPattern = { width: 2, height: 2, colors: [0, 1, 1, 2] };

/** A grid from any mapping of reference pixels to frame pixels. */
export function gridOf(
  width: number,
  height: number,
  map: (x: number, y: number) => readonly [number, number],
  step = 32,
): WarpGrid {
  const columns = Math.ceil(width / step) + 1;
  const rows = Math.ceil(height / step) + 1;
  const x = new Float64Array(columns * rows);
  const y = new Float64Array(columns * rows);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) [x[j * columns + i], y[j * columns + i]] = map(i * step, j * step);
  }
  return { step, columns, rows, x, y };
}

/** Turns about the middle of the frame and shifts. */
export function turned(
  width: number,
  height: number,
  angle: number,
  dx: number,
  dy: number,
): (x: number, y: number) => readonly [number, number] {
  const [cx, cy] = [(width - 1) / 2, (height - 1) / 2];
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  return (x, y) => [cx + c * (x - cx) - s * (y - cy) + dx, cy + s * (x - cx) + c * (y - cy) + dy];
}

/** Hands over rectangles of packed planes. */
export function cropReader(
  frames: ReadonlyMap<string, Uint16Array>,
  width: number,
  height: number,
): ReadCrop {
  return (id: string, rect: Rect) => {
    const full = frames.get(id)!;
    const planes = full.length / (width * height);
    const crop = new Uint16Array(planes * rect.width * rect.height);
    for (let p = 0; p < planes; p++) {
      for (let y = 0; y < rect.height; y++) {
        const from = (p * height + rect.y0 + y) * width + rect.x0;
        crop.set(full.subarray(from, from + rect.width), (p * rect.height + y) * rect.width);
      }
    }
    return crop;
  };
}

/** Makes all tiles and puts them together. */
export function stackWhole(
  input: StackInput,
  read: ReadCrop,
  kernels: Kernels,
  options: { readonly tileSize?: number; readonly layers?: Layers } = {},
): { sky: StackLayer; land: StackLayer; peakBytes: number } {
  const { tileSize = 128, layers = 'both' } = options;
  const plan = makeStackPlan(input);
  const { width, height } = input;
  const sky = emptyLayer(width, height);
  const land = emptyLayer(width, height);
  let peakBytes = 0;
  for (const tile of planTiles({ width, height, frames: input.frames.length, tileSize })) {
    const result = stackTile(tileTask(plan, tile, layers), read, kernels);
    peakBytes = Math.max(peakBytes, result.peakBytes);
    if (result.sky) placeTile(sky, tile, result.sky);
    if (result.land) placeTile(land, tile, result.land);
  }
  return { sky, land, peakBytes };
}

/** White noise of the given sigma about a level. */
export function noiseFrame(
  seed: number,
  width: number,
  height: number,
  level: number,
  sigma: number,
): Float32Array {
  const random = seededRandom(seed);
  return Float32Array.from({ length: width * height }, () => level + sigma * gaussian(random));
}

/** Standard deviation and mean of the finite values at least `margin` px from the edge. */
export function spreadOf(
  data: Float32Array,
  width: number,
  height: number,
  margin: number,
): { mean: number; sd: number } {
  let n = 0;
  let sum = 0;
  let squares = 0;
  for (let y = margin; y < height - margin; y++) {
    for (let x = margin; x < width - margin; x++) {
      const v = data[y * width + x]!;
      if (!Number.isFinite(v)) continue;
      n++;
      sum += v;
      squares += v * v;
    }
  }
  const mean = sum / n;
  return { mean, sd: Math.sqrt(squares / n - mean * mean) };
}

export const RANGE = packRange(16000);
export const packed = (values: Float32Array): Uint16Array => pack(values, RANGE);
