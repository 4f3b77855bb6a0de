// Twin: ../warp-plain.ts. Same operations in the same order; see there for the meaning.

const TABLE_PHASES: f64 = 4096.0;
const QUANTUM: f64 = 65536.0;

function bilinear(
  src: usize, width: i32, height: i32, lx: i32, ly: i32, fx: f64, fy: f64,
): f32 {
  let sum: f64 = 0.0;
  let weight: f64 = 0.0;
  for (let dy = 0; dy < 2; dy++) {
    const y = ly + dy;
    if (y < 0 || y >= height) continue;
    const wy = dy == 0 ? 1.0 - fy : fy;
    for (let dx = 0; dx < 2; dx++) {
      const x = lx + dx;
      if (x < 0 || x >= width) continue;
      const w = wy * (dx == 0 ? 1.0 - fx : fx);
      const v = load<f32>(src + (<usize>(y * width + x) << 2));
      if (v == v && w > 0.0) {
        sum += w * <f64>v;
        weight += w;
      }
    }
  }
  return weight >= 0.5 ? <f32>(sum / weight) : f32.NaN;
}

/** Six by six taps as four lanes; NaN lanes when `check` and a tap is above the limit. */
@inline
function taps(
  corner: usize, rowBytes: usize, wx0: v128, wx1: v128,
  w0: v128, w1: v128, w2: v128, w3: v128, w4: v128, w5: v128, limit: v128, check: bool,
): v128 {
  let p = corner;
  let a = v128.load(p), b = v128.load(p, 8);
  let sumA = f32x4.mul(a, w0), sumB = f32x4.mul(b, w0);
  let top = a;
  if (check) top = f32x4.max(a, b);
  p += rowBytes; a = v128.load(p); b = v128.load(p, 8);
  sumA = f32x4.add(sumA, f32x4.mul(a, w1)); sumB = f32x4.add(sumB, f32x4.mul(b, w1));
  if (check) top = f32x4.max(top, f32x4.max(a, b));
  p += rowBytes; a = v128.load(p); b = v128.load(p, 8);
  sumA = f32x4.add(sumA, f32x4.mul(a, w2)); sumB = f32x4.add(sumB, f32x4.mul(b, w2));
  if (check) top = f32x4.max(top, f32x4.max(a, b));
  p += rowBytes; a = v128.load(p); b = v128.load(p, 8);
  sumA = f32x4.add(sumA, f32x4.mul(a, w3)); sumB = f32x4.add(sumB, f32x4.mul(b, w3));
  if (check) top = f32x4.max(top, f32x4.max(a, b));
  p += rowBytes; a = v128.load(p); b = v128.load(p, 8);
  sumA = f32x4.add(sumA, f32x4.mul(a, w4)); sumB = f32x4.add(sumB, f32x4.mul(b, w4));
  if (check) top = f32x4.max(top, f32x4.max(a, b));
  p += rowBytes; a = v128.load(p); b = v128.load(p, 8);
  sumA = f32x4.add(sumA, f32x4.mul(a, w5)); sumB = f32x4.add(sumB, f32x4.mul(b, w5));
  if (check) {
    top = f32x4.max(top, f32x4.max(a, b));
    if (v128.any_true(f32x4.gt(top, limit))) return f32x4.splat(f32.NaN);
  }
  return f32x4.add(f32x4.mul(sumA, wx0), f32x4.mul(sumB, wx1));
}

/** Greatest value of each plane; missing values do not count. */
function planeTops(src: usize, size: i32, planes: i32, tops: usize): void {
  for (let plane = 0; plane < planes; plane++) {
    let top = f32.NEGATIVE_INFINITY;
    const from = src + (<usize>(plane * size) << 2);
    for (let i = 0; i < size; i++) {
      const value = load<f32>(from + (<usize>i << 2));
      if (value > top) top = value;
    }
    store<f32>(tops + (<usize>plane << 2), top);
  }
}

