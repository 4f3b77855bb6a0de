import type { ColorImage, Mask } from '../core/index.js';

/** Pixels on both sides of the land's edge that tell how it lies. */
const BAND = 8;
/** Rounds of fitting; a shift below a pixel settles in three. */
const ROUNDS = 4;

/**
 * Finds how far the land of one picture lies from that of another, px: what has to be added to a place in
 * `image` to find it in `other`. Least squares on the slopes of the green plane along the land's edge and inside
 * it, refined from the last shift.
 *
 * @param land 1 = land
 * @returns [0, 0] where the land shows nothing to go by
 * @source B. D. Lucas & T. Kanade, Proc. 7th IJCAI (1981) 674
 */
export function landShift(image: ColorImage, other: ColorImage, land: Mask): readonly [number, number] {
  const { width, height } = image;
  const size = width * height;
  const a = image.data.subarray(size, 2 * size);
  const b = other.data.subarray(size, 2 * size);
  const near = nearLand(land);
  let [dx, dy] = [0, 0];
  for (let round = 0; round < ROUNDS; round++) {
    let [xx, xy, yy, xt, yt] = [0, 0, 0, 0, 0];
    for (let y = BAND; y < height - BAND; y++)
      for (let x = BAND; x < width - BAND; x++) {
        const at = y * width + x;
        if (near[at] === 0) continue;
        const gx = (a[at + 1]! - a[at - 1]!) / 2;
        const gy = (a[at + width]! - a[at - width]!) / 2;
        const t = bilinear(b, width, height, x + dx, y + dy) - a[at]!;
        if (!Number.isFinite(gx + gy + t)) continue;
        xx += gx * gx;
        xy += gx * gy;
        yy += gy * gy;
        xt += gx * t;
        yt += gy * t;
      }
    const determinant = xx * yy - xy * xy;
    if (!(determinant > 1e-9 * xx * yy) || xx === 0) return [0, 0];
    dx -= (yy * xt - xy * yt) / determinant;
    dy -= (xx * yt - xy * xt) / determinant;
    if (Math.hypot(dx, dy) > BAND) return [dx, dy];
  }
  return [dx, dy];
}

/** 1 on land and within a few pixels of it. */
function nearLand(land: Mask): Uint8Array {
  const { width, height, data } = land;
  const across = new Uint8Array(data.length);
  const out = new Uint8Array(data.length);
  const spread = (from: Uint8Array, to: Uint8Array, step: number, length: number, start: number) => {
    let last = -Infinity;
    for (let i = 0; i < length; i++) {
      if (from[start + i * step] === 1) last = i;
      if (i - last <= BAND) to[start + i * step] = 1;
    }
    last = Infinity;
    for (let i = length - 1; i >= 0; i--) {
      if (from[start + i * step] === 1) last = i;
      if (last - i <= BAND) to[start + i * step] = 1;
    }
  };
  for (let y = 0; y < height; y++) spread(data, across, 1, width, y * width);
  for (let x = 0; x < width; x++) spread(across, out, width, height, x);
  return out;
}

function bilinear(plane: Float32Array, width: number, height: number, x: number, y: number): number {
  const [x0, y0] = [Math.floor(x), Math.floor(y)];
  if (x0 < 0 || y0 < 0 || x0 + 1 >= width || y0 + 1 >= height) return Number.NaN;
  const [u, v] = [x - x0, y - y0];
  const at = y0 * width + x0;
  return (
    (1 - v) * ((1 - u) * plane[at]! + u * plane[at + 1]!) +
    v * ((1 - u) * plane[at + width]! + u * plane[at + width + 1]!)
  );
}

/** A picture whose pixel (x, y) is that of `image` at (x + dx, y + dy), times a factor; NaN outside it. */
export function shiftedBy(
  image: ColorImage,
  [dx, dy]: readonly [number, number],
  factor: number,
): ColorImage {
  const { width, height } = image;
  const size = width * height;
  const data = new Float32Array(image.data.length);
  for (let color = 0; color < 3; color++) {
    const plane = image.data.subarray(color * size, (color + 1) * size);
    for (let y = 0; y < height; y++)
      for (let x = 0; x < width; x++) {
        const at = y * width + x;
        // Whole places need no neighbours, so that an unmoved picture keeps its rim.
        const value = dx === 0 && dy === 0 ? plane[at]! : bilinear(plane, width, height, x + dx, y + dy);
        data[color * size + at] = factor * value;
      }
  }
  return { width, height, data };
}
