import type { LevelCall, WarpCall } from './kernel-types.js';
import { TABLE_PHASES } from './lanczos-table.js';
import type { F32Block, U16Block } from './memory.js';

const QUANTUM = 65536;
const f = Math.fround;

/** Twin of the kernel of this name; see `Kernels.unpack`. */
export function unpackPlain(packed: U16Block, out: F32Block, offset: number, scale: number): void {
  const from = packed.data;
  const to = out.data;
  const o = f(offset);
  const s = f(scale);
  for (let i = 0; i < from.length; i++) to[i] = from[i] === 0 ? Number.NaN : f(f(from[i]! - o) * s);
}

interface Source {
  readonly data: Float32Array;
  readonly start: number;
  readonly width: number;
  readonly height: number;
}

/** Mean of the four touching pixels that hold data, by overlap; NaN when they cover less than half. */
function bilinear(source: Source, lx: number, ly: number, fx: number, fy: number): number {
  let sum = 0;
  let weight = 0;
  for (let dy = 0; dy < 2; dy++) {
    const y = ly + dy;
    if (y < 0 || y >= source.height) continue;
    const wy = dy === 0 ? 1 - fy : fy;
    for (let dx = 0; dx < 2; dx++) {
      const x = lx + dx;
      if (x < 0 || x >= source.width) continue;
      const w = wy * (dx === 0 ? 1 - fx : fx);
      const v = source.data[source.start + y * source.width + x]!;
      if (!Number.isNaN(v) && w > 0) {
        sum += w * v;
        weight += w;
      }
    }
  }
  return weight >= 0.5 ? sum / weight : Number.NaN;
}

/** Weights of taps 0..3 and of taps 2..5 (zero where counted already), between two rows of the table. */
function tapWeights(table: Float32Array, fraction: number, weights: Float32Array): void {
  const phase = fraction * TABLE_PHASES;
  const row = Math.floor(phase);
  const g = f(phase - row);
  for (let k = 0; k < 8; k++) {
    const a = table[row * 8 + k]!;
    weights[k] = f(a + f(f(table[row * 8 + 8 + k]! - a) * g));
  }
}

/** Six by six taps as four lanes; NaN when one holds no data or is above the limit. */
function lanczos(
  source: Source,
  lx: number,
  ly: number,
  wx: Float32Array,
  wy: Float32Array,
  limit: number,
): number {
  const sums = new Float32Array(8);
  for (let r = 0; r < 6; r++) {
    const w = wy[r < 4 ? r : r + 2]!;
    const base = source.start + (ly - 2 + r) * source.width + lx - 2;
    for (let k = 0; k < 8; k++) {
      const value = source.data[base + (k < 4 ? k : k - 2)]!;
      if (value > limit) return Number.NaN;
      const product = f(value * w);
      sums[k] = r === 0 ? product : f(sums[k]! + product);
    }
  }
  const lane = (k: number): number => f(f(sums[k]! * wx[k]!) + f(sums[k + 4]! * wx[k + 4]!));
  return f(f(lane(0) + lane(1)) + f(lane(2) + lane(3)));
}

/** Twin of the kernel of this name; see `Kernels.warp`. */
export function warpPlain(call: WarpCall): void {
  const { sourceRect, grid, tile, planes } = call;
  const { width, height } = sourceRect;
  const { step, columns, rows } = grid;
  const gx = grid.x.data;
  const gy = grid.y.data;
  const out = call.out.data;
  const data = call.source.data;
  const limits = call.limits.data;
  const table = call.table.data;
  const wx = new Float32Array(8);
  const wy = new Float32Array(8);
  for (let row = 0; row < tile.height; row++) {
    const py = tile.y0 + row;
    const j = Math.min(Math.floor(py / step), rows - 2);
    const ty = (py - j * step) / step;
    for (let column = 0; column < tile.width; column++) {
      const px = tile.x0 + column;
      const i = Math.min(Math.floor(px / step), columns - 2);
      const tx = (px - i * step) / step;
      const at = j * columns + i;
      const position = (nodes: Float64Array, origin: number): number => {
        const left = nodes[at]! + (nodes[at + columns]! - nodes[at]!) * ty;
        const right = nodes[at + 1]! + (nodes[at + columns + 1]! - nodes[at + 1]!) * ty;
        return Math.floor((left + (right - left) * tx) * QUANTUM + 0.5) / QUANTUM - origin;
      };
      const x = position(gx, sourceRect.x0);
      const y = position(gy, sourceRect.y0);
      let to = call.outStart + row * call.rowLength + column;
      const onFrame = x > -1 && x < width && y > -1 && y < height;
      const lx = Math.floor(x);
      const ly = Math.floor(y);
      const fx = x - lx;
      const fy = y - ly;
      const inside = onFrame && lx >= 2 && lx + 3 < width && ly >= 2 && ly + 3 < height;
      if (inside) {
        tapWeights(table, fx, wx);
        tapWeights(table, fy, wy);
      }
      for (let plane = 0; plane < planes; plane++, to += call.planeStride) {
        const source = { data, start: plane * width * height, width, height };
        let value = inside ? lanczos(source, lx, ly, wx, wy, limits[plane]!) : Number.NaN;
        if (onFrame && Number.isNaN(value)) value = bilinear(source, lx, ly, fx, fy);
        out[to] = value;
      }
    }
  }
}

/** Twin of the kernel of this name; see `Kernels.level`. */
export function levelPlain(call: LevelCall): void {
  const data = call.data.data;
  const [c0, c1, c2, c3, c4, c5] = call.coefficients.data as unknown as readonly number[];
  for (let row = 0; row < call.tile.height; row++) {
    const y = (call.tile.y0 + row - call.centerY) / call.radius;
    const constant = c0! + (c2! + c5! * y) * y;
    const linear = c1! + c4! * y;
    const at = call.start + row * call.rowLength;
    for (let column = 0; column < call.tile.width; column++) {
      const x = (call.tile.x0 + column - call.centerX) / call.radius;
      data[at + column] = data[at + column]! * call.scale - (constant + (linear + c3! * x) * x);
    }
  }
}
