import { cfaColor, type FramePixels, type Mask, madSigma, median } from '../core/index.js';
import type { PerColor } from './stack-plan.js';

/** Sky level in cells of a frame, in the frame's own coordinates; NaN where land covers most of a cell. */
export interface CoarseSky {
  readonly columns: number;
  readonly rows: number;
  readonly width: number;
  readonly height: number;
  /** Median of each cell, ADU, red, green, blue; f32[rows*columns] each. */
  readonly level: PerColor<Float32Array>;
  /** Median level over the cells, and the 1-sigma noise of a mosaic pixel on sky, ADU, per colour. */
  readonly median: PerColor<number>;
  readonly noise: PerColor<number>;
}

/** Pixels looked at in one cell and colour, at most about. */
const SAMPLES = 1500;
/** Share of a cell's samples that must be sky. */
const SKY_SHARE = 0.4;

/**
 * Measures the smooth sky of a frame: medians of cells, which stars hardly move, and the noise of single
 * pixels from differences of neighbours of the same colour, which gradients hardly move.
 *
 * @param mask land and other pixels to leave out, 1 = excluded; of the frame's size
 */
export function coarseSky(
  pixels: FramePixels,
  options: { readonly mask?: Mask; readonly columns?: number; readonly rows?: number } = {},
): CoarseSky {
  const { width, height } = pixels;
  const columns = options.columns ?? Math.max(4, Math.min(24, Math.round(width / 60)));
  const rows = options.rows ?? Math.max(4, Math.min(24, Math.round((columns * height) / width)));
  const level = [0, 1, 2].map(() => new Float32Array(rows * columns)) as unknown as PerColor<Float32Array>;
  const differences: number[][] = [[], [], []];
  for (let row = 0; row < rows; row++) {
    for (let column = 0; column < columns; column++) {
      const cell = {
        x0: Math.floor((column * width) / columns),
        x1: Math.floor(((column + 1) * width) / columns),
        y0: Math.floor((row * height) / rows),
        y1: Math.floor(((row + 1) * height) / rows),
      };
      for (let color = 0; color < 3; color++) {
        const { values, steps, asked } = sampleCell(pixels, cell, color, options.mask);
        const enough = values.length >= Math.max(8, SKY_SHARE * asked);
        level[color as 0 | 1 | 2][row * columns + column] = enough ? median(values) : Number.NaN;
        if (enough) for (const step of steps) differences[color]!.push(step);
      }
    }
  }
  const each = <T>(value: (color: 0 | 1 | 2) => T): PerColor<T> => [value(0), value(1), value(2)];
  return {
    ...{ columns, rows, width, height, level },
    median: each((color) => median(level[color])),
    noise: each((color) => madSigma(differences[color]!) / Math.SQRT2),
  };
}

interface Cell {
  readonly x0: number;
  readonly x1: number;
  readonly y0: number;
  readonly y1: number;
}

function sampleCell(
  pixels: FramePixels,
  cell: Cell,
  color: number,
  mask: Mask | undefined,
): { values: number[]; steps: number[]; asked: number } {
  const { width, height, cfa, data } = pixels;
  const plane = pixels.kind === 'color' ? color * width * height : 0;
  const period = cfa ? cfa.width : 1;
  const area = (cell.x1 - cell.x0) * (cell.y1 - cell.y0);
  // One colour of a pattern is a quarter to a half of the pixels.
  const stride = Math.max(1, Math.floor(Math.sqrt(area / SAMPLES / (cfa ? 3 : 1))));
  const values: number[] = [];
  const steps: number[] = [];
  let asked = 0;
  // Whole patterns are taken or left, so that all colours are met.
  for (let y = cell.y0; y < cell.y1; y++) {
    if (Math.floor(y / period) % stride !== 0) continue;
    for (let x = cell.x0; x < cell.x1; x++) {
      if (Math.floor(x / period) % stride !== 0) continue;
      if (cfa && cfaColor(cfa, x, y) !== color) continue;
      asked++;
      const at = y * width + x;
      const value = data[plane + at]!;
      if (mask?.data[at] || Number.isNaN(value)) continue;
      values.push(value);
      const next = x + period < width ? data[plane + at + period]! : Number.NaN;
      if (!Number.isNaN(next)) steps.push(next - value);
    }
  }
  return { values, steps, asked };
}
