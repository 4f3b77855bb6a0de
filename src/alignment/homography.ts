import { adjugate3 } from '../core/index.js';
import { factor, solveFactored } from './_cholesky.js';

/** Place of (x, y) under a row-major 3x3 homography; NaN on or beyond its horizon. */
export function applyHomography(h: readonly number[], x: number, y: number): [number, number] {
  const w = h[6]! * x + h[7]! * y + h[8]!;
  if (!(w > 1e-9)) return [Number.NaN, Number.NaN];
  return [(h[0]! * x + h[1]! * y + h[2]!) / w, (h[3]! * x + h[4]! * y + h[5]!) / w];
}

/** Inverse of a homography, scaled so that its last element is 1. */
export function invertHomography(h: readonly number[]): number[] {
  const out = adjugate3(h);
  return out.map((v) => v / out[8]!);
}

/** Matched places: four flat arrays of one length. */
export interface PlacePairs {
  readonly ax: Float64Array;
  readonly ay: Float64Array;
  readonly bx: Float64Array;
  readonly by: Float64Array;
}

/**
 * Homography or similarity of least squares with Cauchy weights between matched places; undefined with too
 * few (4 and 2) or degenerate ones.
 * @source normalised linear solution, re-weighted by its own denominator: R. Hartley and A. Zisserman,
 * Multiple View Geometry, sections 4.1 and 4.4; similarity: S. Umeyama, IEEE PAMI 13 (1991) 376
 */
export function fitPlane(
  pairs: PlacePairs,
  options: { readonly kind: 'homography' | 'similarity'; readonly softness: number },
): number[] | undefined {
  const n = pairs.ax.length;
  const least = options.kind === 'homography' ? 4 : 2;
  if (n < least) return undefined;
  let sumX = 0;
  let sumY = 0;
  for (let k = 0; k < n; k++) {
    sumX += pairs.ax[k]!;
    sumY += pairs.ay[k]!;
  }
  const cx = sumX / n;
  const cy = sumY / n;
  let size = 0;
  for (let k = 0; k < n; k++) size += Math.hypot(pairs.ax[k]! - cx, pairs.ay[k]! - cy) / n;
  if (!(size > 0)) return undefined;
  const unknowns = options.kind === 'homography' ? 8 : 4;
  let current: number[] | undefined;
  for (let round = 0; round < 10; round++) {
    const normal = new Float64Array(unknowns * unknowns);
    const right = new Float64Array(unknowns);
    const row = new Float64Array(unknowns);
    const add = (target: number, weight: number) => {
      for (let r = 0; r < unknowns; r++) {
        const wr = weight * row[r]!;
        if (wr === 0) continue;
        right[r]! += wr * target;
        for (let c = 0; c <= r; c++) normal[r * unknowns + c]! += wr * row[c]!;
      }
    };
    for (let k = 0; k < n; k++) {
      const u = (pairs.ax[k]! - cx) / size;
      const v = (pairs.ay[k]! - cy) / size;
      const p = (pairs.bx[k]! - cx) / size;
      const q = (pairs.by[k]! - cy) / size;
      let weight = 1;
      if (current) {
        const w = current[6]! * u + current[7]! * v + 1;
        const ex = (current[0]! * u + current[1]! * v + current[2]!) / w - p;
        const ey = (current[3]! * u + current[4]! * v + current[5]!) / w - q;
        weight = 1 / (1 + ((ex * ex + ey * ey) * size * size) / options.softness ** 2) / (w * w);
      }
      if (options.kind === 'homography') {
        row.set([u, v, 1, 0, 0, 0, -u * p, -v * p]);
        add(p, weight);
        row.set([0, 0, 0, u, v, 1, -u * q, -v * q]);
        add(q, weight);
      } else {
        row.set([u, -v, 1, 0]);
        add(p, weight);
        row.set([v, u, 0, 1]);
        add(q, weight);
      }
    }
    if (!factor(normal, unknowns)) return undefined;
    solveFactored(normal, unknowns, right);
    current =
      options.kind === 'homography'
        ? [...right, 1]
        : [right[0]!, -right[1]!, right[2]!, right[1]!, right[0]!, right[3]!, 0, 0, 1];
  }
  return current && fromNormalized(current, { cx, cy, size });
}

/** Undoes the shift and scale that both sides were brought to. */
function fromNormalized(
  h: readonly number[],
  frame: { readonly cx: number; readonly cy: number; readonly size: number },
): number[] {
  const { cx, cy, size } = frame;
  const into = [1 / size, 0, -cx / size, 0, 1 / size, -cy / size, 0, 0, 1];
  const back = [size, 0, cx, 0, size, cy, 0, 0, 1];
  const product = times(back, times(h, into));
  return product.map((v) => v / product[8]!);
}

function times(a: readonly number[], b: readonly number[]): number[] {
  const out: number[] = [];
  for (let r = 0; r < 3; r++) {
    for (let c = 0; c < 3; c++) {
      out.push(a[3 * r]! * b[c]! + a[3 * r + 1]! * b[3 + c]! + a[3 * r + 2]! * b[6 + c]!);
    }
  }
  return out;
}
