import { madSigma } from '../core/index.js';
import { fitLinear } from './_least-squares.js';
import type { CoarseSky } from './coarse-sky.js';
import type { DemosaicMethod } from './demosaic.js';
import type { PerColor, SampleVariance } from './stack-plan.js';
import { surfaceScale } from './surface.js';
import { gridPosition } from './tiles.js';
import type { Surface, WarpGrid } from './types.js';

/** A surface that is zero everywhere. */
export const FLAT_SURFACE: Surface = [0, 0, 0, 0, 0, 0];

/** Value of a coarse sky at a place on its frame, px; NaN beside land or off the frame. */
function skyAt(sky: CoarseSky, color: 0 | 1 | 2, x: number, y: number): number {
  const { columns, rows, width, height } = sky;
  if (!(x > -1 && y > -1 && x < width && y < height)) return Number.NaN;
  const u = Math.max(0, Math.min(columns - 1, ((x + 0.5) / width) * columns - 0.5));
  const v = Math.max(0, Math.min(rows - 1, ((y + 0.5) / height) * rows - 0.5));
  const i = Math.min(Math.floor(u), columns - 2);
  const j = Math.min(Math.floor(v), rows - 2);
  const level = sky.level[color];
  const at = (di: number, dj: number): number => level[(j + dj) * columns + i + di]!;
  const top = at(0, 0) + (at(1, 0) - at(0, 0)) * (u - i);
  const bottom = at(0, 1) + (at(1, 1) - at(0, 1)) * (u - i);
  return top + (bottom - top) * (v - j);
}

/** Rounds of re-weighting, and the residual, in sigma, beyond which a cell hardly counts. */
const ROUNDS = 5;
const HUBER = 1.5;

/** Cells that a plane and a full second-order surface need. */
const CELLS_FOR_PLANE = 8;
const CELLS_FOR_SECOND_ORDER = 24;

interface Sample {
  readonly u: number;
  readonly v: number;
  readonly value: number;
}

/** Robust surface through samples; lower order where they are few; zero without any. */
function fitSurface(samples: readonly Sample[]): Surface {
  const n = samples.length;
  if (n === 0) return FLAT_SURFACE;
  const terms = n >= CELLS_FOR_SECOND_ORDER ? 6 : n >= CELLS_FOR_PLANE ? 3 : 1;
  const fill = ({ u, v }: Sample, out: number[]): void => {
    const all = [1, u, v, u * u, u * v, v * v];
    for (let i = 0; i < terms; i++) out[i] = all[i]!;
  };
  let weights = new Float64Array(n).fill(1);
  let fit: number[] = [0];
  const row: number[] = [];
  for (let round = 0; round < ROUNDS; round++) {
    const next = fitLinear(
      n,
      terms,
      (k, out) => fill(samples[k]!, out),
      (k) => samples[k]!.value,
      (k) => weights[k]!,
    );
    if (!next) break;
    fit = next;
    const residuals = Float64Array.from(samples, (sample) => {
      fill(sample, row);
      return sample.value - fit.reduce((sum, c, i) => sum + c * row[i]!, 0);
    });
    const limit = HUBER * madSigma(residuals);
    // Huber's weights (P. J. Huber, Ann. Math. Stat. 35 (1964) 73).
    weights = residuals.map((r) => (Math.abs(r) <= limit || limit === 0 ? 1 : limit / Math.abs(r)));
  }
  return [fit[0] ?? 0, fit[1] ?? 0, fit[2] ?? 0, fit[3] ?? 0, fit[4] ?? 0, fit[5] ?? 0];
}

function referenceCells(
  reference: CoarseSky,
): { x: number; y: number; u: number; v: number; cell: number }[] {
  const { columns, rows, width, height } = reference;
  const scale = surfaceScale(width, height);
  return Array.from({ length: columns * rows }, (_, cell) => {
    const x = (((cell % columns) + 0.5) / columns) * width - 0.5;
    const y = ((Math.floor(cell / columns) + 0.5) / rows) * height - 0.5;
    return { x, y, u: (x - scale.centerX) / scale.radius, v: (y - scale.centerY) / scale.radius, cell };
  });
}

