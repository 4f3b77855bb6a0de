// Twin: ../combine-plain.ts. Four neighbouring pixels in the lanes of a vector, never four frames.

const INF: f32 = f32.POSITIVE_INFINITY;
const SIGMA_PER_MAD: f32 = 1.4826022185056018;

/** Sorts `count` vectors lane by lane. @source D. E. Knuth, TAOCP 3, 5.2.2, algorithm M (Batcher's merge exchange). */
function sortLanes(at: usize, count: i32): void {
  if (count < 2) return;
  const t = 32 - clz<i32>(count - 1);
  let p = 1 << (t - 1);
  while (p > 0) {
    let q = 1 << (t - 1);
    let r = 0;
    let d = p;
    while (true) {
      const gap = <usize>d << 4;
      for (let i = 0; i < count - d; i++) {
        if ((i & p) != r) continue;
        const low = at + (<usize>i << 4);
        const a = v128.load(low);
        const b = v128.load(low + gap);
        v128.store(low, f32x4.min(a, b));
        v128.store(low + gap, f32x4.max(a, b));
      }
      if (q == p) break;
      d = q - p;
      q >>= 1;
      r = p;
    }
    p >>= 1;
  }
}

/** Median of the first n sorted values of one lane; NaN when n is 0. */
@inline
function laneMedian(sorted: usize, lane: usize, n: i32): f32 {
  if (n == 0) return f32.NaN;
  const low = load<f32>(sorted + (<usize>((n - 1) >> 1) << 4) + (lane << 2));
  const high = load<f32>(sorted + (<usize>(n >> 1) << 4) + (lane << 2));
  return (low + high) * 0.5;
}

@inline
function lanesMedian(sorted: usize, n: v128): v128 {
  return f32x4(
    laneMedian(sorted, 0, i32x4.extract_lane(n, 0)),
    laneMedian(sorted, 1, i32x4.extract_lane(n, 1)),
    laneMedian(sorted, 2, i32x4.extract_lane(n, 2)),
    laneMedian(sorted, 3, i32x4.extract_lane(n, 3)),
  );
}

/**
 * Median absolute deviation of the first n sorted values of one lane from their median c: the deviations
 * below and above c are sorted already, so the middle ones are found by merging the two from c outwards.
 */
function laneMad(sorted: usize, lane: usize, n: i32, c: f32): f32 {
  if (n == 0) return f32.NaN;
  const from = sorted + (lane << 2);
  let i = (n >> 1) - 1;
  let j = n >> 1;
  let last: f32 = 0;
  let before: f32 = 0;
  for (let rank = n >> 1; rank >= 0; rank--) {
    before = last;
    const below: f32 = i >= 0 ? c - load<f32>(from + (<usize>i << 4)) : INF;
    const above: f32 = j < n ? load<f32>(from + (<usize>j << 4)) - c : INF;
    if (below < above) {
      last = below;
      i--;
    } else {
      last = above;
      j++;
    }
  }
  return ((n & 1) == 1 ? last + last : before + last) * 0.5;
}

@inline
function lanesMad(sorted: usize, n: v128, center: v128): v128 {
  return f32x4(
    laneMad(sorted, 0, i32x4.extract_lane(n, 0), f32x4.extract_lane(center, 0)),
    laneMad(sorted, 1, i32x4.extract_lane(n, 1), f32x4.extract_lane(center, 1)),
    laneMad(sorted, 2, i32x4.extract_lane(n, 2), f32x4.extract_lane(center, 2)),
    laneMad(sorted, 3, i32x4.extract_lane(n, 3), f32x4.extract_lane(center, 3)),
  );
}

