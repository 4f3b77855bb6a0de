import { FINISH_MARGIN, type Kernels } from '../kernels/index.js';
import { ENCODE } from './_tone.js';
import type { FinishPlan } from './finish-plan.js';
import { gradientRow } from './gradient.js';
import { SOFTEN_ROWS, softenStars } from './soften-stars.js';
import type { Band, StackMaps } from './types.js';

/** Rows above and below that the kernel takes. */
const KERNEL_REACH = 2;

/** Rows of the stack above and below that a row of the picture takes. */
export const renderReach = (plan: FinishPlan): number =>
  KERNEL_REACH + (plan.look.starSoftening > 0 ? SOFTEN_ROWS : 0);

/** Some rows of the crop as a picture, not turned. */
export interface RenderedRows {
  /** u16[3*count*rect.width], sRGB side by side; a view into the kernels' memory, good until their next call. */
  readonly data: Uint16Array;
  /** Pixels with a colour at the top of the range. */
  readonly clipped: number;
}

/**
 * Makes `count` rows of the picture from row `top` of the crop on.
 *
 * @param band rows of the stack around them: `renderReach` more above and below, as far as the stack goes
 */
export function renderRows(
  plan: FinishPlan,
  rows: { readonly top: number; readonly count: number },
  band: Band,
  maps: StackMaps,
  kernels: Kernels,
): RenderedRows {
  const share = plan.look.starSoftening;
  if (share === 0) return plainRows(plan, rows, band, maps, kernels);
  const top = Math.max(0, rows.top - SOFTEN_ROWS);
  const count = Math.min(plan.rect.height, rows.top + rows.count + SOFTEN_ROWS) - top;
  const wide = plainRows(plan, { top, count }, band, maps, kernels);
  const size = { width: plan.rect.width, rows: count, skipAbove: rows.top - top, count: rows.count };
  const data = softenStars(wide.data, size, share, landRows(plan, maps, top, count));
  return { data, clipped: countClipped(data) };
}

/** Land of some rows of the crop, side by side. */
function landRows(plan: FinishPlan, maps: StackMaps, top: number, count: number): Uint8Array | undefined {
  if (!maps.land) return undefined;
  const { rect } = plan;
  const out = new Uint8Array(count * rect.width);
  for (let row = 0; row < count; row++) {
    const from = (rect.y + top + row) * maps.width + rect.x;
    out.set(maps.land.subarray(from, from + rect.width), row * rect.width);
  }
  return out;
}

function countClipped(data: Uint16Array): number {
  let clipped = 0;
  for (let i = 0; i < data.length; i += 3) {
    if (data[i] === 65535 || data[i + 1] === 65535 || data[i + 2] === 65535) clipped++;
  }
  return clipped;
}

function plainRows(
  plan: FinishPlan,
  rows: { readonly top: number; readonly count: number },
  band: Band,
  maps: StackMaps,
  kernels: Kernels,
): RenderedRows {
  const { rect, gradient, look } = plan;
  const { width } = rect;
  const { count } = rows;
  const { memory } = kernels;
  memory.reset();
  const rowLength = 4 * Math.ceil((width + 2 * FINISH_MARGIN) / 4);
  const flat = count * rowLength;
  const source = memory.f32(3 * (count + 2 * KERNEL_REACH) * rowLength);
  const land = memory.f32(flat);
  const sharpness = memory.f32(flat);
  const smoothing = memory.f32(flat);
  const slopes = memory.f32(3 * flat);
  const parameters = memory.f32(plan.parameters.length);
  const tone = memory.f32(plan.tone.length);
  const encode = memory.f32(ENCODE.length);
  const out = memory.u16(3 * count * width);
  parameters.data.set(plan.parameters);
  tone.data.set(plan.tone);
  encode.data.set(ENCODE);
  layRows(source.data, rowLength, {
    plan,
    top: rect.y + rows.top - KERNEL_REACH,
    count: count + 2 * KERNEL_REACH,
    band,
  });
  const lines = [land.data, sharpness.data, smoothing.data] as const;
  for (let y = 0; y < count; y++) {
    mapRow(plan, maps, rect.y + rows.top + y, lines, y * rowLength);
    for (let color = 0; color < 3; color++) {
      const line = slopes.data.subarray(color * flat + y * rowLength, color * flat + (y + 1) * rowLength);
      if (look.gradient === 0) line.fill(0);
      else gradientRow(gradient, color, rect.y + rows.top + y, look.gradient, line);
    }
  }
  const clipped = kernels.finishBand({
    ...{ source, rowLength, width, rows: count, land, sharpness, smoothing },
    ...{ gradient: slopes, parameters, tone, encode, out },
  });
  return { data: out.data, clipped };
}

/** Lays rows of the stack out with NaN around them. */
function layRows(
  out: Float32Array,
  rowLength: number,
  from: { readonly plan: FinishPlan; readonly top: number; readonly count: number; readonly band: Band },
): void {
  const { plan, top, count, band } = from;
  const { x, width } = plan.rect;
  out.fill(Number.NaN);
  // A crop's surroundings count where there are any.
  const left = Math.min(FINISH_MARGIN, x);
  const right = Math.min(FINISH_MARGIN, band.width - x - width);
  for (let color = 0; color < 3; color++) {
    for (let row = 0; row < count; row++) {
      const y = top + row - band.top;
      if (y < 0 || y >= band.rows) continue;
      const start = (color * band.rows + y) * band.width + x;
      out.set(
        band.data.subarray(start - left, start + width + right),
        (color * count + row) * rowLength + FINISH_MARGIN - left,
      );
    }
  }
}

/** Share of land, and how noise is told and smoothed, along a row of the stack. */
function mapRow(
  plan: FinishPlan,
  maps: StackMaps,
  y: number,
  [land, sharpness, smoothing]: readonly [Float32Array, Float32Array, Float32Array],
  to: number,
): void {
  const from = y * maps.width + plan.rect.x;
  for (let x = 0; x < plan.rect.width; x++) {
    const ground = maps.land ? maps.land[from + x]! : 0;
    // Behind the land the sky's own frames do not count.
    const coverage = maps.coverage && ground < 128 ? maps.coverage[from + x]! : 255;
    land[to + x] = ground / 255;
    sharpness[to + x] = plan.sharpness[coverage]!;
    smoothing[to + x] = plan.smoothing[coverage]!;
  }
}
