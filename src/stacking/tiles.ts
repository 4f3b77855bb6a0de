import type { Rect } from '../kernels/index.js';
import { BLOCK_SIZE } from '../kernels/index.js';
import { DEMOSAIC_REACH } from './demosaic.js';
import type { WarpGrid } from './types.js';

/** A rectangle of the reference grid that is combined in one go. */
export type Tile = Rect;

/** Taps of the resampling kernel before and after the position. */
const TAPS_BEFORE = 2;
const TAPS_AFTER = 3;
/** Positions are rounded to 1/65536 px inside the kernel. */
const ROUNDING = 1 / 65536;

/** What `planTiles` has to go by. */
export interface TileLimits {
  readonly width: number;
  readonly height: number;
  /** Frames in the stack. */
  readonly frames: number;
  /** Bytes that all tiles under way may take together; default 400 MB. */
  readonly memoryBytes?: number;
  /** Tiles under way at once; default 1. */
  readonly workers?: number;
  /** Side of a tile, px, a multiple of 32; overrules the memory. */
  readonly tileSize?: number;
}

const DEFAULT_MEMORY = 400e6;
const SMALLEST_TILE = 64;
const LARGEST_TILE = 512;

/**
 * Bytes that `stackTile` takes for one tile: a plane of each frame, the source part of one frame and the
 * results. One colour is combined at a time, so that it is 3 planes x 4 bytes x frames plus a little.
 */
export function tileBytes(tileSize: number, frames: number): number {
  const pixels = tileSize * tileSize;
  // A turned source rectangle holds at most twice the tile, plus its margin.
  const source = 2 * (tileSize + 32) ** 2 * (2 + 4 + 3 * 4);
  return frames * pixels * 3 * 4 + source + pixels * 4 * 12 + 1e6;
}

/**
 * Cuts the reference grid into tiles, row by row. Every tile starts at a multiple of 32 px, so that the
 * results are the same bits whatever the size.
 */
export function planTiles(limits: TileLimits): Tile[] {
  const budget = (limits.memoryBytes ?? DEFAULT_MEMORY) / (limits.workers ?? 1);
  let size = limits.tileSize ?? LARGEST_TILE;
  if (limits.tileSize === undefined) {
    while (size > SMALLEST_TILE && tileBytes(size, limits.frames) > budget) size -= BLOCK_SIZE;
  }
  if (!Number.isInteger(size / BLOCK_SIZE) || size < BLOCK_SIZE) {
    throw new RangeError(`Expected a tile size that is a multiple of ${BLOCK_SIZE} px but got ${size}`);
  }
  const tiles: Tile[] = [];
  for (let y0 = 0; y0 < limits.height; y0 += size) {
    for (let x0 = 0; x0 < limits.width; x0 += size) {
      const width = Math.min(size, limits.width - x0);
      const height = Math.min(size, limits.height - y0);
      tiles.push({ x0, y0, width, height });
    }
  }
  return tiles;
}

/** Position on the frame for a reference pixel, [x, y] px; NaN where the grid says so. */
export function gridPosition(grid: WarpGrid, px: number, py: number): readonly [number, number] {
  const { step, columns, rows } = grid;
  const i = Math.max(0, Math.min(Math.floor(px / step), columns - 2));
  const j = Math.max(0, Math.min(Math.floor(py / step), rows - 2));
  const tx = (px - i * step) / step;
  const ty = (py - j * step) / step;
  const at = j * columns + i;
  const value = (nodes: Float64Array): number => {
    const left = nodes[at]! + (nodes[at + columns]! - nodes[at]!) * ty;
    const right = nodes[at + 1]! + (nodes[at + columns + 1]! - nodes[at + 1]!) * ty;
    return left + (right - left) * tx;
  };
  return [value(grid.x), value(grid.y)];
}

