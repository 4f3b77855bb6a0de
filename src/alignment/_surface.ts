import { factor, solveFactored } from './_cholesky.js';

/**
 * A smooth displacement field from one frame to another: dx and dy as polynomials of the place. For a turn
 * of a rectilinear camera the second order is exact to first order in the turn; the third takes up most of
 * what the lens adds.
 */
export interface Surface {
  readonly order: 1 | 2 | 3;
  readonly centerX: number;
  readonly centerY: number;
  readonly scale: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
}

const TERMS = { 1: 3, 2: 6, 3: 10 } as const;

function terms(order: number, u: number, v: number, out: Float64Array): void {
  out[0] = 1;
  out[1] = u;
  out[2] = v;
  if (order >= 2) {
    out[3] = u * u;
    out[4] = u * v;
    out[5] = v * v;
  }
  if (order >= 3) {
    out[6] = u * u * u;
    out[7] = u * u * v;
    out[8] = u * v * v;
    out[9] = v * v * v;
  }
}

const SCRATCH = new Float64Array(10);

/** Moves a place by the field; writes [x, y] into `out`. */
export function moveBy(surface: Surface, x: number, y: number, out: Float64Array): void {
  const n = TERMS[surface.order];
  terms(surface.order, (x - surface.centerX) / surface.scale, (y - surface.centerY) / surface.scale, SCRATCH);
  let dx = 0;
  let dy = 0;
  for (let k = 0; k < n; k++) {
    dx += surface.x[k]! * SCRATCH[k]!;
    dy += surface.y[k]! * SCRATCH[k]!;
  }
  out[0] = x + dx;
  out[1] = y + dy;
}

/** The field of a similarity: x' = a x - b y + tx, y' = b x + a y + ty. */
export function similaritySurface(
  similarity: { readonly a: number; readonly b: number; readonly tx: number; readonly ty: number },
  frame: { readonly centerX: number; readonly centerY: number; readonly scale: number },
): Surface {
  const { a, b, tx, ty } = similarity;
  const { centerX, centerY, scale } = frame;
  return {
    order: 1,
    centerX,
    centerY,
    scale,
    x: Float64Array.of((a - 1) * centerX - b * centerY + tx, (a - 1) * scale, -b * scale),
    y: Float64Array.of(b * centerX + (a - 1) * centerY + ty, b * scale, (a - 1) * scale),
  };
}

/** A field that moves nothing. */
export function stillSurface(frame: {
  readonly centerX: number;
  readonly centerY: number;
  readonly scale: number;
}): Surface {
  return { order: 1, ...frame, x: new Float64Array(3), y: new Float64Array(3) };
}

/**
 * Fits a field to matched places by least squares with weights falling as 1/(1 + (r/softness)^2) (Cauchy), a
 * few rounds. A slight pull to zero on terms above the first keeps them quiet where no star tells them.
 */
export function fitSurface(
  pairs: {
    readonly ax: Float64Array;
    readonly ay: Float64Array;
    readonly bx: Float64Array;
    readonly by: Float64Array;
    readonly count: number;
  },
  frame: { readonly centerX: number; readonly centerY: number; readonly scale: number },
  options: { readonly order: 1 | 2 | 3; readonly softness: number; readonly start?: Surface },
): Surface | undefined {
  const { order, softness } = options;
  const n = TERMS[order];
  const t = new Float64Array(10);
  const place = new Float64Array(2);
  let current = options.start;
  const rounds = 4;
  for (let round = 0; round < rounds; round++) {
    const normal = new Float64Array(n * n);
    const bx = new Float64Array(n);
    const by = new Float64Array(n);
    for (let i = 0; i < pairs.count; i++) {
      const x = pairs.ax[i]!;
      const y = pairs.ay[i]!;
      let weight = 1;
      if (current) {
        moveBy(current, x, y, place);
        const ex = pairs.bx[i]! - place[0]!;
        const ey = pairs.by[i]! - place[1]!;
        weight = 1 / (1 + (ex * ex + ey * ey) / (softness * softness));
      }
      terms(order, (x - frame.centerX) / frame.scale, (y - frame.centerY) / frame.scale, t);
      const dx = pairs.bx[i]! - x;
      const dy = pairs.by[i]! - y;
      for (let r = 0; r < n; r++) {
        const wr = weight * t[r]!;
        for (let c = 0; c <= r; c++) normal[r * n + c]! += wr * t[c]!;
        bx[r]! += wr * dx;
        by[r]! += wr * dy;
      }
    }
    for (let k = 0; k < n; k++) normal[k * n + k]! += k < 3 ? 1e-9 : k < 6 ? 1e-4 : 1e-3;
    if (!factor(normal, n)) return undefined;
    solveFactored(normal, n, bx);
    solveFactored(normal, n, by);
    current = { order, ...frame, x: bx, y: by };
  }
  return current;
}
