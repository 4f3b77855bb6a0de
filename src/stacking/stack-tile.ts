import { BLOCK_SIZE, type F32Block, type Kernels, makeLanczosTable, type Rect } from '../kernels/index.js';
import { demosaicBalanced } from './demosaic.js';
import type { CombineOptions } from './stack-plan.js';
import { surfaceScale } from './surface.js';
import type { MaskWindow, TileFrame, TileLayer, TileTask } from './tile-task.js';
import type { Tile } from './tiles.js';

/**
 * Hands over the packed pixels of one frame's rectangle, u16[planes*height*width], row by row.
 * Called once for each frame of a layer, in order.
 */
export type ReadCrop = (frameId: string, rect: Rect) => Uint16Array;

/** One combined layer of a tile. */
export interface LayerResult {
  /** f32[3*height*width], ADU; NaN where no frame contributed. */
  readonly image: Float32Array;
  /** Green samples that contributed, f32[height*width]. */
  readonly coverage: Float32Array;
  /** Samples clipped in the colour that lost most, f32[height*width]. */
  readonly rejected: Float32Array;
}

/** A finished tile; hand its buffers over with `tileTransfer`. */
export interface TileResult {
  readonly tile: Tile;
  readonly sky: LayerResult | undefined;
  readonly land: LayerResult | undefined;
  /** Most that the kernels' memory held, bytes. */
  readonly peakBytes: number;
}

/** The buffers of a result that a worker can hand over instead of copying. */
export function tileTransfer(result: TileResult): ArrayBuffer[] {
  return [result.sky, result.land].flatMap((layer) =>
    layer ? [layer.image, layer.coverage, layer.rejected].map((a) => a.buffer as ArrayBuffer) : [],
  );
}

/**
 * Makes one tile: for each frame unpacks, demosaics and resamples the part it needs, scales and levels it,
 * then combines all frames pixel by pixel.
 *
 * The result depends on the pixels and the plan alone: not on the tile's size, the order of frames or the
 * thread. Memory is frames x tile x 3 x 4 bytes and a source crop; see `tileBytes`.
 *
 * @param readCrop hands over packed pixels; see `ReadCrop`
 * @param kernels its memory is emptied first
 */
export function stackTile(task: TileTask, readCrop: ReadCrop, kernels: Kernels): TileResult {
  kernels.memory.reset();
  const sky = task.sky && stackLayer(task, task.sky, readCrop, kernels);
  kernels.memory.reset();
  const land = task.land && stackLayer(task, task.land, readCrop, kernels);
  return { tile: task.tile, sky, land, peakBytes: kernels.memory.peak };
}

const TABLE = makeLanczosTable();

/** Sizes of a tile in kernel memory. */
interface Shape {
  readonly rowLength: number;
  readonly plane: number;
  /** From one frame's plane to the next: not a power of two, or all frames would share a few cache lines. */
  readonly stride: number;
  readonly blockColumns: number;
  readonly blockRows: number;
}

function shapeOf(tile: Tile): Shape {
  const rowLength = Math.ceil(tile.width / 4) * 4;
  const plane = rowLength * tile.height;
  return {
    rowLength,
    plane,
    stride: plane + 16,
    blockColumns: Math.ceil(tile.width / BLOCK_SIZE),
    blockRows: Math.ceil(tile.height / BLOCK_SIZE),
  };
}

