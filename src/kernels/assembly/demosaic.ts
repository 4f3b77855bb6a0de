// Twin: ../demosaic-plain.ts. Four neighbouring pixels in the lanes; sites are told apart by a mask.

/** Colour of a site: 0 red, 1 green, 2 blue. */
@inline
function siteColor(x: i32, y: i32, redX: i32, redY: i32): i32 {
  const onRedRow = (y & 1) == redY;
  if (onRedRow) return (x & 1) == redX ? 0 : 1;
  return (x & 1) == redX ? 1 : 2;
}

/** Tent-weighted mean of the samples of one colour within `reach` px; NaN without any. */
function tent(src: usize, w: i32, h: i32, x: i32, y: i32, color: i32, redX: i32, redY: i32, reach: i32): f64 {
  let sum: f64 = 0.0;
  let total: f64 = 0.0;
  for (let j = -reach; j <= reach; j++) {
    for (let i = -reach; i <= reach; i++) {
      const sx = x + i;
      const sy = y + j;
      if (sx < 0 || sx >= w || sy < 0 || sy >= h) continue;
      if (siteColor(sx, sy, redX, redY) != color) continue;
      const value = load<f32>(src + (<usize>(sy * w + sx) << 2));
      if (value != value) continue;
      const weight = <f64>((reach + 1 - abs(i)) * (reach + 1 - abs(j)));
      sum += weight * <f64>value;
      total += weight;
    }
  }
  return sum / total;
}

/** Bilinear value of a colour; a missing sample of the site's own colour comes from 5 x 5 px. */
function average(src: usize, w: i32, h: i32, x: i32, y: i32, color: i32, redX: i32, redY: i32): f32 {
  if (siteColor(x, y, redX, redY) == color) {
    const own = load<f32>(src + (<usize>(y * w + x) << 2));
    if (own == own) return own;
    return <f32>tent(src, w, h, x, y, color, redX, redY, 2);
  }
  return <f32>tent(src, w, h, x, y, color, redX, redY, 1);
}

@inline
function vec(base: usize, index: i32): v128 {
  return v128.load(base + (<usize>index << 2));
}

/** Mask of the lanes whose x has the given parity, for a run that starts at an x of parity `start`. */
@inline
function parityMask(start: i32, parity: i32): v128 {
  return start == parity ? i32x4(-1, 0, -1, 0) : i32x4(0, -1, 0, -1);
}

/** Stores four lanes, each that is not a number by the bilinear value. */
@inline
function put(
  out: usize, i: i32, value: v128, src: usize, w: i32, h: i32, x: i32, y: i32, color: i32, redX: i32, redY: i32,
): void {
  v128.store(out + (<usize>i << 2), value);
  if (v128.any_true(f32x4.ne(value, value))) {
    for (let k = 0; k < 4; k++) {
      const to = out + (<usize>(i + k) << 2);
      if (load<f32>(to) != load<f32>(to)) store<f32>(to, average(src, w, h, x + k, y, color, redX, redY));
    }
  }
}

/** All three colours of the four pixels from x on, at least 2 px from every edge. */
@inline
function run(
  src: usize, out: usize, w: i32, h: i32, x: i32, y: i32, redX: i32, redY: i32, limit: v128,
): void {
  const i = y * w + x;
  const size = <usize>(w * h) << 2;
  const onRedRow = (y & 1) == redY;
  const own = parityMask(x & 1, onRedRow ? redX : 1 - redX);
  const c = vec(src, i);
  const left = vec(src, i - 1), right = vec(src, i + 1);
  const up = vec(src, i - w), down = vec(src, i + w);
  const left2 = vec(src, i - 2), right2 = vec(src, i + 2);
  const up2 = vec(src, i - 2 * w), down2 = vec(src, i + 2 * w);
  const a = vec(src, i - w - 1), b = vec(src, i - w + 1), d = vec(src, i + w - 1), e = vec(src, i + w + 1);
  const beside = f32x4.add(left, right), upright = f32x4.add(up, down);
  const beside2 = f32x4.add(left2, right2), upright2 = f32x4.add(up2, down2);
  const corners = f32x4.add(f32x4.add(a, b), f32x4.add(d, e));
  const far = f32x4.add(beside2, upright2);
  const top = f32x4.max(
    f32x4.max(f32x4.max(f32x4.max(left, right), f32x4.max(up, down)), c),
    f32x4.max(
      f32x4.max(f32x4.max(left2, right2), f32x4.max(up2, down2)),
      f32x4.max(f32x4.max(a, b), f32x4.max(d, e)),
    ),
  );
  // One comparison finds clipped and missing samples: NaN is not less.
  const sound = f32x4.lt(top, limit);
  const nan = f32x4.splat(f32.NaN);
  const eighth = f32x4.splat(0.125), half = f32x4.splat(0.5), two = f32x4.splat(2), four = f32x4.splat(4);
  const five = f32x4.mul(c, f32x4.splat(5));
  const green = f32x4.mul(
    f32x4.sub(f32x4.add(f32x4.mul(c, four), f32x4.mul(f32x4.add(beside, upright), two)), far), eighth,
  );
  const lineX = f32x4.mul(
    f32x4.add(
      f32x4.sub(f32x4.add(five, f32x4.mul(beside, four)), f32x4.add(beside2, corners)),
      f32x4.mul(upright2, half),
    ), eighth,
  );
  const lineY = f32x4.mul(
    f32x4.add(
      f32x4.sub(f32x4.add(five, f32x4.mul(upright, four)), f32x4.add(upright2, corners)),
      f32x4.mul(beside2, half),
    ), eighth,
  );
  const diagonal = f32x4.mul(
    f32x4.sub(
      f32x4.add(f32x4.mul(c, f32x4.splat(6)), f32x4.mul(corners, two)),
      f32x4.mul(far, f32x4.splat(1.5)),
    ), eighth,
  );
  const first = onRedRow ? 0 : 2;
  const greenPlane = v128.bitselect(v128.bitselect(green, nan, sound), c, own);
  const ownPlane = v128.bitselect(c, v128.bitselect(lineX, nan, sound), own);
  const otherPlane = v128.bitselect(v128.bitselect(diagonal, lineY, own), nan, sound);
  put(out + size, i, greenPlane, src, w, h, x, y, 1, redX, redY);
  put(out + <usize>first * size, i, ownPlane, src, w, h, x, y, first, redX, redY);
  put(out + <usize>(2 - first) * size, i, otherPlane, src, w, h, x, y, 2 - first, redX, redY);
}

function averages(src: usize, out: usize, w: i32, h: i32, x: i32, y: i32, redX: i32, redY: i32): void {
  for (let color = 0; color < 3; color++) {
    const to = out + (<usize>(color * w * h + y * w + x) << 2);
    store<f32>(to, average(src, w, h, x, y, color, redX, redY));
  }
}

export function demosaicBayer(
  src: usize, out: usize, w: i32, h: i32, redX: i32, redY: i32, saturation: f32,
): void {
  const limit = f32x4.splat(saturation);
  for (let y = 0; y < h; y++) {
    let x = 0;
    if (y >= 2 && y < h - 2 && w >= 8) {
      for (; x < 2; x++) averages(src, out, w, h, x, y, redX, redY);
      for (; x < w - 2; x += 4) {
        // The last run overlaps the one before; the same values are found again.
        if (x > w - 6) x = w - 6;
        run(src, out, w, h, x, y, redX, redY, limit);
      }
      x = w - 2;
    }
    for (; x < w; x++) averages(src, out, w, h, x, y, redX, redY);
  }
}