/** A grid that leaves every pixel where it is, moved by (dx, dy) px. */
export function shiftGrid(width: number, height: number, dx = 0, dy = 0, step = 256): WarpGrid {
  const columns = Math.ceil(width / step) + 1;
  const rows = Math.ceil(height / step) + 1;
  const x = new Float64Array(columns * rows);
  const y = new Float64Array(columns * rows);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      x[j * columns + i] = i * step + dx;
      y[j * columns + i] = j * step + dy;
    }
  }
  return { step, columns, rows, x, y };
}

/** The nodes that a tile needs, and where they start: reference pixels less `originX`, `originY` fit the window. */
export interface GridWindow extends WarpGrid {
  readonly originX: number;
  readonly originY: number;
}

/** Cuts out the nodes around a tile, so that a worker need not be sent the whole grid. */
export function gridWindow(grid: WarpGrid, tile: Tile): GridWindow {
  const { step } = grid;
  const i0 = Math.min(Math.floor(tile.x0 / step), grid.columns - 2);
  const j0 = Math.min(Math.floor(tile.y0 / step), grid.rows - 2);
  const i1 = Math.min(Math.floor((tile.x0 + tile.width - 1) / step) + 1, grid.columns - 1);
  const j1 = Math.min(Math.floor((tile.y0 + tile.height - 1) / step) + 1, grid.rows - 1);
  const columns = i1 - i0 + 1;
  const rows = j1 - j0 + 1;
  const x = new Float64Array(columns * rows);
  const y = new Float64Array(columns * rows);
  for (let j = 0; j < rows; j++) {
    const from = (j0 + j) * grid.columns + i0;
    x.set(grid.x.subarray(from, from + columns), j * columns);
    y.set(grid.y.subarray(from, from + columns), j * columns);
  }
  return { step, columns, rows, x, y, originX: i0 * step, originY: j0 * step };
}

/** Places where a bilinear cell, cut by the tile, can have its extremes. */
function corners(from: number, count: number, step: number, last: number): number[] {
  const to = from + count - 1;
  const places = [from, to];
  for (let i = Math.ceil(from / step); i * step < to && i <= last; i++) places.push(i * step);
  return places;
}

/** What a frame is, for cutting it. */
export interface FrameShape {
  readonly width: number;
  readonly height: number;
  /** Period of the colour filter, px: cuts start at multiples of it. */
  readonly period: number;
}

/**
 * The part of a frame that a tile needs, with the margin for resampling and demosaicing; only these pixels
 * are read. Undefined when the tile sees nothing of the frame.
 */
export function sourceRect(grid: WarpGrid, tile: Tile, shape: FrameShape): Rect | undefined {
  let left = Number.POSITIVE_INFINITY;
  let right = Number.NEGATIVE_INFINITY;
  let top = Number.POSITIVE_INFINITY;
  let bottom = Number.NEGATIVE_INFINITY;
  for (const py of corners(tile.y0, tile.height, grid.step, grid.rows - 1)) {
    for (const px of corners(tile.x0, tile.width, grid.step, grid.columns - 1)) {
      const [x, y] = gridPosition(grid, px, py);
      if (!Number.isFinite(x) || !Number.isFinite(y)) continue;
      left = Math.min(left, x);
      right = Math.max(right, x);
      top = Math.min(top, y);
      bottom = Math.max(bottom, y);
    }
  }
  const before = TAPS_BEFORE + DEMOSAIC_REACH;
  const after = TAPS_AFTER + DEMOSAIC_REACH;
  const cut = (low: number, high: number, size: number): readonly [number, number] => {
    const from = Math.max(0, Math.floor(low - ROUNDING) - before);
    const to = Math.min(size, Math.floor(high + ROUNDING) + after + 1);
    return [from - (from % shape.period), to];
  };
  const [x0, x1] = cut(left, right, shape.width);
  const [y0, y1] = cut(top, bottom, shape.height);
  if (!(x1 > x0 && y1 > y0)) return undefined;
  return { x0, y0, width: x1 - x0, height: y1 - y0 };
}