export function warp(
  src: usize, width: i32, height: i32, originX: i32, originY: i32, planes: i32,
  gridX: usize, gridY: usize, step: i32, columns: i32, rows: i32,
  tileX: i32, tileY: i32, tileWidth: i32, tileHeight: i32,
  out: usize, outRow: i32, outPlane: i32,
  table: usize, limits: usize, tops: usize,
): void {
  planeTops(src, width * height, planes, tops);
  const rowBytes = <usize>width << 2;
  const planeBytes = <usize>(width * height) << 2;
  const outPlaneBytes = <usize>outPlane << 2;
  for (let row = 0; row < tileHeight; row++) {
    const py = tileY + row;
    const j = min(py / step, rows - 2);
    const ty = <f64>(py - j * step) / <f64>step;
    let cell = -1;
    let leftX: f64 = 0, rightX: f64 = 0, leftY: f64 = 0, rightY: f64 = 0;
    let to = out + (<usize>(row * outRow) << 2);
    for (let column = 0; column < tileWidth; column++, to += 4) {
      const px = tileX + column;
      const i = min(px / step, columns - 2);
      if (i != cell) {
        cell = i;
        const at = <usize>(j * columns + i) << 3;
        const below = at + (<usize>columns << 3);
        const x00 = load<f64>(gridX + at), x10 = load<f64>(gridX + at, 8);
        const y00 = load<f64>(gridY + at), y10 = load<f64>(gridY + at, 8);
        leftX = x00 + (load<f64>(gridX + below) - x00) * ty;
        rightX = x10 + (load<f64>(gridX + below, 8) - x10) * ty;
        leftY = y00 + (load<f64>(gridY + below) - y00) * ty;
        rightY = y10 + (load<f64>(gridY + below, 8) - y10) * ty;
      }
      const tx = <f64>(px - i * step) / <f64>step;
      const x = Math.floor((leftX + (rightX - leftX) * tx) * QUANTUM + 0.5) / QUANTUM - <f64>originX;
      const y = Math.floor((leftY + (rightY - leftY) * tx) * QUANTUM + 0.5) / QUANTUM - <f64>originY;
      if (!(x > -1.0 && x < <f64>width && y > -1.0 && y < <f64>height)) {
        let o = to;
        for (let plane = 0; plane < planes; plane++, o += outPlaneBytes) store<f32>(o, f32.NaN);
        continue;
      }
      const x0 = Math.floor(x), y0 = Math.floor(y);
      const lx = <i32>x0, ly = <i32>y0;
      const fx = x - x0, fy = y - y0;
      const inside = lx >= 2 && lx + 3 < width && ly >= 2 && ly + 3 < height;
      let from = src;
      let o = to;
      if (!inside) {
        for (let plane = 0; plane < planes; plane++, o += outPlaneBytes, from += planeBytes) {
          store<f32>(o, bilinear(from, width, height, lx, ly, fx, fy));
        }
        continue;
      }
      const phaseX = fx * TABLE_PHASES, phaseY = fy * TABLE_PHASES;
      const nx = Math.floor(phaseX), ny = Math.floor(phaseY);
      const gx = f32x4.splat(<f32>(phaseX - nx)), gy = f32x4.splat(<f32>(phaseY - ny));
      const tableX = table + (<usize><i32>nx << 5), tableY = table + (<usize><i32>ny << 5);
      const ax = v128.load(tableX), bx = v128.load(tableX, 16);
      const ay = v128.load(tableY), by = v128.load(tableY, 16);
      const wx0 = f32x4.add(ax, f32x4.mul(f32x4.sub(v128.load(tableX, 32), ax), gx));
      const wx1 = f32x4.add(bx, f32x4.mul(f32x4.sub(v128.load(tableX, 48), bx), gx));
      const wy0 = f32x4.add(ay, f32x4.mul(f32x4.sub(v128.load(tableY, 32), ay), gy));
      const wy1 = f32x4.add(by, f32x4.mul(f32x4.sub(v128.load(tableY, 48), by), gy));
      const w0 = f32x4.splat(f32x4.extract_lane(wy0, 0));
      const w1 = f32x4.splat(f32x4.extract_lane(wy0, 1));
      const w2 = f32x4.splat(f32x4.extract_lane(wy0, 2));
      const w3 = f32x4.splat(f32x4.extract_lane(wy0, 3));
      const w4 = f32x4.splat(f32x4.extract_lane(wy1, 2));
      const w5 = f32x4.splat(f32x4.extract_lane(wy1, 3));
      const corner = <usize>((ly - 2) * width + lx - 2) << 2;
      for (let plane = 0; plane < planes; plane++, o += outPlaneBytes, from += planeBytes) {
        const limit = load<f32>(limits + (<usize>plane << 2));
        // Most tiles hold no clipped star: looked up once, not at every tap.
        const sum = load<f32>(tops + (<usize>plane << 2)) > limit
          ? taps(from + corner, rowBytes, wx0, wx1, w0, w1, w2, w3, w4, w5, f32x4.splat(limit), true)
          : taps(from + corner, rowBytes, wx0, wx1, w0, w1, w2, w3, w4, w5, f32x4.splat(limit), false);
        let value: f32 = (f32x4.extract_lane(sum, 0) + f32x4.extract_lane(sum, 1))
          + (f32x4.extract_lane(sum, 2) + f32x4.extract_lane(sum, 3));
        if (value != value) value = bilinear(from, width, height, lx, ly, fx, fy);
        store<f32>(o, value);
      }
    }
  }
}

/** data = data * scale - (c0 + c1 X + c2 Y + c3 X^2 + c4 XY + c5 Y^2), X = (x - centerX) / radius. */
export function level(
  data: usize, rowLength: i32, tileX: i32, tileY: i32, tileWidth: i32, tileHeight: i32,
  scale: f64, coefficients: usize, centerX: f64, centerY: f64, radius: f64,
): void {
  const c0 = load<f64>(coefficients), c1 = load<f64>(coefficients, 8), c2 = load<f64>(coefficients, 16);
  const c3 = load<f64>(coefficients, 24), c4 = load<f64>(coefficients, 32), c5 = load<f64>(coefficients, 40);
  for (let row = 0; row < tileHeight; row++) {
    const y = (<f64>(tileY + row) - centerY) / radius;
    const constant = c0 + (c2 + c5 * y) * y;
    const linear = c1 + c4 * y;
    let at = data + (<usize>(row * rowLength) << 2);
    for (let column = 0; column < tileWidth; column++, at += 4) {
      const x = (<f64>(tileX + column) - centerX) / radius;
      const surface = constant + (linear + c3 * x) * x;
      store<f32>(at, <f32>(<f64>load<f32>(at) * scale - surface));
    }
  }
}

/** f32 = (u16 - offset) * scale; 0 means no data. */
export function unpack(packed: usize, count: i32, offset: f32, scale: f32, out: usize): void {
  for (let i = 0; i < count; i++) {
    const value = <i32>load<u16>(packed + (<usize>i << 1));
    store<f32>(out + (<usize>i << 2), value == 0 ? f32.NaN : (<f32>value - offset) * scale);
  }
}
