import { type ColorImage, makeColorImage, makePlane, type Plane, throwIfCancelled } from '../core/index.js';
import type { WorkerPool } from '../kernels/index.js';
import {
  type LayerResult,
  type Layers,
  planTiles,
  type StackPlan,
  type Tile,
  type TileResult,
  tileTask,
} from '../stacking/index.js';
import type { WorkflowContext } from './context.js';

/** One layer over the whole frame. */
export interface Layer {
  readonly image: ColorImage;
  readonly coverage: Plane;
  readonly rejected: Plane;
}

function place(layer: Layer, tile: Tile, result: LayerResult): void {
  const { width, height } = layer.image;
  const size = width * height;
  for (let y = 0; y < tile.height; y++) {
    const to = (tile.y0 + y) * width + tile.x0;
    const from = y * tile.width;
    const part = tile.width * tile.height;
    for (let color = 0; color < 3; color++) {
      layer.image.data.set(
        result.image.subarray(color * part + from, color * part + from + tile.width),
        color * size + to,
      );
    }
    layer.coverage.data.set(result.coverage.subarray(from, from + tile.width), to);
    layer.rejected.data.set(result.rejected.subarray(from, from + tile.width), to);
  }
}

/** Options of `stackLayer`. */
export interface LayerOptions {
  readonly layer: Exclude<Layers, 'both'>;
  /** Scratch file of each frame, by its id. */
  readonly scratch: Readonly<Record<string, string>>;
  /** Bytes that all tiles under way may take together. */
  readonly memoryBytes: number;
  /** What is being done, for the progress line. */
  readonly task: string;
  /** Only these tiles; default all of the frame. The rest stays without data. */
  readonly tiles?: readonly Tile[];
}

/** Makes one layer of a stack over the whole frame, tile by tile on all threads. */
export async function stackLayer(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: LayerOptions,
): Promise<Layer> {
  const { width, height } = plan;
  const layer: Layer = {
    image: makeColorImage(width, height, Number.NaN),
    coverage: makePlane(width, height),
    rejected: makePlane(width, height),
  };
  const tiles =
    options.tiles ??
    planTiles({
      width,
      height,
      frames: plan.frames.length,
      memoryBytes: options.memoryBytes,
      workers: pool.size,
    });
  let done = 0;
  await Promise.all(
    tiles.map(async (tile) => {
      throwIfCancelled(context.signal);
      const task = tileTask(plan, tile, options.layer);
      const frames = (options.layer === 'sky' ? task.sky : task.land)?.frames ?? [];
      const scratch = Object.fromEntries(frames.map(({ id }) => [id, options.scratch[id]!]));
      const result = await pool.run<TileResult>('tile', { task, scratch }, { signal: context.signal });
      const part = options.layer === 'sky' ? result.sky : result.land;
      if (part) place(layer, tile, part);
      context.progress({ task: options.task, done: ++done, total: tiles.length, unit: 'bands' });
    }),
  );
  return layer;
}
