import type { Plane } from '../core/index.js';
import type { Rect } from './types.js';

/**
 * The largest rectangle, grown to the frame's own shape, in which at least `share` of the best coverage is
 * reached by sky pixels. Land pixels never limit it. Without a coverage map it is the whole frame.
 */
export function cropToCoverage(
  width: number,
  height: number,
  options: {
    readonly coverage?: Plane | undefined;
    readonly landShare?: Plane | undefined;
    readonly share: number;
  },
): Rect {
  const { coverage, landShare, share } = options;
  const whole = { x: 0, y: 0, width, height };
  if (!coverage) return whole;
  let best = 0;
  for (let i = 0; i < coverage.data.length; i++) if (coverage.data[i]! > best) best = coverage.data[i]!;
  const limit = best * share;
  const thin = (x: number, y: number): boolean => {
    const at = y * width + x;
    return coverage.data[at]! < limit && !(landShare && landShare.data[at]! > 0.5);
  };
  let left = 0;
  let top = 0;
  let right = width;
  let bottom = height;
  const badShare = (x0: number, y0: number, x1: number, y1: number): number => {
    let bad = 0;
    let seen = 0;
    const step = Math.max(1, Math.floor(Math.max(x1 - x0, y1 - y0) / 400));
    for (let y = y0; y < y1; y += y1 - y0 === 1 ? 1 : step) {
      for (let x = x0; x < x1; x += x1 - x0 === 1 ? 1 : step) {
        seen++;
        if (thin(x, y)) bad++;
      }
    }
    return seen === 0 ? 0 : bad / seen;
  };
  // Peel the worst edge until every edge is nearly all covered; never below half the frame.
  while (right - left > width / 2 && bottom - top > height / 2) {
    const edges = [
      badShare(left, top, left + 1, bottom),
      badShare(right - 1, top, right, bottom),
      badShare(left, top, right, top + 1),
      badShare(left, bottom - 1, right, bottom),
    ];
    const worst = Math.max(...edges);
    if (worst <= 0.01) break;
    const edge = edges.indexOf(worst);
    if (edge === 0) left++;
    else if (edge === 1) right--;
    else if (edge === 2) top++;
    else bottom--;
  }
  return { x: left, y: top, width: right - left, height: bottom - top };
}

/** Where pixel (x, y) of a stored picture of w x h goes under an EXIF orientation, and the turned size. */
export function orientedSize(width: number, height: number, orientation: number): readonly [number, number] {
  return orientation >= 5 && orientation <= 8 ? [height, width] : [width, height];
}

/**
 * Turns interleaved RGB for viewing. @source EXIF 2.32 (CIPA DC-008) tag 0x0112: 1 as stored, 2 mirrored,
 * 3 half turn, 4 flipped, 5 transposed, 6 quarter turn clockwise, 7 transversed, 8 quarter turn anticlockwise.
 */
export function orientRgb(
  data: Uint16Array,
  width: number,
  height: number,
  orientation: number,
): Uint16Array {
  if (orientation < 2 || orientation > 8) return data;
  const [outWidth] = orientedSize(width, height, orientation);
  const turned = new Uint16Array(data.length);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const mx = width - 1 - x;
      const my = height - 1 - y;
      let tx = x;
      let ty = y;
      if (orientation === 2) [tx, ty] = [mx, y];
      else if (orientation === 3) [tx, ty] = [mx, my];
      else if (orientation === 4) [tx, ty] = [x, my];
      else if (orientation === 5) [tx, ty] = [y, x];
      else if (orientation === 6) [tx, ty] = [my, x];
      else if (orientation === 7) [tx, ty] = [my, mx];
      else [tx, ty] = [y, mx];
      const from = (y * width + x) * 3;
      const to = (ty * outWidth + tx) * 3;
      turned[to] = data[from]!;
      turned[to + 1] = data[from + 1]!;
      turned[to + 2] = data[from + 2]!;
    }
  }
  return turned;
}