function stackLayer(task: TileTask, layer: TileLayer, readCrop: ReadCrop, kernels: Kernels): LayerResult {
  const { memory } = kernels;
  const shape = shapeOf(task.tile);
  const count = layer.frames.length;
  const colorStride = count * shape.stride;
  const stack = memory.f32(3 * colorStride);
  const table = memory.f32(TABLE.length);
  table.data.set(TABLE);
  const limits = memory.f32(3);
  limits.data.set(task.saturation);
  const coefficients = memory.f64(6);
  stack.data.fill(Number.NaN);
  layer.frames.forEach((frame, f) => {
    const mark = memory.mark();
    const hide = layer === task.sky ? hiddenPixels(task.landMask, frame) : undefined;
    const source = openSource(task, frame, { readCrop, kernels, hide });
    warpFrame(task, frame, {
      kernels,
      source,
      stack,
      table,
      limits,
      shape,
      start: f * shape.stride,
      colorStride,
    });
    for (let color = 0; color < 3; color++) {
      coefficients.data.set(frame.level?.[color] ?? [0, 0, 0, 0, 0, 0]);
      kernels.level({
        data: stack,
        start: color * colorStride + f * shape.stride,
        rowLength: shape.rowLength,
        tile: task.tile,
        scale: frame.scale,
        coefficients,
        ...surfaceScale(task.width, task.height),
      });
    }
    memory.reset(mark);
  });
  return combineLayer(task, layer, { kernels, stack, shape, colorStride });
}

/** Land in a frame's part, u8[height*width]; undefined when there is none. */
function hiddenPixels(mask: MaskWindow | undefined, frame: TileFrame): Uint8Array | undefined {
  if (!mask) return undefined;
  const { rect, landShift } = frame;
  const hidden = new Uint8Array(rect.width * rect.height);
  let any = false;
  for (let y = 0; y < rect.height; y++) {
    const my = rect.y0 + y - landShift[1] - mask.y0;
    if (my < 0 || my >= mask.height) continue;
    for (let x = 0; x < rect.width; x++) {
      const mx = rect.x0 + x - landShift[0] - mask.x0;
      if (mx >= 0 && mx < mask.width && mask.data[my * mask.width + mx]) {
        hidden[y * rect.width + x] = 1;
        any = true;
      }
    }
  }
  return any ? hidden : undefined;
}

interface SourceParts {
  readonly readCrop: ReadCrop;
  readonly kernels: Kernels;
  /** Pixels to treat as holding no data. */
  readonly hide: Uint8Array | undefined;
}

/** Unpacks and, where there is a colour filter, demosaics a frame's part; three planes for all kinds of frame. */
function openSource(task: TileTask, frame: TileFrame, parts: SourceParts): F32Block {
  const { kernels, hide } = parts;
  const { memory } = kernels;
  const { width, height } = frame.rect;
  const size = width * height;
  const crop = parts.readCrop(frame.id, frame.rect);
  if (crop.length !== task.sourcePlanes * size) {
    throw new RangeError(`Expected ${task.sourcePlanes * size} packed pixels, got ${crop.length}`);
  }
  const color = memory.f32(3 * size);
  const packed = memory.u16(crop.length);
  packed.data.set(crop);
  if (task.sourcePlanes === 3) {
    kernels.unpack(packed, color, task.pack.offset, task.pack.scale);
    hidePixels(color.data, hide);
    return color;
  }
  const mosaic = memory.f32(size);
  kernels.unpack(packed, mosaic, task.pack.offset, task.pack.scale);
  const { cfa, demosaic: method, balance = [1, 1, 1], saturation } = task;
  // Hidden before, so that no land leaks into its neighbours, and after, so that nothing is made up there.
  hidePixels(mosaic.data, hide);
  if (cfa) demosaicBalanced(kernels, mosaic, color, { width, height, cfa, method, saturation, balance });
  else for (let plane = 0; plane < 3; plane++) color.data.set(mosaic.data, plane * size);
  hidePixels(color.data, hide);
  return color;
}

/** Puts NaN in place of hidden pixels of all planes. */
function hidePixels(data: Float32Array, hide: Uint8Array | undefined): void {
  if (!hide) return;
  for (let start = 0; start < data.length; start += hide.length) {
    for (let i = 0; i < hide.length; i++) if (hide[i]) data[start + i] = Number.NaN;
  }
}

interface WarpParts {
  readonly kernels: Kernels;
  readonly source: F32Block;
  readonly stack: F32Block;
  readonly table: F32Block;
  readonly limits: F32Block;
  readonly shape: Shape;
  readonly start: number;
  readonly colorStride: number;
}

