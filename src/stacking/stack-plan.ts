import type { CfaPattern } from '../core/index.js';
import { DataError, InputError } from '../core/index.js';
import { BLOCK_SIZE, type Rect } from '../kernels/index.js';
import type { DemosaicMethod } from './demosaic.js';
import type { PackRange } from './pack.js';
import { type GridWindow, gridWindow, shiftGrid, sourceRect, type Tile } from './tiles.js';
import type { CoarseMap, Surface, TileMethod, WarpGrid } from './types.js';

/** Variance of a demosaiced, resampled and scaled sample, ADU^2: `constant + slope * level`. */
export interface SampleVariance {
  readonly constant: number;
  readonly slope: number;
}

/** Three values, red, green, blue. */
export type PerColor<T> = readonly [T, T, T];

/** One kept frame and how it enters the stack. */
export interface StackFrame {
  /** Stable name; frames are combined in the order of their ids, whatever the order given. */
  readonly id: string;
  /** Where the reference's sky pixels lie on this frame. */
  readonly grid: WarpGrid;
  /** Where the reference's land pixels lie on this frame; default: where they are. */
  readonly landGrid?: WarpGrid;
  /** Factor that brings the frame's light to the reference's: 1/transparency, times the exposure ratio. */
  readonly scale: number;
  /** Factor for the land, where cloud takes nothing away: the exposure ratio alone; default 1. */
  readonly landScale?: number;
  /** Taken off after scaling, per colour; default nothing. */
  readonly level?: PerColor<Surface>;
  /** Weight of the frame's sky, > 0: transparency^2 / noise^2. */
  readonly weight: number;
  /** Further factors for parts of the sky (patchy cloud), >= 0, over the reference grid. */
  readonly zoneWeights?: CoarseMap;
  /** Noise of a sample of the sky, after `scale`, per colour. */
  readonly variance: PerColor<SampleVariance>;
}

/** How samples are combined. */
export interface CombineOptions {
  readonly method: TileMethod;
  /** Clip limits in sigma; default 4 below, 3 above: what passes over the sky is bright. */
  readonly sigmaLower: number;
  readonly sigmaUpper: number;
  /** Clip rounds at most; default 6. */
  readonly maxIterations: number;
  /** From this many samples on sigma is at least their own spread (1.4826 MAD); default 10. */
  readonly spreadFrom: number;
  /** Scatter of a star's pixel through seeing and resampling, as a share of its signal; default 0.12. */
  readonly signalShare: number;
}

/** Values of `CombineOptions` for the sky; the land is clipped closer since stars cross it. */
export const SKY_COMBINE: CombineOptions = {
  method: 'clipped-mean',
  sigmaLower: 4,
  sigmaUpper: 3,
  maxIterations: 6,
  spreadFrom: 10,
  signalShare: 0.12,
};
export const LAND_COMBINE: CombineOptions = {
  ...SKY_COMBINE,
  sigmaUpper: 2.5,
  signalShare: 0.05,
};

/** A stack before its tiles are made. */
export interface StackInput {
  readonly width: number;
  readonly height: number;
  /** Absent for frames without a colour filter. */
  readonly cfa?: CfaPattern;
  /** Planes that a crop holds: 1 for a mosaic or a camera without filter, 3 for colour. */
  readonly sourcePlanes: 1 | 3;
  readonly frames: readonly StackFrame[];
  readonly pack: PackRange;
  readonly demosaic?: DemosaicMethod;
  /** ADU at which each colour counts as clipped; resampling is bilinear beside such pixels. */
  readonly saturation: PerColor<number>;
  readonly sky?: Partial<CombineOptions>;
  /** Absent: no land stack. */
  readonly land?: Partial<CombineOptions> | 'none';
  /** Sky level of the reference, per colour: what a star's signal is counted from. */
  readonly skySurface?: PerColor<Surface>;
}

/** A checked stack: frames in the order of their ids, options filled in. */
export interface StackPlan extends StackInput {
  readonly demosaic: DemosaicMethod;
  readonly skyOptions: CombineOptions;
  readonly landOptions: CombineOptions | undefined;
}

/** Chooses how to combine: a plain mean below four frames, where a clip has nothing to hold on to. */
export function chooseMethod(frames: number, wanted?: TileMethod): TileMethod {
  return wanted ?? (frames >= 4 ? 'clipped-mean' : 'mean');
}

/**
 * Checks and completes a stack.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE for a weight, scale or limit that is not positive
 * @throws {DataError} TOO_FEW_FRAMES when there is none; SIZE_MISMATCH when a grid does not reach the last pixel
 */
export function makeStackPlan(input: StackInput): StackPlan {
  if (input.frames.length === 0) {
    throw new DataError('TOO_FEW_FRAMES', 'Expected at least one kept frame to stack but received none.');
  }
  for (const frame of input.frames) {
    if (!(frame.weight > 0 && frame.scale > 0 && (frame.landScale ?? 1) > 0)) {
      throw new InputError(
        'VALUE_OUT_OF_RANGE',
        `Expected a weight and scale above 0 for frame ${frame.id} but received ${frame.weight} and ${frame.scale}.`,
      );
    }
    const { step, columns, rows } = frame.grid;
    if ((columns - 1) * step < input.width - 1 || (rows - 1) * step < input.height - 1) {
      throw new DataError(
        'SIZE_MISMATCH',
        `Expected the warp grid of frame ${frame.id} to reach ${input.width}x${input.height} px.`,
      );
    }
  }
  const method = chooseMethod(input.frames.length, input.sky?.method);
  const land = input.land === 'none' ? undefined : input.land;
  return {
    ...input,
    demosaic: input.demosaic ?? 'edge-aware',
    frames: [...input.frames].sort((a, b) => (a.id < b.id ? -1 : a.id > b.id ? 1 : 0)),
    skyOptions: { ...SKY_COMBINE, ...input.sky, method },
    landOptions: land && { ...LAND_COMBINE, method, ...land },
  };
}

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
  readonly saturation: PerColor<number>;
  readonly sky: TileLayer;
  readonly land: TileLayer | undefined;
}

