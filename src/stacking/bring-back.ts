import type { ColorImage, Plane } from '../core/index.js';
import type { Rect } from '../kernels/index.js';

/** A line of light on the stack's grid, px, with its width. */
export interface Line {
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
  readonly width: number;
}

/** Half-width, px, of the strip that belongs to a line, and how far it reaches beyond its ends. */
export function lineReach(line: Line): { readonly across: number; readonly beyond: number } {
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  const across = Math.max(5, line.width);
  return { across, beyond: across + 0.05 * length };
}

/** Full strength up to this share of the strip's half-width, fading beyond. */
const CORE = 0.6;

/**
 * Brings a line of light that the clip took away back into a stack, in place: within a strip about the line
 * the picture becomes the brighter of stack and frame, with soft edges. Land is left alone.
 *
 * @param part the frame's pixels on the stack's grid within `rect`, levelled as the stack's; NaN = no data
 * @param landShare share of land at each pixel of the stack, 0..1
 * @returns pixels that changed
 */
export function bringBack(
  image: ColorImage,
  part: { readonly rect: Rect; readonly image: ColorImage },
  line: Line,
  landShare?: Plane,
): number {
  const { rect } = part;
  const size = image.width * image.height;
  const partSize = rect.width * rect.height;
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  if (!(length > 0)) return 0;
  const [ux, uy] = [(line.x2 - line.x1) / length, (line.y2 - line.y1) / length];
  const { across, beyond } = lineReach(line);
  const fade = (share: number): number => Math.min(1, Math.max(0, (1 - share) / (1 - CORE)));
  let changed = 0;
  for (let row = 0; row < rect.height; row++) {
    for (let column = 0; column < rect.width; column++) {
      const [x, y] = [rect.x0 + column - line.x1, rect.y0 + row - line.y1];
      const along = x * ux + y * uy;
      const outside = Math.max(-along, along - length, 0) / beyond;
      const weight = fade(Math.abs(x * uy - y * ux) / across) * fade(outside);
      if (weight === 0) continue;
      const at = (rect.y0 + row) * image.width + rect.x0 + column;
      const share = weight * (1 - (landShare?.data[at] ?? 0));
      if (share === 0) continue;
      for (let color = 0; color < 3; color++) {
        const bright = part.image.data[color * partSize + row * rect.width + column]!;
        const here = image.data[color * size + at]!;
        if (bright > here) image.data[color * size + at] = here + share * (bright - here);
      }
      changed++;
    }
  }
  return changed;
}
