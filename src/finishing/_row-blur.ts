import type { ColorImage } from '../core/index.js';
import type { Rect } from './types.js';

/**
 * A small binomial blur (1 4 6 4 1)/16 both ways, NaN left out, handed out row by row over the crop's columns:
 * each row is blurred along x once and kept for the five rows that need it.
 */
export function rowBlur(
  image: ColorImage,
  color: number,
  rect: Rect,
): (y: number, out: Float32Array) => void {
  const { width, height, data } = image;
  const base = color * width * height;
  const kept = Array.from({ length: 5 }, () => ({
    y: Number.NaN,
    sum: new Float32Array(rect.width),
    weight: new Float32Array(rect.width),
  }));
  const along = (y: number) => {
    const slot = kept[((y % 5) + 5) % 5]!;
    if (slot.y === y) return slot;
    slot.y = y;
    const { sum, weight } = slot;
    const start = base + y * width;
    for (let i = 0; i < rect.width; i++) {
      const x = rect.x + i;
      let s = 0;
      let w = 0;
      for (let k = -2; k <= 2; k++) {
        const at = x + k;
        if (at < 0 || at >= width) continue;
        const value = data[start + at]!;
        if (Number.isNaN(value)) continue;
        const tap = k === 0 ? 6 : k === 1 || k === -1 ? 4 : 1;
        s += tap * value;
        w += tap;
      }
      sum[i] = s;
      weight[i] = w;
    }
    return slot;
  };
  const sums = new Float32Array(rect.width);
  const weights = new Float32Array(rect.width);
  return (y, out) => {
    sums.fill(0);
    weights.fill(0);
    for (let j = -2; j <= 2; j++) {
      const row = y + j;
      if (row < 0 || row >= height) continue;
      const tap = j === 0 ? 6 : j === 1 || j === -1 ? 4 : 1;
      const { sum, weight } = along(row);
      for (let i = 0; i < out.length; i++) {
        sums[i]! += tap * sum[i]!;
        weights[i]! += tap * weight[i]!;
      }
    }
    for (let i = 0; i < out.length; i++) out[i] = sums[i]! / weights[i]!;
  };
}
