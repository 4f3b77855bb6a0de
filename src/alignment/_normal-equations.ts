import { placeWeight } from './_cost.js';
import type { Equations } from './_equations.js';
import type { Layout } from './_layout.js';
import { addPriors } from './_priors.js';
import { tangentBasis } from './_rotation.js';
import { makeSlopeWork, type Slopes, slopesAt } from './_slopes.js';
import type { FramesInfo, Observations, Priors, State } from './_state.js';

/** The normal equations with the stars eliminated, and what is needed to find the stars' own steps afterwards. */
export interface Normal extends Equations {
  /** Per track: inverse Cholesky-reduced right side (2), factor (3). */
  readonly starRight: Float64Array;
  readonly starFactor: Float64Array;
  /** Per track: 2 x globals; per observation: 2 x perFrame, both already multiplied by the inverse factor. */
  readonly starGlobals: Float64Array;
  readonly starFrames: Float64Array;
  /** One track's columns under way: the shared unknowns first, then those of its frames. */
  readonly columns: Columns;
}

interface Columns {
  readonly first: Float64Array;
  readonly second: Float64Array;
  /** Unknown of each column. */
  readonly place: Int32Array;
}

export function makeNormal(layout: Layout, observations: Observations): Normal {
  let most = 0;
  for (let t = 0; t < observations.trackCount; t++) {
    most = Math.max(most, observations.trackStart[t + 1]! - observations.trackStart[t]!);
  }
  const width = layout.globals + layout.perFrame * most;
  return {
    matrix: new Float64Array(layout.total * layout.total),
    right: new Float64Array(layout.total),
    total: layout.total,
    starRight: new Float64Array(2 * observations.trackCount),
    starFactor: new Float64Array(3 * observations.trackCount),
    starGlobals: new Float64Array(2 * layout.globals * observations.trackCount),
    starFrames: new Float64Array(2 * layout.perFrame * observations.count),
    columns: {
      first: new Float64Array(width),
      second: new Float64Array(width),
      place: Int32Array.from({ length: width }, (_, k) => k),
    },
  };
}

/**
 * Fills the normal equations at a state, with `lambda` times the diagonal added. Star directions are
 * eliminated block by block (Schur complement).
 * @source K. Levenberg, Quart. Appl. Math. 2 (1944) 164; D. Marquardt, SIAM J. 11 (1963) 431; elimination:
 * D. C. Brown, The bundle adjustment, 1976.
 */
export function fillNormal(
  state: State,
  given: { readonly observations: Observations; readonly frames: FramesInfo; readonly priors: Priors },
  work: { readonly layout: Layout; readonly normal: Normal; readonly lambda: number },
): void {
  const { observations, frames, priors } = given;
  const { layout, normal, lambda } = work;
  normal.matrix.fill(0);
  normal.right.fill(0);
  const slopeWork = makeSlopeWork(state, frames, layout);
  const { slopes } = slopeWork;
  const block = new Float64Array(5);
  for (let t = 0; t < observations.trackCount; t++) {
    const star = [state.stars[3 * t]!, state.stars[3 * t + 1]!, state.stars[3 * t + 2]!] as const;
    const basis = tangentBasis(star);
    normal.columns.first.fill(0);
    normal.columns.second.fill(0);
    block.fill(0);
    let width = layout.globals;
    for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
      const i = observations.frame[k]!;
      if (!slopesAt(slopeWork, i, star, basis)) continue;
      const rx = observations.x[k]! - slopes.x;
      const ry = observations.y[k]! - slopes.y;
      const w = placeWeight(rx, ry, observations.sigma[k]!);
      addStar(slopes, block, w, rx, ry);
      addShared(slopes, normal, w, rx, ry);
      const at = layout.frames[i]!;
      if (at < 0) continue;
      addFrame(slopes, normal, { at, column: width, w, rx, ry });
      width += layout.perFrame;
    }
    eliminate(normal, { layout, observations, lambda, t, width, block });
  }
  addPriors(state, frames, { priors, layout, equations: normal });
  const N = layout.total;
  for (let k = 0; k < N; k++) normal.matrix[k * N + k]! += lambda * normal.matrix[k * N + k]! + 1e-9;
}

/** A star's own 2 x 2 block and right side: [00, 01, 11, right 0, right 1]. */
function addStar({ star }: Slopes, block: Float64Array, w: number, rx: number, ry: number): void {
  const [x0, x1, y0, y1] = star as unknown as [number, number, number, number];
  block[0]! += w * (x0 * x0 + y0 * y0);
  block[1]! += w * (x0 * x1 + y0 * y1);
  block[2]! += w * (x1 * x1 + y1 * y1);
  block[3]! += w * (x0 * rx + y0 * ry);
  block[4]! += w * (x1 * rx + y1 * ry);
}

