import { cfaColor, type FramePixels, median, quantile } from '../core/index.js';

/** Level of a pixel, fraction of white; the planes of a colour frame are averaged. Places outside are read at the edge. */
export function levelAt(pixels: FramePixels, px: number, py: number): number {
  const { width, height, data, whiteLevel } = pixels;
  const x = px < 0 ? 0 : px >= width ? width - 1 : px;
  const y = py < 0 ? 0 : py >= height ? height - 1 : py;
  const at = y * width + x;
  if (pixels.kind !== 'color') return data[at]! / whiteLevel[pixels.cfa ? cfaColor(pixels.cfa, x, y) : 1];
  const plane = width * height;
  return (
    (data[at]! / whiteLevel[0] + data[plane + at]! / whiteLevel[1] + data[2 * plane + at]! / whiteLevel[2]) /
    3
  );
}

/** Level of a pixel above the lowest of its own colour twelve pixels to each side (whole repeats of any pattern). */
export function aboveSurroundings(pixels: FramePixels, x: number, y: number): number {
  const step = 12;
  const lowest = Math.min(
    levelAt(pixels, x - step, y),
    levelAt(pixels, x + step, y),
    levelAt(pixels, x, y - step),
    levelAt(pixels, x, y + step),
  );
  return levelAt(pixels, x, y) - lowest;
}

/** A square of pixels around a place. */
export interface PixelWindow {
  readonly size: number;
  /** Above the outer ring's median of the same colour, fraction of white. */
  readonly excess: Float32Array;
  /** Scatter of the outer ring's pixels, fraction of white. */
  readonly noise: number;
}

/**
 * Pixels around a place as excess over the median of their own colour in the outer ring of the window, where a
 * star of any focus has ended.
 */
export function excessWindow(
  pixels: FramePixels,
  place: { readonly cx: number; readonly cy: number; readonly radius: number },
): PixelWindow {
  const { radius } = place;
  const size = 2 * radius + 1;
  const excess = new Float32Array(size * size);
  const colors = new Uint8Array(size * size);
  const ring: number[] = [];
  const byColor: number[][] = [[], [], []];
  const inner = 0.65 * radius;
  for (let j = 0; j < size; j++) {
    const y = Math.min(pixels.height - 1, Math.max(0, place.cy - radius + j));
    for (let i = 0; i < size; i++) {
      const x = Math.min(pixels.width - 1, Math.max(0, place.cx - radius + i));
      const at = j * size + i;
      const value = levelAt(pixels, x, y);
      const color = pixels.cfa ? cfaColor(pixels.cfa, x, y) : 1;
      excess[at] = value;
      colors[at] = color;
      if (Math.abs(i - radius) < inner && Math.abs(j - radius) < inner) continue;
      ring.push(at);
      byColor[color]!.push(value);
    }
  }
  const centers = byColor.map((values) => median(values));
  for (let k = 0; k < excess.length; k++) excess[k]! -= centers[colors[k]!]!;
  const step = pixels.quantization / Math.min(...pixels.whiteLevel);
  const spread = upperSpread(Float32Array.from(ring, (at) => excess[at]!));
  return { size, excess, noise: Math.max(spread, step) };
}

/**
 * Sigma as the upper side of the values tells it, (90th percentile - median) / 1.2816, since levels clipped
 * at black have no lower side. @source Phi^-1(0.9) of the normal distribution.
 */
export function upperSpread(values: Float32Array): number {
  return (quantile(values, 0.9) - median(values)) / 1.281_552;
}
