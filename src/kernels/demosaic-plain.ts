import type { BayerCall } from './kernel-types.js';

const f = Math.fround;

interface Mosaic {
  readonly data: Float32Array;
  readonly width: number;
  readonly height: number;
  readonly redX: number;
  readonly redY: number;
}

/** Colour of a site: 0 red, 1 green, 2 blue. */
function siteColor({ redX, redY }: Mosaic, x: number, y: number): number {
  const onRedRow = (y & 1) === redY;
  const onRedColumn = (x & 1) === redX;
  return onRedRow === onRedColumn ? (onRedRow ? 0 : 2) : 1;
}

/** Tent-weighted mean of the samples of one colour within `reach` px; NaN without any. */
function tent(mosaic: Mosaic, x: number, y: number, color: number, reach: number): number {
  let sum = 0;
  let total = 0;
  for (let j = -reach; j <= reach; j++) {
    for (let i = -reach; i <= reach; i++) {
      const [sx, sy] = [x + i, y + j];
      if (sx < 0 || sx >= mosaic.width || sy < 0 || sy >= mosaic.height) continue;
      if (siteColor(mosaic, sx, sy) !== color) continue;
      const value = mosaic.data[sy * mosaic.width + sx]!;
      if (Number.isNaN(value)) continue;
      const weight = (reach + 1 - Math.abs(i)) * (reach + 1 - Math.abs(j));
      sum += weight * value;
      total += weight;
    }
  }
  return sum / total;
}

/** Bilinear value of a colour; a missing sample of the site's own colour comes from 5 x 5 px. */
function average(mosaic: Mosaic, x: number, y: number, color: number): number {
  if (siteColor(mosaic, x, y) !== color) return tent(mosaic, x, y, color, 1);
  const own = mosaic.data[y * mosaic.width + x]!;
  return Number.isNaN(own) ? tent(mosaic, x, y, color, 2) : own;
}

/** Sums of samples about a pixel that the four filters share; NaN and clipped samples make `sound` false. */
function gather(data: Float32Array, i: number, w: number, limit: number) {
  const c = data[i]!;
  const [left, right, up, down] = [data[i - 1]!, data[i + 1]!, data[i - w]!, data[i + w]!];
  const [left2, right2, up2, down2] = [data[i - 2]!, data[i + 2]!, data[i - 2 * w]!, data[i + 2 * w]!];
  const [a, b, d, e] = [data[i - w - 1]!, data[i - w + 1]!, data[i + w - 1]!, data[i + w + 1]!];
  const beside2 = f(left2 + right2);
  const upright2 = f(up2 + down2);
  return {
    c,
    beside: f(left + right),
    upright: f(up + down),
    beside2,
    upright2,
    corners: f(f(a + b) + f(d + e)),
    far: f(beside2 + upright2),
    sound: Math.max(c, left, right, up, down, left2, right2, up2, down2, a, b, d, e) < limit,
  };
}

type Sums = ReturnType<typeof gather>;

/** Green on a red or blue site. */
const greenOf = (s: Sums): number => f(f(f(f(s.c * 4) + f(f(s.beside + s.upright) * 2)) - s.far) * 0.125);

/** A colour on a green site, from its samples left and right (`near`, with the greens `near2` beyond) or above and below. */
const lineOf = (s: Sums, near: number, near2: number, across2: number): number =>
  f(f(f(f(f(s.c * 5) + f(near * 4)) - f(near2 + s.corners)) + f(across2 * 0.5)) * 0.125);

/** Red on a blue site or blue on a red one. */
const diagonalOf = (s: Sums): number => f(f(f(f(s.c * 6) + f(s.corners * 2)) - f(s.far * 1.5)) * 0.125);

/** Twin of the kernel of this name; see `Kernels.demosaicBayer`. */
export function demosaicBayerPlain(call: BayerCall): void {
  const { width: w, height: h, redX, redY } = call;
  const mosaic = { data: call.mosaic.data, width: w, height: h, redX, redY };
  const limit = f(Math.min(...call.saturation));
  const size = w * h;
  const out = call.out.data;
  for (let y = 0; y < h; y++) {
    for (let x = 0; x < w; x++) {
      const i = y * w + x;
      const here = siteColor(mosaic, x, y);
      // Pictures narrower than two runs of the compiled kernel's lanes are bilinear throughout.
      const inside = w >= 8 && y >= 2 && y < h - 2 && x >= 2 && x < w - 2;
      const sums = inside ? gather(mosaic.data, i, w, limit) : undefined;
      for (let color = 0; color < 3; color++) {
        let value = Number.NaN;
        if (here === color) value = mosaic.data[i]!;
        else if (sums?.sound) {
          if (color === 1) value = greenOf(sums);
          else if (here !== 1) value = diagonalOf(sums);
          else if (siteColor(mosaic, x + 1, y) === color)
            value = lineOf(sums, sums.beside, sums.beside2, sums.upright2);
          else value = lineOf(sums, sums.upright, sums.upright2, sums.beside2);
        }
        out[color * size + i] = Number.isNaN(value) ? average(mosaic, x, y, color) : value;
      }
    }
  }
}