const eachColor = <T>(value: (color: 0 | 1 | 2) => T): PerColor<T> => [value(0), value(1), value(2)];

/**
 * Fits what must be taken off a frame, after scaling, so that its smooth sky equals the reference's: low
 * order, per colour, from sky cells that both see (P38, P41). The Milky Way turns with the stars and so is
 * in both; what is left is twilight, moonlight, airglow and cloud light.
 *
 * @param grid where reference pixels lie on the frame
 * @param scale the frame's `StackFrame.scale`
 */
export function fitLevel(
  reference: CoarseSky,
  frame: CoarseSky,
  grid: WarpGrid,
  scale: number,
): PerColor<Surface> {
  const cells = referenceCells(reference);
  return eachColor((color) => {
    const samples: Sample[] = [];
    for (const { x, y, u, v, cell } of cells) {
      const value = scale * skyAt(frame, color, ...gridPosition(grid, x, y)) - reference.level[color][cell]!;
      if (Number.isFinite(value)) samples.push({ u, v, value });
    }
    return fitSurface(samples);
  });
}

/** Fits the smooth sky of the reference itself: the level from which a star's signal is counted. */
export function fitSky(reference: CoarseSky): PerColor<Surface> {
  const cells = referenceCells(reference);
  return eachColor((color) =>
    fitSurface(
      cells
        .map(({ u, v, cell }) => ({ u, v, value: reference.level[color][cell]! }))
        .filter(({ value }) => Number.isFinite(value)),
    ),
  );
}

/**
 * Share of a white mosaic's variance that is left after demosaicing and resampling, per colour; `color` is
 * for frames that come with three planes. Measured on white noise over all sub-pixel phases (the last is
 * Lanczos-3's own, 0.8934^2); a test holds them.
 */
export const VARIANCE_KEPT: Readonly<Record<DemosaicMethod | 'color', PerColor<number>>> = {
  'gradient-corrected': [0.92, 0.722, 0.92],
  bilinear: [0.57, 0.58, 0.57],
  color: [0.798, 0.798, 0.798],
};

/** Share of a sky pixel's variance that is taken as read noise where the camera's gain is not known. */
const READ_SHARE = 0.2;

/**
 * Noise of a stack sample of one frame, for the clip: the frame's own measured sky noise, photon noise
 * growing with the level.
 *
 * @param sky the frame's own coarse sky
 * `scale` is the frame's scale, `level` what is taken off after scaling (its constant term is used),
 * `source` how the frame gets its three planes (default `gradient-corrected`).
 */
export function sampleVariance(
  sky: Pick<CoarseSky, 'noise' | 'median'>,
  options: {
    readonly scale: number;
    readonly level?: PerColor<Surface>;
    readonly source?: keyof typeof VARIANCE_KEPT;
  },
): PerColor<SampleVariance> {
  const { scale, level, source = 'gradient-corrected' } = options;
  return eachColor((color) => {
    const variance = sky.noise[color] ** 2 * VARIANCE_KEPT[source][color];
    const slope = sky.median[color] > 0 ? ((1 - READ_SHARE) * variance) / sky.median[color] : 0;
    const atZero = variance - slope * Math.max(0, sky.median[color]);
    const constant = scale * scale * atZero + scale * slope * (level?.[color][0] ?? 0);
    return { constant: Math.max(constant, READ_SHARE * scale * scale * variance), slope: scale * slope };
  });
}

/**
 * Weight of a frame: the inverse variance of its scaled sky, which is transparency^2 / noise^2 (P45).
 *
 * @param noise 1-sigma noise of the frame's green sky pixels, ADU
 * @param scale factor to the reference's light, 1/transparency x exposure ratio
 */
export function frameWeight(noise: number, scale: number): number {
  return 1 / (noise * scale) ** 2;
}
