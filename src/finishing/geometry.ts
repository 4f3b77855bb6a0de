import type { Rect, StackMaps } from './types.js';

/**
 * The largest rectangle, grown to the frame's own shape, in which at least `share` of the best coverage is
 * reached by sky pixels. Land pixels never limit it. Without a coverage map it is the whole frame.
 */
export function cropToCoverage(maps: StackMaps, share: number): Rect {
  const { width, height, coverage, land } = maps;
  const whole = { x: 0, y: 0, width, height };
  if (!coverage) return whole;
  let best = 0;
  for (let i = 0; i < coverage.length; i++) if (coverage[i]! > best) best = coverage[i]!;
  const limit = best * share;
  const thin = (x: number, y: number): boolean => {
    const at = y * width + x;
    return coverage[at]! < limit && !(land && land[at]! > 127);
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
 * Puts rows of a stored picture where they belong in the turned one.
 *
 * @param rows interleaved RGB of `count` rows from row `top` on of a stored picture of w x h
 * @param out the whole turned picture, interleaved RGB
 * @source EXIF 2.32 (CIPA DC-008) tag 0x0112: 1 as stored, 2 mirrored, 3 half turn, 4 flipped, 5 transposed,
 * 6 quarter turn clockwise, 7 transversed, 8 quarter turn anticlockwise.
 */
export function placeRows(
  rows: Uint16Array | Uint8Array,
  band: { readonly top: number; readonly count: number },
  size: { readonly width: number; readonly height: number; readonly orientation: number },
  out: Uint16Array | Uint8Array,
): void {
  const { width, height, orientation } = size;
  const [outWidth] = orientedSize(width, height, orientation);
  if (!(orientation >= 2 && orientation <= 8)) {
    out.set(rows.subarray(0, 3 * width * band.count), 3 * width * band.top);
    return;
  }
  // One step along a stored row, one step down a stored column, and the start, as places in the turned picture.
  const mirrorX = [2, 3, 7, 8].includes(orientation);
  const mirrorY = [3, 4, 6, 7].includes(orientation);
  const turned = orientation >= 5;
  const alongX = (mirrorX ? -1 : 1) * (turned ? outWidth : 1);
  const alongY = (mirrorY ? -1 : 1) * (turned ? 1 : outWidth);
  const start = (mirrorX ? width - 1 : 0) * Math.abs(alongX) + (mirrorY ? height - 1 : 0) * Math.abs(alongY);
  // Columns outside: what is written then lies side by side when the picture is turned.
  const put = (x: number, y: number): void => {
    const from = (y * width + x) * 3;
    const to = (start + x * alongX + (band.top + y) * alongY) * 3;
    out[to] = rows[from]!;
    out[to + 1] = rows[from + 1]!;
    out[to + 2] = rows[from + 2]!;
  };
  if (turned) for (let x = 0; x < width; x++) for (let y = 0; y < band.count; y++) put(x, y);
  else for (let y = 0; y < band.count; y++) for (let x = 0; x < width; x++) put(x, y);
}

/** Turns interleaved RGB for viewing. */
export function orientRgb(
  data: Uint16Array,
  width: number,
  height: number,
  orientation: number,
): Uint16Array {
  if (orientation < 2 || orientation > 8) return data;
  const turned = new Uint16Array(data.length);
  placeRows(data, { top: 0, count: height }, { width, height, orientation }, turned);
  return turned;
}

/** The rectangle of the stored picture behind a rectangle of the turned one. */
export function storedRect(
  rect: Rect,
  size: { readonly width: number; readonly height: number },
  orientation: number,
): Rect {
  const { width, height } = size;
  const turned = orientation >= 5 && orientation <= 8;
  const [x, y, w, h] = turned
    ? [rect.y, rect.x, rect.height, rect.width]
    : [rect.x, rect.y, rect.width, rect.height];
  return {
    x: [2, 3, 7, 8].includes(orientation) ? width - x - w : x,
    y: [3, 4, 6, 7].includes(orientation) ? height - y - h : y,
    width: w,
    height: h,
  };
}
