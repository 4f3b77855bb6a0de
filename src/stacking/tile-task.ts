import type { CfaPattern, Mask } from '../core/index.js';
import { BLOCK_SIZE, type Rect } from '../kernels/index.js';
import type { DemosaicMethod } from './demosaic.js';
import type { PackRange } from './pack.js';
import type { CombineOptions, PerColor, SampleVariance, StackFrame, StackPlan } from './stack-plan.js';
import { coarseMapAt, surfaceAt, surfaceScale } from './surface.js';
import { type GridWindow, gridPosition, gridWindow, shiftGrid, sourceRect, type Tile } from './tiles.js';
import type { Surface, WarpGrid } from './types.js';

/** One frame's part in one tile; `rect` is what `stackTile` asks of it. */
export interface TileFrame {
  readonly id: string;
  readonly rect: Rect;
  readonly grid: GridWindow;
  readonly scale: number;
  readonly level: PerColor<Surface> | undefined;
  readonly variance: PerColor<SampleVariance>;
  /** f32[blockRows*blockColumns], weights of 32 px blocks. */
  readonly weights: Float32Array;
  /** How far the land lies from where the mask has it, whole px. */
  readonly landShift: readonly [number, number];
}

/** One of the two stacks of a tile. */
export interface TileLayer {
  readonly options: CombineOptions;
  readonly frames: readonly TileFrame[];
  /** f32[3*blockRows*blockColumns]: level from which a star's signal counts, per colour. */
  readonly pedestals: Float32Array;
}

/** All that a worker needs to make one tile, as plain data that can be copied to it. */
export interface TileTask {
  readonly tile: Tile;
  readonly width: number;
  readonly height: number;
  readonly cfa: CfaPattern | undefined;
  readonly sourcePlanes: 1 | 3;
  readonly pack: PackRange;
  readonly demosaic: DemosaicMethod;
  readonly balance: PerColor<number> | undefined;
  readonly saturation: PerColor<number>;
  readonly sky: TileLayer | undefined;
  readonly land: TileLayer | undefined;
  /** The part of the land mask that the sky's crops touch. */
  readonly landMask: MaskWindow | undefined;
}

/** Part of a mask; outside of it nothing is masked. */
export interface MaskWindow extends Rect {
  readonly data: Uint8Array;
}

/** Which stacks to make: the land first, where its mask is to be refined before the sky is stacked. */
export type Layers = 'sky' | 'land' | 'both';

/** Evaluates a function at the centres of a tile's 32 px blocks. */
function blocks(tile: Tile, value: (x: number, y: number) => number): Float32Array {
  const columns = Math.ceil(tile.width / BLOCK_SIZE);
  const rows = Math.ceil(tile.height / BLOCK_SIZE);
  const half = (BLOCK_SIZE - 1) / 2;
  return Float32Array.from({ length: columns * rows }, (_, k) =>
    value(tile.x0 + (k % columns) * BLOCK_SIZE + half, tile.y0 + Math.floor(k / columns) * BLOCK_SIZE + half),
  );
}

/** How far a frame's land grid moves the middle of the picture, whole px. */
function landShiftOf(plan: StackPlan, frame: StackFrame): readonly [number, number] {
  if (!frame.landGrid) return [0, 0];
  const [cx, cy] = [plan.width / 2, plan.height / 2];
  const [x, y] = gridPosition(frame.landGrid, cx, cy);
  return Number.isFinite(x + y) ? [Math.round(x - cx), Math.round(y - cy)] : [0, 0];
}

type FramePart = Pick<TileFrame, 'scale' | 'level' | 'weights'> & { readonly full: WarpGrid };