function warpFrame(task: TileTask, frame: TileFrame, parts: WarpParts): void {
  const { kernels, shape } = parts;
  const { grid } = frame;
  const x = kernels.memory.f64(grid.x.length);
  const y = kernels.memory.f64(grid.y.length);
  x.data.set(grid.x);
  y.data.set(grid.y);
  const { tile } = task;
  kernels.warp({
    source: parts.source,
    sourceRect: frame.rect,
    planes: 3,
    grid: { step: grid.step, columns: grid.columns, rows: grid.rows, x, y },
    tile: { ...tile, x0: tile.x0 - grid.originX, y0: tile.y0 - grid.originY },
    out: parts.stack,
    outStart: parts.start,
    rowLength: shape.rowLength,
    planeStride: parts.colorStride,
    table: parts.table,
    limits: parts.limits,
  });
}

interface CombineParts {
  readonly kernels: Kernels;
  readonly stack: F32Block;
  readonly shape: Shape;
  readonly colorStride: number;
}

function combineLayer(task: TileTask, layer: TileLayer, parts: CombineParts): LayerResult {
  const { kernels, stack, shape, colorStride } = parts;
  const { memory } = kernels;
  const { frames, options } = layer;
  const { tile } = task;
  const blocks = shape.blockColumns * shape.blockRows;
  const weights = memory.f32(frames.length * blocks);
  frames.forEach((frame, f) => {
    weights.data.set(frame.weights, f * blocks);
  });
  const variances = memory.f32(2 * frames.length);
  const pedestals = memory.f32(blocks);
  const out = memory.f32(shape.plane);
  const kept = memory.f32(shape.plane);
  const rejected = memory.f32(shape.plane);
  const size = tile.width * tile.height;
  const result = {
    image: new Float32Array(3 * size),
    coverage: new Float32Array(size),
    rejected: new Float32Array(size),
  };
  for (let color = 0; color < 3; color++) {
    frames.forEach((frame, f) => {
      variances.data.set([frame.variance[color]!.constant, frame.variance[color]!.slope], 2 * f);
    });
    pedestals.data.set(layer.pedestals.subarray(color * blocks, (color + 1) * blocks));
    rejected.data.fill(0);
    const plane = {
      offset: stack.offset + 4 * color * colorStride,
      length: colorStride,
      get data() {
        return stack.data.subarray(color * colorStride, (color + 1) * colorStride);
      },
    };
    combinePlane(kernels, options, {
      ...{ stack: plane, frames: frames.length, planeStride: shape.stride },
      ...{ rowLength: shape.rowLength, height: tile.height, out, kept, rejected },
      ...{ weights, blockColumns: shape.blockColumns, blockRows: shape.blockRows, variances, pedestals },
    });
    const [o, k, r] = [out.data, kept.data, rejected.data];
    for (let y = 0; y < tile.height; y++) {
      for (let x = 0; x < tile.width; x++) {
        const from = y * shape.rowLength + x;
        const to = y * tile.width + x;
        result.image[color * size + to] = o[from]!;
        if (color === 1) result.coverage[to] = k[from]!;
        result.rejected[to] = Math.max(result.rejected[to]!, r[from]!);
      }
    }
  }
  return result;
}

type CombineCall = Omit<
  Parameters<Kernels['combineClipped']>[0],
  'sigmaLower' | 'sigmaUpper' | 'maxIterations' | 'spreadFrom' | 'signalShare'
>;

function combinePlane(kernels: Kernels, options: CombineOptions, call: CombineCall): void {
  if (call.frames === 0) {
    call.out.data.fill(Number.NaN);
    call.kept.data.fill(0);
  } else if (options.method === 'mean') kernels.combineMean(call);
  else if (options.method === 'median') kernels.combineMedian(call);
  else if (options.method === 'max') kernels.combineMax(call);
  else kernels.combineClipped({ ...call, ...options });
}