/** Weighted mean of the samples that are numbers; blocks of 32 x 32 px share their weights. */
function finishMean(
  samples: usize, frames: i32, weights: usize, weightStride: usize, out: usize,
): void {
  let low = f64x2.splat(0.0), high = f64x2.splat(0.0);
  let lowWeight = f64x2.splat(0.0), highWeight = f64x2.splat(0.0);
  for (let f = 0; f < frames; f++) {
    const x = v128.load(samples + (<usize>f << 4));
    const w = f32x4.splat(load<f32>(weights + <usize>f * weightStride));
    const ok = f32x4.eq(x, x);
    const value = v128.and(x, ok);
    const weight = v128.and(w, ok);
    const valueHigh = v128.shuffle<i32>(value, value, 2, 3, 2, 3);
    const weightHigh = v128.shuffle<i32>(weight, weight, 2, 3, 2, 3);
    const w0 = f64x2.promote_low_f32x4(weight), w1 = f64x2.promote_low_f32x4(weightHigh);
    low = f64x2.add(low, f64x2.mul(w0, f64x2.promote_low_f32x4(value)));
    high = f64x2.add(high, f64x2.mul(w1, f64x2.promote_low_f32x4(valueHigh)));
    lowWeight = f64x2.add(lowWeight, w0);
    highWeight = f64x2.add(highWeight, w1);
  }
  // 0 / 0 is NaN: no data.
  const a = f64x2.div(low, lowWeight), b = f64x2.div(high, highWeight);
  store<f32>(out, <f32>f64x2.extract_lane(a, 0));
  store<f32>(out, <f32>f64x2.extract_lane(a, 1), 4);
  store<f32>(out, <f32>f64x2.extract_lane(b, 0), 8);
  store<f32>(out, <f32>f64x2.extract_lane(b, 1), 12);
}

export function combineMean(
  stack: usize, frames: i32, planeStride: i32, rowLength: i32, height: i32,
  weights: usize, blockColumns: i32, blockRows: i32,
  scratch: usize, out: usize, kept: usize,
): void {
  const stride = <usize>planeStride << 2;
  const weightStride = <usize>(blockColumns * blockRows) << 2;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < rowLength; x += 4) {
      const at = <usize>(y * rowLength + x) << 2;
      let n = i32x4.splat(0);
      for (let f = 0; f < frames; f++) {
        const v = v128.load(stack + at + <usize>f * stride);
        v128.store(scratch + (<usize>f << 4), v);
        n = i32x4.sub(n, f32x4.eq(v, v));
      }
      const block = <usize>((y >> 5) * blockColumns + (x >> 5)) << 2;
      finishMean(scratch, frames, weights + block, weightStride, out + at);
      v128.store(kept + at, f32x4.convert_i32x4_s(n));
    }
  }
}

export function combineMedian(
  stack: usize, frames: i32, planeStride: i32, rowLength: i32, height: i32,
  scratch: usize, out: usize, kept: usize,
): void {
  const stride = <usize>planeStride << 2;
  const inf = f32x4.splat(INF);
  const count = rowLength * height;
  for (let i = 0; i < count; i += 4) {
    const at = <usize>i << 2;
    let n = i32x4.splat(0);
    for (let f = 0; f < frames; f++) {
      const v = v128.load(stack + at + <usize>f * stride);
      const ok = f32x4.eq(v, v);
      n = i32x4.sub(n, ok);
      v128.store(scratch + (<usize>f << 4), v128.bitselect(v, inf, ok));
    }
    sortLanes(scratch, frames);
    v128.store(out + at, lanesMedian(scratch, n));
    v128.store(kept + at, f32x4.convert_i32x4_s(n));
  }
}

export function combineMax(
  stack: usize, frames: i32, planeStride: i32, rowLength: i32, height: i32, out: usize, kept: usize,
): void {
  const stride = <usize>planeStride << 2;
  const count = rowLength * height;
  const lowest = f32x4.splat(-INF);
  const nan = f32x4.splat(f32.NaN);
  for (let i = 0; i < count; i += 4) {
    const at = <usize>i << 2;
    let n = i32x4.splat(0);
    let top = lowest;
    for (let f = 0; f < frames; f++) {
      const v = v128.load(stack + at + <usize>f * stride);
      const ok = f32x4.eq(v, v);
      n = i32x4.sub(n, ok);
      top = f32x4.max(top, v128.bitselect(v, lowest, ok));
    }
    v128.store(out + at, v128.bitselect(top, nan, i32x4.gt_s(n, i32x4.splat(0))));
    v128.store(kept + at, f32x4.convert_i32x4_s(n));
  }
}