function addShared(slopes: Slopes, normal: Normal, w: number, rx: number, ry: number): void {
  const { used, sharedX, sharedY, star } = slopes;
  const { matrix, right, total } = normal;
  const { first, second } = normal.columns;
  const [x0, x1, y0, y1] = star as unknown as [number, number, number, number];
  for (let p = 0; p < used.length; p++) {
    const g = used[p]!;
    const gx = w * sharedX[g]!;
    const gy = w * sharedY[g]!;
    first[g]! += x0 * gx + y0 * gy;
    second[g]! += x1 * gx + y1 * gy;
    right[g]! += gx * rx + gy * ry;
    const row = g * total;
    for (let q = 0; q <= p; q++) {
      const h = used[q]!;
      matrix[row + h]! += gx * sharedX[h]! + gy * sharedY[h]!;
    }
  }
}

function addFrame(
  slopes: Slopes,
  normal: Normal,
  one: {
    readonly at: number;
    readonly column: number;
    readonly w: number;
    readonly rx: number;
    readonly ry: number;
  },
): void {
  const { used, sharedX, sharedY, frameX, frameY, star } = slopes;
  const { matrix, right, total } = normal;
  const { first, second, place } = normal.columns;
  const { at, column, w, rx, ry } = one;
  const [x0, x1, y0, y1] = star as unknown as [number, number, number, number];
  for (let q = 0; q < frameX.length; q++) {
    const gx = w * frameX[q]!;
    const gy = w * frameY[q]!;
    first[column + q] = x0 * gx + y0 * gy;
    second[column + q] = x1 * gx + y1 * gy;
    place[column + q] = at + q;
    right[at + q]! += gx * rx + gy * ry;
    const row = (at + q) * total;
    for (let p = 0; p < used.length; p++) {
      const h = used[p]!;
      matrix[row + h]! += gx * sharedX[h]! + gy * sharedY[h]!;
    }
    for (let h = 0; h <= q; h++) matrix[row + at + h]! += gx * frameX[h]! + gy * frameY[h]!;
  }
}

/** Takes a track's star out of the equations and keeps what its own step will need. */
function eliminate(
  normal: Normal,
  track: {
    readonly layout: Layout;
    readonly observations: Observations;
    readonly lambda: number;
    readonly t: number;
    readonly width: number;
    readonly block: Float64Array;
  },
): void {
  const { layout, observations, lambda, t, width, block } = track;
  const { first, second, place } = normal.columns;
  const { matrix, right, total } = normal;
  const G = layout.globals;
  const B = layout.perFrame;
  const l00 = Math.sqrt(Math.max(block[0]! * (1 + lambda), 1e-12));
  const l10 = block[1]! / l00;
  const l11 = Math.sqrt(Math.max(block[2]! * (1 + lambda) - l10 * l10, 1e-12));
  const q0 = block[3]! / l00;
  const q1 = (block[4]! - l10 * q0) / l11;
  normal.starFactor[3 * t] = l00;
  normal.starFactor[3 * t + 1] = l10;
  normal.starFactor[3 * t + 2] = l11;
  normal.starRight[2 * t] = q0;
  normal.starRight[2 * t + 1] = q1;
  for (let c = 0; c < width; c++) {
    first[c]! /= l00;
    second[c] = (second[c]! - l10 * first[c]!) / l11;
  }
  normal.starGlobals.set(first.subarray(0, G), 2 * G * t);
  normal.starGlobals.set(second.subarray(0, G), 2 * G * t + G);
  // Frames' parts, in the order of the observations; the reference has none.
  let c = G;
  for (let k = observations.trackStart[t]!; k < observations.trackStart[t + 1]!; k++) {
    const at = 2 * B * k;
    const start = layout.frames[observations.frame[k]!]!;
    const own = start >= 0 && c < width && place[c] === start;
    for (let q = 0; q < B; q++) {
      normal.starFrames[at + q] = own ? first[c + q]! : 0;
      normal.starFrames[at + B + q] = own ? second[c + q]! : 0;
    }
    if (own) c += B;
  }
  for (let p = 0; p < width; p++) {
    const u0 = first[p]!;
    const u1 = second[p]!;
    if (u0 === 0 && u1 === 0) continue;
    const row = place[p]! * total;
    right[place[p]!]! -= u0 * q0 + u1 * q1;
    for (let q = 0; q <= p; q++) matrix[row + place[q]!]! -= u0 * first[q]! + u1 * second[q]!;
  }
}
