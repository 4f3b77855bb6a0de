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

/** The value of the direction that changes less; their mean when neither does. */
function choose(a: number, b: number, ofA: number, ofB: number): number {
  if (a < b) return ofA;
  if (b < a) return ofB;
  return f(f(ofA + ofB) * 0.5);
}

/** Green on a red or blue site; NaN beside clipped or missing samples. */
function greenAt({ data, width: w }: Mosaic, i: number, top: number, greenTop: number): number {
  const c = data[i]!;
  const [left, right, up, down] = [data[i - 1]!, data[i + 1]!, data[i - w]!, data[i + w]!];
  if (!(c < top && Math.max(left, right, up, down) < greenTop)) return Number.NaN;
  const bendX = f(f(f(c + c) - data[i - 2]!) - data[i + 2]!);
  const bendY = f(f(f(c + c) - data[i - 2 * w]!) - data[i + 2 * w]!);
  const alongX = f(Math.abs(f(left - right)) + Math.abs(bendX));
  const alongY = f(Math.abs(f(up - down)) + Math.abs(bendY));
  const gx = f(f(f(left + right) * 0.5) + f(bendX * 0.25));
  const gy = f(f(f(up + down) * 0.5) + f(bendY * 0.25));
  return choose(alongX, alongY, gx, gy);
}

/** Green g plus the mean difference colour less green of two samples. */
function along(g: number, a: number, ga: number, b: number, gb: number): number {
  return f(g + f(f(f(a - ga) + f(b - gb)) * 0.5));
}

/** Red or blue on a green site, from the two samples `step` away. */
function lineAt(
  data: Float32Array,
  green: Float32Array,
  i: number,
  step: number,
  tops: readonly [number, number],
): number {
  const [a, b] = [data[i - step]!, data[i + step]!];
  if (!(Math.max(a, b) < tops[0] && data[i]! < tops[1])) return Number.NaN;
  return along(green[i]!, a, green[i - step]!, b, green[i + step]!);
}

/** Red on a blue site or blue on a red one, along the diagonal that changes less. */
function diagonalAt(data: Float32Array, green: Float32Array, i: number, w: number, top: number): number {
  const [a, b, c, d] = [data[i - w - 1]!, data[i + w + 1]!, data[i - w + 1]!, data[i + w - 1]!];
  if (!(Math.max(a, b, c, d) < top)) return Number.NaN;
  const [ga, gb, gc, gd] = [green[i - w - 1]!, green[i + w + 1]!, green[i - w + 1]!, green[i + w - 1]!];
  const g = green[i]!;
  const falling = f(Math.abs(f(a - b)) + Math.abs(f(f(f(g + g) - ga) - gb)));
  const rising = f(Math.abs(f(c - d)) + Math.abs(f(f(f(g + g) - gc) - gd)));
  return choose(falling, rising, along(g, a, ga, b, gb), along(g, c, gc, d, gd));
}

/** Twin of the kernel of this name; see `Kernels.demosaicBayer`. */
export function demosaicBayerPlain(call: BayerCall): void {
  const { width: w, height: h, redX, redY } = call;
  const mosaic = { data: call.mosaic.data, width: w, height: h, redX, redY };
  const [redTop, greenTop, blueTop] = [f(call.saturation[0]), f(call.saturation[1]), f(call.saturation[2])];
  const size = w * h;
  const out = call.out.data;
  const green = out.subarray(size, 2 * size);
  // Pictures narrower than the compiled kernel's run of lanes are bilinear throughout.
  const wide = w >= 10;
  for (let y = 0; y < h; y++) {
    for (let x = 0; x < w; x++) {
      const i = y * w + x;
      const here = siteColor(mosaic, x, y);
      const inside = wide && y >= 2 && y < h - 2 && x >= 2 && x < w - 2;
      let value = mosaic.data[i]!;
      if (here !== 1) {
        value = inside ? greenAt(mosaic, i, here === 0 ? redTop : blueTop, greenTop) : Number.NaN;
      }
      green[i] = Number.isNaN(value) ? average(mosaic, x, y, 1) : value;
    }
  }
  for (let y = 0; y < h; y++) {
    for (let x = 0; x < w; x++) {
      const i = y * w + x;
      const here = siteColor(mosaic, x, y);
      const inside = wide && y >= 1 && y < h - 1 && x >= 1 && x < w - 1;
      for (let color = 0; color < 3; color += 2) {
        const top = color === 0 ? redTop : blueTop;
        let value = Number.NaN;
        if (here === color) value = mosaic.data[i]!;
        else if (inside && here === 1) {
          const step = siteColor(mosaic, x + 1, y) === color ? 1 : w;
          value = lineAt(mosaic.data, green, i, step, [top, greenTop]);
        } else if (inside) value = diagonalAt(mosaic.data, green, i, w, top);
        out[color * size + i] = Number.isNaN(value) ? average(mosaic, x, y, color) : value;
      }
    }
  }
}
