import type { FramePixels } from '../core/index.js';
import { fitLinear } from './_least-squares.js';
import type { CoarseSky } from './coarse-sky.js';

/**
 * Radial lens falloff: light at radius r over light at the centre. After division a pixel means surface
 * brightness as the middle of the picture would record it (P42).
 */
export interface Falloff {
  readonly centerX: number;
  readonly centerY: number;
  /** px at which the table ends: half the diagonal. */
  readonly radius: number;
  /** Transmission at (r/radius)^2 = 0, 1/n, ... 1; falls from 1, never below `DARKEST`. */
  readonly table: Float64Array;
  readonly source: 'stars' | 'sky' | 'lens';
}

const TABLE_STEPS = 1024;
/** More falloff than 1 : 6.7 is a lens hood or land, not a lens. */
export const DARKEST = 0.15;

/**
 * @param transmission by q = (distance from the axis / half the diagonal)^2
 * @param axis where the lens's axis meets the sensor, px; default the middle
 */
export function makeFalloff(
  size: { readonly width: number; readonly height: number },
  transmission: (q: number) => number,
  source: Falloff['source'],
  axis: Pick<Falloff, 'centerX' | 'centerY'> = {
    centerX: (size.width - 1) / 2,
    centerY: (size.height - 1) / 2,
  },
): Falloff {
  const { width, height } = size;
  const table = Float64Array.from({ length: TABLE_STEPS + 1 }, (_, k) =>
    Math.max(DARKEST, Math.min(1, transmission(k / TABLE_STEPS))),
  );
  return {
    centerX: axis.centerX,
    centerY: axis.centerY,
    radius: Math.hypot(width, height) / 2,
    table,
    source,
  };
}

/** Transmission at a pixel, 1 in the centre. */
export function transmissionAt(falloff: Falloff, x: number, y: number): number {
  const { centerX, centerY, radius, table } = falloff;
  const q = ((x - centerX) ** 2 + (y - centerY) ** 2) / (radius * radius);
  const at = Math.min(1, q) * TABLE_STEPS;
  const k = Math.min(TABLE_STEPS - 1, Math.floor(at));
  return table[k]! + (table[k + 1]! - table[k]!) * (at - k);
}

/** Greatest factor that dividing by the falloff applies. */
export function falloffGain(falloff: Falloff): number {
  return 1 / falloff.table[TABLE_STEPS]!;
}

/** Divides pixels by the falloff, in place. */
export function applyFalloff(
  data: Float32Array,
  size: Pick<FramePixels, 'width' | 'height' | 'kind'>,
  falloff: Falloff,
): void {
  const { width, height } = size;
  const planes = size.kind === 'color' ? 3 : 1;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const by = 1 / transmissionAt(falloff, x, y);
      for (let p = 0; p < planes; p++) {
        const at = (p * height + y) * width + x;
        data[at] = data[at]! * by;
      }
    }
  }
}

/**
 * Natural falloff of a rectilinear lens, cos^4 of the field angle: a fallback where neither flat nor sky
 * tells. @source M. Reiss, J. Opt. Soc. Am. 35 (1945) 283
 */
export function lensFalloff(
  size: { readonly width: number; readonly height: number },
  focalLengthPx: number,
): Falloff {
  const corner = (size.width ** 2 + size.height ** 2) / 4 / focalLengthPx ** 2;
  return makeFalloff(size, (q) => (1 + q * corner) ** -2, 'lens');
}

/** Frames looked at, evenly over the run. */
const MAX_SKIES = 8;
/** Sky cells needed for a fit. */
const CELLS_NEEDED = 40;

/**
 * Fits the falloff to the run's own sky: ln(sky) = gradient of the frame (a plane) - a q - b q^2 - c q^3,
 * q = (r/radius)^2, a, b, c >= 0 and shared by all frames, so that it can only fall. The gradient of each
 * frame is its own, hence several frames over a night tell the lens from the sky.
 *
 * @returns undefined when there is too little sky to tell
 */
export function fitFalloff(run: readonly CoarseSky[]): Falloff | undefined {
  const stride = Math.max(1, Math.ceil(run.length / MAX_SKIES));
  const skies = run.filter((_, i) => i % stride === 0);
  const [first] = skies;
  if (!first) return undefined;
  const cells: { frame: number; u: number; v: number; q: number; value: number }[] = [];
  skies.forEach((sky, frame) => {
    const diagonal = sky.width ** 2 + sky.height ** 2;
    for (let k = 0; k < sky.columns * sky.rows; k++) {
      const level = sky.level[1][k]!;
      if (!(level > 0)) continue;
      const u = (2 * ((k % sky.columns) + 0.5)) / sky.columns - 1;
      const v = (2 * (Math.floor(k / sky.columns) + 0.5)) / sky.rows - 1;
      const q = ((u * sky.width) ** 2 + (v * sky.height) ** 2) / diagonal;
      cells.push({ frame, u, v, q, value: Math.log(level) });
    }
  });
  if (cells.length < CELLS_NEEDED) return undefined;
  const planeTerms = 3 * skies.length;
  let best: { cost: number; terms: readonly number[] } | undefined;
  // Non-negative least squares: few enough terms to try every choice of them.
  for (let choice = 0; choice < 8; choice++) {
    const powers = [1, 2, 3].filter((power) => choice & (1 << (power - 1)));
    const fit = fitCells(cells, planeTerms, powers);
    if (!fit || fit.terms.some((term) => term < 0)) continue;
    if (!best || fit.cost < best.cost) {
      const terms = [0, 0, 0];
      powers.forEach((power, i) => {
        terms[power - 1] = fit.terms[i]!;
      });
      best = { cost: fit.cost, terms };
    }
  }
  if (!best) return undefined;
  const [a, b, c] = best.terms;
  return makeFalloff(first, (q) => Math.exp(-((c! * q + b!) * q + a!) * q), 'sky');
}

function fitCells(
  cells: readonly { frame: number; u: number; v: number; q: number; value: number }[],
  planeTerms: number,
  powers: readonly number[],
): { cost: number; terms: number[] } | undefined {
  const terms = planeTerms + powers.length;
  const basis = (k: number, out: number[]): void => {
    const { frame, u, v, q } = cells[k]!;
    out.fill(0);
    out[3 * frame] = 1;
    out[3 * frame + 1] = u;
    out[3 * frame + 2] = v;
    powers.forEach((power, i) => {
      out[planeTerms + i] = -(q ** power);
    });
  };
  // Three rounds with Cauchy weights: clouds of stars and lit horizons are bright and one-sided.
  let weights = new Float64Array(cells.length).fill(1);
  let result: { cost: number; terms: number[] } | undefined;
  const row = new Array<number>(terms).fill(0);
  for (let round = 0; round < 3; round++) {
    const fit = fitLinear(
      cells.length,
      terms,
      basis,
      (k) => cells[k]!.value,
      (k) => weights[k]!,
    );
    if (!fit) return result;
    let cost = 0;
    weights = Float64Array.from(cells, ({ value }, k) => {
      basis(k, row);
      const residual = value - fit.reduce((sum, f, i) => sum + f * row[i]!, 0);
      const z = (residual / CELL_SCATTER) ** 2;
      cost += Math.log1p(z);
      return 1 / (1 + z);
    });
    result = { cost, terms: fit.slice(planeTerms) };
  }
  return result;
}

/** Scatter of ln(sky) between neighbouring cells that no smooth model holds (star clouds, dust lanes). */
const CELL_SCATTER = 0.02;
