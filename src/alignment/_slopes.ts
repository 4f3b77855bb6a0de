import type { Layout } from './_layout.js';
import { LENS_VALUES, makeProjected, type Projected, projectWithDerivatives } from './_lens-derivatives.js';
import { tangentBasis } from './_rotation.js';
import { type FramesInfo, type State, turnRotation } from './_state.js';
import { type Bent, bendWithSlopes, makeBent } from './refraction.js';

/** What one observed place depends on, filled anew for each by `slopesAt`. */
export interface Slopes {
  /** Predicted place, px. */
  x: number;
  y: number;
  /** Slopes of x and y by the shared unknowns, in the order of the layout; only those in `used` are filled. */
  readonly sharedX: Float64Array;
  readonly sharedY: Float64Array;
  readonly used: Int32Array;
  /** By the frame's own unknowns. */
  readonly frameX: Float64Array;
  readonly frameY: Float64Array;
  /** By the star's two: [x by first, x by second, y by first, y by second]. */
  readonly star: Float64Array;
}

/** Everything that is the same for all observations of one state. */
export interface SlopeWork {
  readonly state: State;
  readonly layout: Layout;
  readonly slopes: Slopes;
  readonly turns: readonly (readonly number[])[];
  readonly poleBasis: readonly (readonly number[])[];
  readonly zenithBasis: readonly (readonly number[])[];
  readonly active: readonly number[];
  readonly bent: Bent;
  readonly projected: Projected;
  readonly direction: { x: number; y: number; z: number; scale: number };
  /** Row-major 2x3: place by the apparent direction, before the camera's rotation. */
  readonly bySky: Float64Array;
}

export function makeSlopeWork(state: State, frames: FramesInfo, layout: Layout): SlopeWork {
  const active: number[] = [];
  for (let k = 0; k < LENS_VALUES; k++) if (layout.lens[k]! >= 0) active.push(k);
  const used = active.map((k) => layout.lens[k]!);
  used.push(layout.pole, layout.pole + 1);
  if (layout.refraction >= 0) used.push(layout.refraction, layout.refraction + 1, layout.refraction + 2);
  return {
    state,
    layout,
    slopes: {
      x: 0,
      y: 0,
      sharedX: new Float64Array(layout.globals),
      sharedY: new Float64Array(layout.globals),
      used: Int32Array.from(used),
      frameX: new Float64Array(layout.perFrame),
      frameY: new Float64Array(layout.perFrame),
      star: new Float64Array(4),
    },
    turns: Array.from({ length: frames.count }, (_, i) => turnRotation(state, frames.turn[i]!)),
    poleBasis: tangentBasis(state.pole),
    zenithBasis: state.refraction[3] !== 0 ? tangentBasis(state.refraction) : [],
    active,
    bent: makeBent(),
    projected: makeProjected(),
    direction: { x: 0, y: 0, z: 0, scale: 1 },
    bySky: new Float64Array(6),
  };
}

/**
 * Predicts the place of a star on frame `i` with all slopes. Returns false where the lens does not show it.
 *
 * @param star   unit direction, in the reference camera's axes
 * @param basis  the two directions across it in which it may move
 */
