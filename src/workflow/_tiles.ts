import { type ColorImage, makeColorImage, makePlane, type Plane, throwIfCancelled } from '../core/index.js';
import type { WorkerPool } from '../kernels/index.js';
import {
  emptyLayer,
  type LayerResult,
  type Layers,
  placePlanes,
  placeTile,
  planTiles,
  type StackLayer,
  type StackPlan,
  type Tile,
  type TileResult,
  tileTask,
} from '../stacking/index.js';
import type { WorkflowContext } from './context.js';

/** Options of `stackLayer`. */
export interface LayerOptions {
  readonly layer: Exclude<Layers, 'both'>;
  /** Scratch file of each frame, by its id. */
  readonly scratch: Readonly<Record<string, string>>;
  /** Bytes that all tiles under way may take together. */
  readonly memoryBytes: number;
  /** What is being done, for the progress line; absent where the caller counts frames. */
  readonly task?: string;
  /** Only these tiles; default all of the frame. The rest stays without data. */
  readonly tiles?: readonly Tile[];
}

/** Tiles handed out ahead for each thread: enough to keep it busy, few enough to hold in memory. */
const AHEAD = 2;

/** Makes one layer of a stack over the whole frame, tile by tile on all threads. */
export async function stackLayer(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: LayerOptions,
): Promise<StackLayer> {
  const layer = emptyLayer(plan.width, plan.height);
  await overTiles(context, pool, plan, options, (tile, part) => placeTile(layer, tile, part));
  return layer;
}

/** The pixels of a layer alone, without its maps. */
export async function stackPixels(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: LayerOptions,
): Promise<ColorImage> {
  const image = makeColorImage(plan.width, plan.height, Number.NaN);
  await overTiles(context, pool, plan, options, (tile, part) => placePlanes(part.image, image, tile, 3));
  return image;
}

/** The green plane of a layer alone. */
export async function stackGreen(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: LayerOptions,
): Promise<Plane> {
  const plane = makePlane(plan.width, plan.height, Number.NaN);
  await overTiles(context, pool, plan, options, (tile, part) => {
    const size = tile.width * tile.height;
    placePlanes(part.image.subarray(size, 2 * size), plane, tile, 1);
  });
  return plane;
}

/** The pixels of a part of a layer; `rect` starts at multiples of 32 px. */
export async function stackPart(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: Omit<LayerOptions, 'tiles'> & { readonly rect: Tile },
): Promise<ColorImage> {
  const { rect } = options;
  const image = makeColorImage(rect.width, rect.height, Number.NaN);
  const tiles = planTiles({ ...rect, frames: plan.frames.length, tileSize: 512 }).map((tile) => ({
    ...tile,
    x0: tile.x0 + rect.x0,
    y0: tile.y0 + rect.y0,
  }));
  await overTiles(context, pool, plan, { ...options, tiles }, (tile, part) =>
    placePlanes(part.image, image, { ...tile, x0: tile.x0 - rect.x0, y0: tile.y0 - rect.y0 }, 3),
  );
  return image;
}

async function overTiles(
  context: WorkflowContext,
  pool: WorkerPool,
  plan: StackPlan,
  options: LayerOptions,
  place: (tile: Tile, part: LayerResult) => void,
): Promise<void> {
  const { width, height } = plan;
  const tiles =
    options.tiles ??
    planTiles({
      width,
      height,
      frames: plan.frames.length,
      memoryBytes: options.memoryBytes,
      workers: pool.size,
    });
  let next = 0;
  let done = 0;
  const work = async () => {
    while (next < tiles.length) {
      throwIfCancelled(context.signal);
      const task = tileTask(plan, tiles[next++]!, options.layer);
      const frames = (options.layer === 'sky' ? task.sky : task.land)?.frames ?? [];
      const scratch = Object.fromEntries(frames.map(({ id }) => [id, options.scratch[id]!]));
      const result = await pool.run<TileResult>('tile', { task, scratch }, { signal: context.signal });
      const part = options.layer === 'sky' ? result.sky : result.land;
      if (part) place(result.tile, part);
      done++;
      if (options.task !== undefined)
        context.progress({ task: options.task, done, total: tiles.length, unit: 'tiles' });
    }
  };
  await Promise.all(Array.from({ length: AHEAD * pool.size }, work));
}
