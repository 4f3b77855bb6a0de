import { cfaColor, type FramePixels, median, srgbEncode } from '../core/index.js';

/** Levels that make the previews of one run comparable: ADU above black for each colour. */
export interface PreviewLevels {
  /** Typical sky of the run. */
  readonly sky: readonly [number, number, number];
}

/** A small 8-bit picture, interleaved sRGB, not turned. */
export interface Preview {
  readonly width: number;
  readonly height: number;
  /** u8[3*height*width] */
  readonly data: Uint8Array;
  readonly levels: PreviewLevels;
}

/** Where the run's sky lands in a preview, sRGB signal. */
const SKY_SIGNAL = 0.24;
/** Softening of the preview's curve. */
const BETA = 12;

/**
 * Makes a small picture of a frame for contact sheets: pixels averaged in blocks, each colour held against the
 * run's own sky so that cloud, glare and twilight show as what they are.
 *
 * @param pixels a frame of any kind; NaN is left out. Not modified.
 * @param options longest side in px, and the run's levels (measured here when absent)
 */
export function makePreview(
  pixels: FramePixels,
  options: { readonly longSide: number; readonly levels?: PreviewLevels | undefined },
): Preview {
  const block = Math.max(1, Math.ceil(Math.max(pixels.width, pixels.height) / options.longSide));
  // Whole colour-filter cells, or one colour would be missing in a block.
  const step = pixels.cfa ? Math.ceil(block / pixels.cfa.width) * pixels.cfa.width : block;
  const width = Math.max(1, Math.floor(pixels.width / step));
  const height = Math.max(1, Math.floor(pixels.height / step));
  const sums = blockMeans(pixels, step, width, height);
  const size = width * height;
  const sky =
    options.levels?.sky ??
    ([0, 1, 2].map((c) => Math.max(1e-3, median(sums.subarray(c * size, (c + 1) * size)))) as [
      number,
      number,
      number,
    ]);
  const data = new Uint8Array(3 * size);
  // Solve once for the scale that puts the run's sky at its level: asinh(BETA*s)/asinh(BETA) = linear target.
  const target = ((SKY_SIGNAL + 0.055) / 1.055) ** 2.4;
  const scale = Math.sinh(target * Math.asinh(BETA * 4)) / (BETA * 4);
  for (let i = 0; i < size; i++) {
    for (let c = 0; c < 3; c++) {
      const x = (sums[c * size + i]! / sky[c]!) * scale;
      const light = x > 0 ? Math.asinh(BETA * 4 * x) / Math.asinh(BETA * 4) : 0;
      data[i * 3 + c] = 255 * Math.min(1, srgbEncode(light)) + 0.5;
    }
  }
  return { width, height, data, levels: { sky } };
}

/** Means over step x step blocks, planar f32[3*height*width]. */
function blockMeans(pixels: FramePixels, step: number, width: number, height: number): Float32Array {
  const size = width * height;
  const means = new Float32Array(3 * size);
  const plane = pixels.width * pixels.height;
  // Every second row and column of large blocks is enough for a thumbnail; in whole cells for a mosaic.
  const cell = pixels.cfa ? pixels.cfa.width : 1;
  const jump = step >= 8 * cell ? 2 : 1;
  const sum = new Float64Array(3);
  const count = new Float64Array(3);
  for (let by = 0; by < height; by++) {
    for (let bx = 0; bx < width; bx++) {
      sum.fill(0);
      count.fill(0);
      for (let cy = 0; cy < step; cy += cell * jump) {
        for (let cx = 0; cx < step; cx += cell * jump) {
          for (let dy = 0; dy < cell; dy++) {
            const y = by * step + cy + dy;
            for (let dx = 0; dx < cell; dx++) {
              const x = bx * step + cx + dx;
              const at = y * pixels.width + x;
              if (pixels.kind === 'color') {
                for (let c = 0; c < 3; c++) add(sum, count, c, pixels.data[c * plane + at]!);
              } else if (pixels.cfa) {
                add(sum, count, cfaColor(pixels.cfa, x, y), pixels.data[at]!);
              } else {
                for (let c = 0; c < 3; c++) add(sum, count, c, pixels.data[at]!);
              }
            }
          }
        }
      }
      for (let c = 0; c < 3; c++) means[c * size + by * width + bx] = count[c]! > 0 ? sum[c]! / count[c]! : 0;
    }
  }
  return means;
}

function add(sum: Float64Array, count: Float64Array, color: number, value: number): void {
  if (!Number.isFinite(value)) return;
  sum[color]! += value;
  count[color]! += 1;
}