/** Centre and half-width that put `Surface` coordinates into about -1..1. */
export function surfaceScale(
  width: number,
  height: number,
): {
  readonly centerX: number;
  readonly centerY: number;
  readonly radius: number;
} {
  return { centerX: (width - 1) / 2, centerY: (height - 1) / 2, radius: Math.max(width, height) / 2 };
}

/** Value of a surface at a pixel, ADU. */
export function surfaceAt(
  surface: Surface,
  x: number,
  y: number,
  scale: { readonly centerX: number; readonly centerY: number; readonly radius: number },
): number {
  const u = (x - scale.centerX) / scale.radius;
  const v = (y - scale.centerY) / scale.radius;
  const [c0, c1, c2, c3, c4, c5] = surface;
  return c0 + (c2 + c5 * v) * v + (c1 + c4 * v + c3 * u) * u;
}

/** Value of a coarse map at a pixel, by bilinear interpolation between cell centres, flat beyond the outer ones. */
export function coarseMapAt(map: CoarseMap, x: number, y: number, width: number, height: number): number {
  const u = Math.max(0, Math.min(map.columns - 1, ((x + 0.5) / width) * map.columns - 0.5));
  const v = Math.max(0, Math.min(map.rows - 1, ((y + 0.5) / height) * map.rows - 0.5));
  const i = Math.min(Math.floor(u), Math.max(0, map.columns - 2));
  const j = Math.min(Math.floor(v), Math.max(0, map.rows - 2));
  const at = (di: number, dj: number): number =>
    map.data[Math.min(map.rows - 1, j + dj) * map.columns + Math.min(map.columns - 1, i + di)]!;
  const top = at(0, 0) + (at(1, 0) - at(0, 0)) * (u - i);
  const bottom = at(0, 1) + (at(1, 1) - at(0, 1)) * (u - i);
  return top + (bottom - top) * (v - j);
}

/** Evaluates a function at the centres of a tile's 32 px blocks. */
function blocks(tile: Tile, value: (x: number, y: number) => number): Float32Array {
  const columns = Math.ceil(tile.width / BLOCK_SIZE);
  const rows = Math.ceil(tile.height / BLOCK_SIZE);
  const half = (BLOCK_SIZE - 1) / 2;
  return Float32Array.from({ length: columns * rows }, (_, k) =>
    value(tile.x0 + (k % columns) * BLOCK_SIZE + half, tile.y0 + Math.floor(k / columns) * BLOCK_SIZE + half),
  );
}

/** Works out what one tile needs of each frame. */
export function tileTask(plan: StackPlan, tile: Tile): TileTask {
  const { width, height } = plan;
  const period = plan.cfa ? Math.max(plan.cfa.width, plan.cfa.height) : 1;
  const shape = { width, height, period };
  const scale = surfaceScale(width, height);
  const pedestals = (surfaces: PerColor<Surface> | undefined): Float32Array => {
    const planes = [0, 1, 2].map((color) =>
      blocks(tile, (x, y) => (surfaces ? surfaceAt(surfaces[color]!, x, y, scale) : 0)),
    );
    return Float32Array.from(planes.flatMap((plane) => [...plane]));
  };
  const layer = (
    options: CombineOptions,
    part: (frame: StackFrame) => Omit<TileFrame, 'id' | 'rect' | 'grid' | 'variance'> & { full: WarpGrid },
    surfaces: PerColor<Surface> | undefined,
  ): TileLayer => {
    const frames: TileFrame[] = [];
    for (const frame of plan.frames) {
      const { full, ...rest } = part(frame);
      const rect = sourceRect(full, tile, shape);
      if (!rect) continue;
      frames.push({ id: frame.id, rect, grid: gridWindow(full, tile), variance: frame.variance, ...rest });
    }
    return { options, frames, pedestals: pedestals(surfaces) };
  };
  const sky = layer(
    plan.skyOptions,
    (frame) => ({
      full: frame.grid,
      scale: frame.scale,
      level: frame.level,
      weights: blocks(tile, (x, y) =>
        frame.zoneWeights ? frame.weight * coarseMapAt(frame.zoneWeights, x, y, width, height) : frame.weight,
      ),
    }),
    plan.skySurface,
  );
  const unmoved = shiftGrid(width, height);
  const land =
    plan.landOptions &&
    layer(
      plan.landOptions,
      (frame) => ({
        full: frame.landGrid ?? unmoved,
        scale: frame.landScale ?? 1,
        level: undefined,
        weights: blocks(tile, () => 1),
      }),
      undefined,
    );
  const { cfa, sourcePlanes, pack, demosaic, saturation } = plan;
  return { tile, width, height, cfa, sourcePlanes, pack, demosaic, saturation, sky, land };
}
