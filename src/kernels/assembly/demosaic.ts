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
function at(base: usize, index: i32): f32 {
  return load<f32>(base + (<usize>index << 2));
}

@inline
function vec(base: usize, index: i32): v128 {
  return v128.load(base + (<usize>index << 2));
}

/** Lanes where a < b keep a's value, where b < a keep b's, else the mean. */
@inline
function choose(a: v128, b: v128, ofA: v128, ofB: v128): v128 {
  const both = f32x4.mul(f32x4.add(ofA, ofB), f32x4.splat(0.5));
  return v128.bitselect(ofA, v128.bitselect(ofB, both, f32x4.lt(b, a)), f32x4.lt(a, b));
}

@inline
function greenLanes(src: usize, i: i32, w: i32, top: v128, greenTop: v128): v128 {
  const half = f32x4.splat(0.5);
  const quarter = f32x4.splat(0.25);
  const c = vec(src, i);
  const left = vec(src, i - 1), right = vec(src, i + 1);
  const up = vec(src, i - w), down = vec(src, i + w);
  const twice = f32x4.add(c, c);
  const bendX = f32x4.sub(f32x4.sub(twice, vec(src, i - 2)), vec(src, i + 2));
  const bendY = f32x4.sub(f32x4.sub(twice, vec(src, i - 2 * w)), vec(src, i + 2 * w));
  const alongX = f32x4.add(f32x4.abs(f32x4.sub(left, right)), f32x4.abs(bendX));
  const alongY = f32x4.add(f32x4.abs(f32x4.sub(up, down)), f32x4.abs(bendY));
  const gx = f32x4.add(f32x4.mul(f32x4.add(left, right), half), f32x4.mul(bendX, quarter));
  const gy = f32x4.add(f32x4.mul(f32x4.add(up, down), half), f32x4.mul(bendY, quarter));
  const most = f32x4.max(f32x4.max(left, right), f32x4.max(up, down));
  const ok = v128.and(f32x4.lt(c, top), f32x4.lt(most, greenTop));
  return v128.bitselect(choose(alongX, alongY, gx, gy), f32x4.splat(f32.NaN), ok);
}

/** Along a line of two samples a, b of the colour with greens ga, gb about the green g. */
@inline
function along(g: v128, a: v128, ga: v128, b: v128, gb: v128): v128 {
  return f32x4.add(g, f32x4.mul(f32x4.add(f32x4.sub(a, ga), f32x4.sub(b, gb)), f32x4.splat(0.5)));
}

@inline
function lineLanes(src: usize, green: usize, i: i32, step: i32, top: v128, greenTop: v128): v128 {
  const a = vec(src, i - step), b = vec(src, i + step);
  const ok = v128.and(f32x4.lt(f32x4.max(a, b), top), f32x4.lt(vec(src, i), greenTop));
  const value = along(vec(green, i), a, vec(green, i - step), b, vec(green, i + step));
  return v128.bitselect(value, f32x4.splat(f32.NaN), ok);
}

@inline
function diagonalLanes(src: usize, green: usize, i: i32, w: i32, top: v128): v128 {
  const a = vec(src, i - w - 1), b = vec(src, i + w + 1);
  const c = vec(src, i - w + 1), d = vec(src, i + w - 1);
  const g = vec(green, i);
  const ga = vec(green, i - w - 1), gb = vec(green, i + w + 1);
  const gc = vec(green, i - w + 1), gd = vec(green, i + w - 1);
  const twice = f32x4.add(g, g);
  const falling = f32x4.add(f32x4.abs(f32x4.sub(a, b)), f32x4.abs(f32x4.sub(f32x4.sub(twice, ga), gb)));
  const rising = f32x4.add(f32x4.abs(f32x4.sub(c, d)), f32x4.abs(f32x4.sub(f32x4.sub(twice, gc), gd)));
  const value = choose(falling, rising, along(g, a, ga, b, gb), along(g, c, gc, d, gd));
  const ok = f32x4.lt(f32x4.max(f32x4.max(a, b), f32x4.max(c, d)), top);
  return v128.bitselect(value, f32x4.splat(f32.NaN), ok);
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

/** Mask of the lanes whose x has the given parity, for a run that starts at an x of parity `start`. */
@inline
function parityMask(start: i32, parity: i32): v128 {
  return start == parity ? i32x4(-1, 0, -1, 0) : i32x4(0, -1, 0, -1);
}

export function demosaicBayer(
  src: usize, out: usize, w: i32, h: i32, redX: i32, redY: i32,
  redTop: f32, greenTop: f32, blueTop: f32,
): void {
  const size = w * h;
  const green = out + (<usize>size << 2);
  const greens = f32x4.splat(greenTop);
  for (let y = 0; y < h; y++) {
    const onRedRow = (y & 1) == redY;
    const top = f32x4.splat(onRedRow ? redTop : blueTop);
    const own = onRedRow ? redX : 1 - redX;
    let x = 0;
    if (y >= 2 && y < h - 2 && w >= 10) {
      const mask = parityMask(0, own);
      for (; x < 2 && x < w; x++) {
        store<f32>(green + (<usize>(y * w + x) << 2), average(src, w, h, x, y, 1, redX, redY));
      }
      for (; x <= w - 6; x += 4) {
        const i = y * w + x;
        const value = v128.bitselect(greenLanes(src, i, w, top, greens), vec(src, i), mask);
        put(green, i, value, src, w, h, x, y, 1, redX, redY);
      }
      // The last run overlaps the one before; the same values are found again.
      if (x < w - 2) {
        x = w - 6;
        const i = y * w + x;
        const tail = parityMask(x & 1, own);
        put(green, i, v128.bitselect(greenLanes(src, i, w, top, greens), vec(src, i), tail), src, w, h, x, y, 1, redX, redY);
        x += 4;
      }
    }
    for (; x < w; x++) {
      store<f32>(green + (<usize>(y * w + x) << 2), average(src, w, h, x, y, 1, redX, redY));
    }
  }
  for (let color = 0; color < 3; color += 2) {
    const plane = out + (<usize>(color * size) << 2);
    const top = f32x4.splat(color == 0 ? redTop : blueTop);
    const rowOf = color == 0 ? redY : 1 - redY;
    const columnOf = color == 0 ? redX : 1 - redX;
    for (let y = 0; y < h; y++) {
      let x = 0;
      if (y >= 1 && y < h - 1 && w >= 10) {
        store<f32>(plane + (<usize>(y * w) << 2), average(src, w, h, 0, y, color, redX, redY));
        x = 1;
        const ownRow = (y & 1) == rowOf;
        while (x < w - 1) {
          if (x > w - 5) x = w - 5;
          const i = y * w + x;
          const mask = parityMask(x & 1, columnOf);
          const value = ownRow
            ? v128.bitselect(vec(src, i), lineLanes(src, green, i, 1, top, greens), mask)
            : v128.bitselect(lineLanes(src, green, i, w, top, greens), diagonalLanes(src, green, i, w, top), mask);
          put(plane, i, value, src, w, h, x, y, color, redX, redY);
          x += 4;
        }
      }
      for (; x < w; x++) {
        store<f32>(plane + (<usize>(y * w + x) << 2), average(src, w, h, x, y, color, redX, redY));
      }
    }
  }
}
