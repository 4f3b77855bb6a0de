/** A set of local triangles with the shapes that a turn, a shift and a change of scale leave alone. */
export interface Triangles {
  readonly count: number;
  /** Three indices each: opposite the longest, the middle and the shortest side. */
  readonly corners: Int32Array;
  /** Middle and shortest side over the longest. */
  readonly middle: Float64Array;
  readonly short: Float64Array;
  readonly longest: Float64Array;
  /** +1 or -1: sense in which the corners follow each other (a mirror image does not match). */
  readonly sense: Int8Array;
}

/**
 * Makes the triangles of each place with pairs of its `neighbours` nearest ones.
 * @source E. J. Groth, Astron. J. 91 (1986) 1244, restricted to local triangles.
 */
export function makeTriangles(x: Float64Array, y: Float64Array, neighbours: number): Triangles {
  const n = x.length;
  const k = Math.min(neighbours, n - 1);
  const seen = new Set<number>();
  const corners: number[] = [];
  const middle: number[] = [];
  const short: number[] = [];
  const longest: number[] = [];
  const sense: number[] = [];
  const distance = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++)
      distance[j] = j === i ? Infinity : (x[j]! - x[i]!) ** 2 + (y[j]! - y[i]!) ** 2;
    const near = Array.from({ length: n }, (_, j) => j)
      .filter((j) => j !== i)
      .sort((a, b) => distance[a]! - distance[b]! || a - b)
      .slice(0, k);
    for (let p = 0; p < near.length; p++) {
      for (let q = p + 1; q < near.length; q++) {
        const [a, b, c] = [i, near[p]!, near[q]!].sort((s, t) => s - t) as [number, number, number];
        const key = (a * n + b) * n + c;
        if (seen.has(key)) continue;
        seen.add(key);
        const sides: [number, number][] = [
          [Math.hypot(x[b]! - x[c]!, y[b]! - y[c]!), a],
          [Math.hypot(x[a]! - x[c]!, y[a]! - y[c]!), b],
          [Math.hypot(x[a]! - x[b]!, y[a]! - y[b]!), c],
        ];
        sides.sort((s, t) => t[0] - s[0] || s[1] - t[1]);
        const long = sides[0]![0];
        // Very flat or very small triangles say nothing; nearly equal sides may swap under noise.
        if (long < 8 || sides[2]![0] / long < 0.1) continue;
        const [ca, cb, cc] = [sides[0]![1], sides[1]![1], sides[2]![1]];
        const area = (x[cb]! - x[ca]!) * (y[cc]! - y[ca]!) - (y[cb]! - y[ca]!) * (x[cc]! - x[ca]!);
        if (Math.abs(area) < 0.02 * long * long) continue;
        corners.push(ca, cb, cc);
        middle.push(sides[1]![0] / long);
        short.push(sides[2]![0] / long);
        longest.push(long);
        sense.push(area > 0 ? 1 : -1);
      }
    }
  }
  return {
    count: middle.length,
    corners: Int32Array.from(corners),
    middle: Float64Array.from(middle),
    short: Float64Array.from(short),
    longest: Float64Array.from(longest),
    sense: Int8Array.from(sense),
  };
}

/**
 * Calls `found` for each pair of triangles of like shape (sides within `tolerance` of the longest), like
 * sense and a scale between 0.7 and 1.4, through a hash of the two shape numbers.
 */
export function matchTriangles(
  a: Triangles,
  b: Triangles,
  options: { readonly tolerance: number; readonly found: (i: number, j: number) => void },
): void {
  const { tolerance, found } = options;
  const cells = Math.max(1, Math.min(200, Math.floor(1 / tolerance)));
  const cellOf = (value: number) => Math.min(cells - 1, Math.max(0, Math.floor(value * cells)));
  const starts = new Int32Array(cells * cells + 1);
  for (let j = 0; j < b.count; j++) starts[cellOf(b.middle[j]!) * cells + cellOf(b.short[j]!) + 1]!++;
  for (let c = 0; c < cells * cells; c++) starts[c + 1]! += starts[c]!;
  const fill = starts.slice();
  const order = new Int32Array(b.count);
  for (let j = 0; j < b.count; j++) order[fill[cellOf(b.middle[j]!) * cells + cellOf(b.short[j]!)]!++] = j;
  for (let i = 0; i < a.count; i++) {
    const m = a.middle[i]!;
    const s = a.short[i]!;
    const mLow = cellOf(m - tolerance);
    const mHigh = cellOf(m + tolerance);
    const sLow = cellOf(s - tolerance);
    const sHigh = cellOf(s + tolerance);
    for (let cm = mLow; cm <= mHigh; cm++) {
      for (let k = starts[cm * cells + sLow]!; k < starts[cm * cells + sHigh + 1]!; k++) {
        const j = order[k]!;
        if (a.sense[i] !== b.sense[j]) continue;
        if (Math.abs(b.middle[j]! - m) > tolerance || Math.abs(b.short[j]! - s) > tolerance) continue;
        const scale = b.longest[j]! / a.longest[i]!;
        if (scale < 0.7 || scale > 1.4) continue;
        found(i, j);
      }
    }
  }
}
