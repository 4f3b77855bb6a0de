import { type Random, seededRandom } from '../../src/core/index.js';
import { type Kernels, makeLanczosTable, type Rect } from '../../src/kernels/index.js';

/** Values as sensors and bugs make them: noise, ties, no data, a spike. */
export function randomValues(random: Random, length: number, missing = 0.05): Float32Array {
  return Float32Array.from({ length }, () => {
    const dice = random();
    if (dice < missing) return Number.NaN;
    if (dice < missing + 0.05) return 100;
    if (dice < missing + 0.08) return 60000 * random();
    return 100 + 40 * (random() + random() + random() - 1.5);
  });
}

/** Runs a warp of a random or given picture; a fresh memory each time. */
export function runWarp(
  kernels: Kernels,
  options: {
    readonly source: Float32Array;
    readonly sourceRect: Rect;
    readonly tile: Rect;
    readonly map: (x: number, y: number) => readonly [number, number];
    readonly step?: number;
    readonly limits?: readonly number[];
  },
): Float32Array {
  const { source, sourceRect, tile, map, step = 16, limits = [Number.POSITIVE_INFINITY] } = options;
  const planes = source.length / (sourceRect.width * sourceRect.height);
  const columns = Math.ceil((tile.x0 + tile.width) / step) + 1;
  const rows = Math.ceil((tile.y0 + tile.height) / step) + 1;
  const { memory } = kernels;
  memory.reset();
  const from = memory.f32(source.length);
  const x = memory.f64(columns * rows);
  const y = memory.f64(columns * rows);
  const table = memory.f32(makeLanczosTable().length);
  const bounds = memory.f32(planes);
  const rowLength = tile.width + 3;
  const planeStride = rowLength * tile.height + 5;
  const out = memory.f32(planes * planeStride + 2);
  from.data.set(source);
  table.data.set(makeLanczosTable());
  for (let p = 0; p < planes; p++) bounds.data[p] = limits[p % limits.length]!;
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const [px, py] = map(i * step, j * step);
      x.data[j * columns + i] = px;
      y.data[j * columns + i] = py;
    }
  }
  out.data.fill(-7);
  const grid = { step, columns, rows, x, y };
  kernels.warp({
    source: from,
    sourceRect,
    planes,
    grid,
    tile,
    out,
    outStart: 2,
    rowLength,
    planeStride,
    table,
    limits: bounds,
  });
  return out.data.slice();
}

export type CombineName = 'combineMean' | 'combineMedian' | 'combineMax' | 'combineClipped';

export interface CombineOptions {
  readonly frames: number;
  readonly rowLength: number;
  readonly height: number;
  readonly weights?: readonly number[];
  readonly variances?: readonly number[];
  readonly pedestal?: number;
  readonly sigmaLower?: number;
  readonly sigmaUpper?: number;
  readonly maxIterations?: number;
  readonly spreadFrom?: number;
  readonly signalShare?: number;
}

/** Runs a combining kernel over frames laid one after the other. */
export function runCombine(
  kernels: Kernels,
  name: CombineName,
  samples: Float32Array,
  options: CombineOptions,
): { out: Float32Array; kept: Float32Array; rejected: Float32Array } {
  const { frames, rowLength, height } = options;
  const size = rowLength * height;
  const planeStride = size + 16;
  const blockColumns = Math.ceil(rowLength / 32);
  const blockRows = Math.ceil(height / 32);
  const { memory } = kernels;
  memory.reset();
  const stack = memory.f32(frames * planeStride);
  const weights = memory.f32(frames * blockColumns * blockRows);
  const variances = memory.f32(2 * frames);
  const pedestals = memory.f32(blockColumns * blockRows);
  const out = memory.f32(size);
  const kept = memory.f32(size);
  const rejected = memory.f32(size);
  rejected.data.fill(-1);
  for (let f = 0; f < frames; f++)
    stack.data.set(samples.subarray(f * size, (f + 1) * size), f * planeStride);
  weights.data.forEach((_, i) => {
    weights.data[i] = options.weights?.[i % options.weights.length] ?? 1;
  });
  variances.data.fill(0);
  variances.data.set(options.variances ?? []);
  pedestals.data.fill(options.pedestal ?? 0);
  const call = {
    ...{ stack, frames, planeStride, rowLength, height, out, kept, weights, blockColumns, blockRows },
    ...{ variances, pedestals, rejected },
    sigmaLower: options.sigmaLower ?? 3,
    sigmaUpper: options.sigmaUpper ?? 3,
    maxIterations: options.maxIterations ?? 20,
    spreadFrom: options.spreadFrom ?? 0,
    signalShare: options.signalShare ?? 0,
  };
  kernels[name](call);
  return { out: out.data.slice(), kept: kept.data.slice(), rejected: rejected.data.slice() };
}

export const random = (seed: number): Random => seededRandom(seed);
