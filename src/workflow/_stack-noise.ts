import type { Mask, Plane } from '../core/index.js';
import type { WorkerPool } from '../kernels/index.js';
import {
  evenHalves,
  makeStackPlan,
  measureNoiseGain,
  type NoiseGain,
  planTiles,
  type StackFrame,
  type StackPlan,
  type Tile,
} from '../stacking/index.js';
import { stackGreen } from './_tiles.js';
import type { WorkflowContext } from './context.js';

/** Side of the tiles that noise is measured on, px, and the most of them. */
const TILE = 256;
const MAX_TILES = 24;

/** What the measurement needs of a stack. */
export interface NoiseWork {
  readonly context: WorkflowContext;
  readonly pool: WorkerPool;
  readonly plan: StackPlan;
  /** Ids of the frames in the order of time. */
  readonly order: readonly string[];
  readonly referenceId: string;
  readonly scratch: Readonly<Record<string, string>>;
  readonly memoryBytes: number;
  /** Land and its surroundings, 1 = left out. */
  readonly mask?: Mask | undefined;
  readonly ideal: number;
}

/** Tiles with sky, spread over the frame. */
function sample(plan: StackPlan, mask: Mask | undefined): Tile[] {
  const tiles = planTiles({
    width: plan.width,
    height: plan.height,
    frames: plan.frames.length,
    tileSize: TILE,
  });
  const clear = tiles.filter((tile) => {
    if (!mask) return true;
    let land = 0;
    for (let y = tile.y0; y < tile.y0 + tile.height; y += 8) {
      for (let x = tile.x0; x < tile.x0 + tile.width; x += 8) land += mask.data[y * mask.width + x]!;
    }
    return land * 64 < 0.6 * tile.width * tile.height;
  });
  const used = clear.length > 0 ? clear : tiles;
  if (used.length <= MAX_TILES) return used;
  return Array.from(
    { length: MAX_TILES },
    (_, i) => used[Math.floor(((i + 0.5) * used.length) / MAX_TILES)]!,
  );
}

/** Takes `b` off `a`, in place. */
function minus(a: Plane, b: Plane): Plane {
  for (let i = 0; i < a.data.length; i++) a.data[i] = a.data[i]! - b.data[i]!;
  return a;
}

/**
 * Measures the noise of one frame and of the stack: the scatter of the 8 x 8-binned, high-passed green sky.
 *
 * In the Milky Way the faint stars themselves scatter more than the noise of a good stack. They are the same
 * in every frame, so they are taken out by differences: with A and B the stacks of every other frame in time,
 * var(A - B) / 4 is the stack's noise, and var(one frame - B) - var(A - B) / 2 that of one frame outside B.
 *
 * @returns `gain` 1 for a single frame
 */
export async function stackNoise(work: NoiseWork): Promise<NoiseGain> {
  const { context, pool, plan, referenceId, scratch, memoryBytes, mask, ideal } = work;
  const tiles = sample(plan, mask);
  const half = async (frames: readonly StackFrame[], task: string): Promise<Plane> => {
    const part = makeStackPlan({ ...plan, frames, sky: plan.skyOptions });
    return stackGreen(context, pool, part, { layer: 'sky', scratch, memoryBytes, task, tiles });
  };
  const inTime = work.order.flatMap((id) => plan.frames.find((frame) => frame.id === id) ?? []);
  const reference = inTime.find(({ id }) => id === referenceId) ?? inTime[0]!;
  const single = await half([reference], 'measuring the noise');
  if (inTime.length === 1) {
    const { singleFrame } = measureNoiseGain(single, single, { ...(mask ? { mask } : {}), ideal });
    return { singleFrame, stack: singleFrame, gain: 1, ideal: 1 };
  }
  const [a, b] = evenHalves(inTime, reference);
  const [stackA, stackB] = [await half(a, 'measuring the noise'), await half(b, 'measuring the noise')];
  const found = measureNoiseGain(minus(single, stackB), minus(stackA, stackB), {
    ...(mask ? { mask } : {}),
    ideal,
  });
  const weight = (frames: readonly StackFrame[]) => frames.reduce((sum, frame) => sum + frame.weight, 0);
  const [wa, wb] = [weight(a), weight(b)];
  // Halves of unequal weight differ by a little more than twice the whole's noise.
  const stack = (found.stack / 2) * (Math.sqrt(4 * wa * wb) / (wa + wb));
  // var(B) from the weights: var(A - B) = s/wa + s/wb.
  const varianceB = (found.stack ** 2 * wa) / (wa + wb);
  const singleFrame = Math.sqrt(Math.max(found.singleFrame ** 2 - varianceB, stack ** 2));
  return { singleFrame, stack, gain: singleFrame / stack, ideal };
}