function layerOf(
  plan: StackPlan,
  tile: Tile,
  options: CombineOptions,
  part: (frame: StackFrame) => FramePart,
): TileLayer['frames'] {
  const { width, height } = plan;
  const period = plan.cfa ? Math.max(plan.cfa.width, plan.cfa.height) : 1;
  const frames: TileFrame[] = [];
  for (const frame of plan.frames) {
    const { full, ...rest } = part(frame);
    const rect = sourceRect(full, tile, { width, height, period });
    if (!rect) continue;
    const grid = gridWindow(full, tile);
    const variance = options === plan.skyOptions ? frame.variance : landVariance(frame);
    frames.push({ id: frame.id, rect, grid, variance, landShift: landShiftOf(plan, frame), ...rest });
  }
  return frames;
}

/** Noise of a frame's land: the sky's, scaled by the exposure ratio instead of by transparency as well. */
function landVariance(frame: StackFrame): PerColor<SampleVariance> {
  const ratio = (frame.landScale ?? 1) / frame.scale;
  const convert = (v: SampleVariance): SampleVariance => ({
    constant: v.constant * ratio * ratio,
    slope: v.slope * ratio,
  });
  return [convert(frame.variance[0]), convert(frame.variance[1]), convert(frame.variance[2])];
}

function maskWindow(mask: Mask, frames: readonly TileFrame[]): MaskWindow | undefined {
  let [x0, y0, x1, y1] = [mask.width, mask.height, 0, 0];
  for (const { rect, landShift } of frames) {
    x0 = Math.min(x0, rect.x0 - landShift[0]);
    y0 = Math.min(y0, rect.y0 - landShift[1]);
    x1 = Math.max(x1, rect.x0 + rect.width - landShift[0]);
    y1 = Math.max(y1, rect.y0 + rect.height - landShift[1]);
  }
  [x0, y0, x1, y1] = [Math.max(0, x0), Math.max(0, y0), Math.min(mask.width, x1), Math.min(mask.height, y1)];
  if (!(x1 > x0 && y1 > y0)) return undefined;
  const [width, height] = [x1 - x0, y1 - y0];
  const data = new Uint8Array(width * height);
  for (let y = 0; y < height; y++) {
    const from = (y0 + y) * mask.width + x0;
    data.set(mask.data.subarray(from, from + width), y * width);
  }
  return data.some((value) => value !== 0) ? { x0, y0, width, height, data } : undefined;
}

/** Works out what one tile needs of each frame. */
export function tileTask(plan: StackPlan, tile: Tile, layers: Layers = 'both'): TileTask {
  const { width, height, cfa, sourcePlanes, pack, demosaic, balance, saturation } = plan;
  const scale = surfaceScale(width, height);
  const pedestals = (surfaces: PerColor<Surface> | undefined): Float32Array => {
    const planes = [0, 1, 2].map((color) =>
      blocks(tile, (x, y) => (surfaces ? surfaceAt(surfaces[color]!, x, y, scale) : 0)),
    );
    return Float32Array.from(planes.flatMap((plane) => [...plane]));
  };
  let sky: TileLayer | undefined;
  if (layers !== 'land') {
    const frames = layerOf(plan, tile, plan.skyOptions, (frame) => ({
      full: frame.grid,
      scale: frame.scale,
      level: frame.level,
      weights: blocks(tile, (x, y) => {
        const zone = frame.zoneWeights ? coarseMapAt(frame.zoneWeights, x, y, width, height) : 1;
        return frame.weight * zone;
      }),
    }));
    sky = { options: plan.skyOptions, frames, pedestals: pedestals(plan.skySurface) };
  }
  let land: TileLayer | undefined;
  if (layers !== 'sky') {
    const unmoved = shiftGrid(width, height);
    const frames = layerOf(plan, tile, plan.landOptions, (frame) => ({
      full: frame.landGrid ?? unmoved,
      scale: frame.landScale ?? 1,
      level: undefined,
      weights: blocks(tile, () => 1),
    }));
    land = { options: plan.landOptions, frames, pedestals: pedestals(undefined) };
  }
  const landMask = plan.landMask && sky && maskWindow(plan.landMask, sky.frames);
  return {
    ...{ tile, width, height, cfa, sourcePlanes, pack, demosaic, balance, saturation },
    ...{ sky, land, landMask },
  };
}