export function combineClipped(
  stack: usize, frames: i32, planeStride: i32, rowLength: i32, height: i32,
  weights: usize, blockColumns: i32, blockRows: i32,
  variances: usize, pedestals: usize,
  sigmaLower: f32, sigmaUpper: f32, maxIterations: i32, spreadFrom: i32, signalShare: f32,
  scratch: usize, out: usize, kept: usize, rejected: usize,
): void {
  const stride = <usize>planeStride << 2;
  const weightStride = <usize>(blockColumns * blockRows) << 2;
  const inf = f32x4.splat(INF);
  const nan = f32x4.splat(f32.NaN);
  const zero = f32x4.splat(0);
  const samples = scratch;
  const sorted = scratch + (<usize>frames << 4);
  const lower2 = f32x4.splat(sigmaLower * sigmaLower);
  const upper2 = f32x4.splat(sigmaUpper * sigmaUpper);
  const share = f32x4.splat(signalShare);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < rowLength; x += 4) {
      const at = <usize>(y * rowLength + x) << 2;
      const block = <usize>((y >> 5) * blockColumns + (x >> 5)) << 2;
      const pedestal = f32x4.splat(load<f32>(pedestals + block));
      let n = i32x4.splat(0);
      for (let f = 0; f < frames; f++) {
        const v = v128.load(stack + at + <usize>f * stride);
        v128.store(samples + (<usize>f << 4), v);
        n = i32x4.sub(n, f32x4.eq(v, v));
      }
      const found = n;
      for (let iteration = 0; iteration < maxIterations; iteration++) {
        for (let f = 0; f < frames; f++) {
          const v = v128.load(samples + (<usize>f << 4));
          v128.store(sorted + (<usize>f << 4), v128.bitselect(v, inf, f32x4.eq(v, v)));
        }
        sortLanes(sorted, frames);
        const center = lanesMedian(sorted, n);
        let spread2 = zero;
        if (v128.any_true(i32x4.ge_s(n, i32x4.splat(spreadFrom)))) {
          const spread = f32x4.mul(lanesMad(sorted, n, center), f32x4.splat(SIGMA_PER_MAD));
          spread2 = v128.and(f32x4.mul(spread, spread), i32x4.ge_s(n, i32x4.splat(spreadFrom)));
        }
        const signal = f32x4.mul(f32x4.max(f32x4.sub(center, pedestal), zero), share);
        const signal2 = f32x4.mul(signal, signal);
        const positive = f32x4.max(center, zero);
        // First find what would go, then drop it, lane by lane, unless nothing would be left.
        let left = i32x4.splat(0);
        for (let f = 0; f < frames; f++) {
          const v = v128.load(samples + (<usize>f << 4));
          const a = f32x4.splat(load<f32>(variances + (<usize>f << 3)));
          const b = f32x4.splat(load<f32>(variances + (<usize>f << 3), 4));
          const model = f32x4.add(f32x4.add(a, f32x4.mul(b, positive)), signal2);
          const variance = f32x4.max(model, spread2);
          const deviation = f32x4.sub(v, center);
          const limit2 = v128.bitselect(upper2, lower2, f32x4.gt(deviation, zero));
          const keep = f32x4.le(f32x4.mul(deviation, deviation), f32x4.mul(limit2, variance));
          left = i32x4.sub(left, keep);
          v128.store(sorted + (<usize>f << 4), keep);
        }
        const change = v128.and(i32x4.lt_s(left, n), i32x4.gt_s(left, i32x4.splat(0)));
        if (!v128.any_true(change)) break;
        for (let f = 0; f < frames; f++) {
          const v = v128.load(samples + (<usize>f << 4));
          const keep = v128.load(sorted + (<usize>f << 4));
          v128.store(samples + (<usize>f << 4), v128.bitselect(nan, v, v128.andnot(change, keep)));
        }
        n = v128.bitselect(left, n, change);
      }
      finishMean(samples, frames, weights + block, weightStride, out + at);
      v128.store(kept + at, f32x4.convert_i32x4_s(n));
      v128.store(rejected + at, f32x4.convert_i32x4_s(i32x4.sub(found, n)));
    }
  }
}
