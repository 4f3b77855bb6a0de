/** Half the side of the square that a small star fits into, px. */
const STAR_REACH = 3;

/** Rows above and below that a row takes: an opening looks twice. */
export const SOFTEN_ROWS = 2 * STAR_REACH;

/**
 * Holds small stars back in rows of a finished picture: what stands above a morphological opening by a square of
 * 2 * STAR_REACH + 1 px loses `share` of itself, colours in proportion. The band and broad bright stars are wider
 * than the square and stay.
 *
 * @param data u16[3*rows*width], sRGB side by side; not modified
 * @param land share of land of each pixel, u8[rows*width], 255 = all; land is left alone
 * @returns `count` rows from `skipAbove` on; near an edge what there is counts
 * @source opening: J. Serra, Image Analysis and Mathematical Morphology (1982), chapter II
 */
export function softenStars(
  data: Uint16Array,
  size: { readonly width: number; readonly rows: number; readonly skipAbove: number; readonly count: number },
  share: number,
  land: Uint8Array | undefined,
): Uint16Array {
  const { width, rows, skipAbove, count } = size;
  const light = new Float32Array(rows * width);
  for (let i = 0; i < light.length; i++) {
    light[i] = 0.2126 * data[3 * i]! + 0.7152 * data[3 * i + 1]! + 0.0722 * data[3 * i + 2]!;
  }
  const opened = extreme(extreme(light, width, rows, Math.min), width, rows, Math.max);
  const out = new Uint16Array(3 * count * width);
  for (let i = 0; i < count * width; i++) {
    const from = i + skipAbove * width;
    const own = light[from]!;
    const ground = land ? land[from]! / 255 : 0;
    const held = own > 0 ? 1 - (share * (1 - ground) * (own - opened[from]!)) / own : 1;
    for (let c = 0; c < 3; c++) out[3 * i + c] = data[3 * from + c]! * held + 0.5;
  }
  return out;
}

/** Least or greatest value within STAR_REACH both ways, along rows and then down columns. */
function extreme(
  data: Float32Array,
  width: number,
  rows: number,
  pick: (a: number, b: number) => number,
): Float32Array {
  const along = new Float32Array(data.length);
  for (let y = 0; y < rows; y++) {
    for (let x = 0; x < width; x++) {
      let value = data[y * width + x]!;
      const end = Math.min(width - 1, x + STAR_REACH);
      for (let k = Math.max(0, x - STAR_REACH); k <= end; k++) value = pick(value, data[y * width + k]!);
      along[y * width + x] = value;
    }
  }
  const out = new Float32Array(data.length);
  for (let y = 0; y < rows; y++) {
    const end = Math.min(rows - 1, y + STAR_REACH);
    for (let x = 0; x < width; x++) {
      let value = along[y * width + x]!;
      for (let k = Math.max(0, y - STAR_REACH); k <= end; k++) value = pick(value, along[k * width + x]!);
      out[y * width + x] = value;
    }
  }
  return out;
}