export function slopesAt(
  work: SlopeWork,
  i: number,
  star: readonly [number, number, number],
  basis: readonly [readonly number[], readonly number[]],
): boolean {
  const { state, layout, slopes, bent, projected, direction, bySky } = work;
  const T = work.turns[i]!;
  const C = state.camera;
  const c = 9 * i;
  const [sx, sy, sz] = star;
  const ax = T[0]! * sx + T[1]! * sy + T[2]! * sz;
  const ay = T[3]! * sx + T[4]! * sy + T[5]! * sz;
  const az = T[6]! * sx + T[7]! * sy + T[8]! * sz;
  const refracted = state.refraction[3] !== 0;
  if (refracted) bendWithSlopes(state.refraction, ax, ay, az, bent);
  else {
    bent.x = ax;
    bent.y = ay;
    bent.z = az;
  }
  direction.x = C[c]! * bent.x + C[c + 1]! * bent.y + C[c + 2]! * bent.z;
  direction.y = C[c + 3]! * bent.x + C[c + 4]! * bent.y + C[c + 5]! * bent.z;
  direction.z = C[c + 6]! * bent.x + C[c + 7]! * bent.y + C[c + 8]! * bent.z;
  direction.scale = state.scale[i]!;
  if (!projectWithDerivatives(state.projection, state.lens, direction, projected)) return false;
  slopes.x = projected.x;
  slopes.y = projected.y;
  for (const q of work.active) {
    slopes.sharedX[layout.lens[q]!] = projected.byLens[q]!;
    slopes.sharedY[layout.lens[q]!] = projected.byLens[LENS_VALUES + q]!;
  }
  carry(projected.byDirection, C, c, bySky);
  if (layout.refraction >= 0) slopesByRefraction(work);
  // From here on by the direction above refraction.
  if (refracted) carry(bySky, bent.bySky, 0, bySky);
  const [a0, a1, a2, a3, a4, a5] = bySky as unknown as [number, number, number, number, number, number];
  for (let q = 0; q < 2; q++) {
    // The pole tilts by e: a' = e x a - T (e x s).
    const e = work.poleBasis[q]!;
    const ex = e[1]! * sz - e[2]! * sy;
    const ey = e[2]! * sx - e[0]! * sz;
    const ez = e[0]! * sy - e[1]! * sx;
    const gx = e[1]! * az - e[2]! * ay - (T[0]! * ex + T[1]! * ey + T[2]! * ez);
    const gy = e[2]! * ax - e[0]! * az - (T[3]! * ex + T[4]! * ey + T[5]! * ez);
    const gz = e[0]! * ay - e[1]! * ax - (T[6]! * ex + T[7]! * ey + T[8]! * ez);
    slopes.sharedX[layout.pole + q] = a0 * gx + a1 * gy + a2 * gz;
    slopes.sharedY[layout.pole + q] = a3 * gx + a4 * gy + a5 * gz;
    // The star moves along its tangent plane; the sky's turn, refraction and the camera carry the step.
    const b = basis[q]!;
    const ux = T[0]! * b[0]! + T[1]! * b[1]! + T[2]! * b[2]!;
    const uy = T[3]! * b[0]! + T[4]! * b[1]! + T[5]! * b[2]!;
    const uz = T[6]! * b[0]! + T[7]! * b[1]! + T[8]! * b[2]!;
    slopes.star[q] = a0 * ux + a1 * uy + a2 * uz;
    slopes.star[2 + q] = a3 * ux + a4 * uy + a5 * uz;
  }
  if (layout.frames[i]! >= 0) slopesByFrame(work);
  return true;
}

/** out (2x3) = a (2x3) times the 3x3 matrix at `from` of b. */
function carry(a: Float64Array, b: Float64Array, from: number, out: Float64Array): void {
  for (let r = 0; r < 6; r += 3) {
    const [x, y, z] = [a[r]!, a[r + 1]!, a[r + 2]!];
    for (let k = 0; k < 3; k++) out[r + k] = x * b[from + k]! + y * b[from + 3 + k]! + z * b[from + 6 + k]!;
  }
}

function slopesByRefraction({ layout, slopes, bent, bySky, zenithBasis }: SlopeWork): void {
  for (let q = 0; q < 3; q++) {
    let gx = bent.byStrength[0]!;
    let gy = bent.byStrength[1]!;
    let gz = bent.byStrength[2]!;
    if (q < 2) {
      const e = zenithBasis[q]!;
      const m = bent.byZenith;
      gx = m[0]! * e[0]! + m[1]! * e[1]! + m[2]! * e[2]!;
      gy = m[3]! * e[0]! + m[4]! * e[1]! + m[5]! * e[2]!;
      gz = m[6]! * e[0]! + m[7]! * e[1]! + m[8]! * e[2]!;
    }
    slopes.sharedX[layout.refraction + q] = bySky[0]! * gx + bySky[1]! * gy + bySky[2]! * gz;
    slopes.sharedY[layout.refraction + q] = bySky[3]! * gx + bySky[4]! * gy + bySky[5]! * gz;
  }
}

/** A small turn e of the camera moves a direction by e x d; a change of scale moves every place along its radius. */
function slopesByFrame({ layout, slopes, projected, direction }: SlopeWork): void {
  const { frameX, frameY } = slopes;
  const by = projected.byDirection;
  frameX[0] = by[2]! * direction.y - by[1]! * direction.z;
  frameX[1] = by[0]! * direction.z - by[2]! * direction.x;
  frameX[2] = by[1]! * direction.x - by[0]! * direction.y;
  frameY[0] = by[5]! * direction.y - by[4]! * direction.z;
  frameY[1] = by[3]! * direction.z - by[5]! * direction.x;
  frameY[2] = by[4]! * direction.x - by[3]! * direction.y;
  if (layout.perFrame === 4) {
    frameX[3] = projected.byLens[0]!;
    frameY[3] = projected.byLens[LENS_VALUES]!;
  }
}
