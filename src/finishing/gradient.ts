import { median, quantile, SIGMA_PER_MAD } from '../core/index.js';
import { fitWeighted } from './_least-squares.js';
import { findSensorGlow, type SensorGlow } from './_sensor-glow.js';
import type { Survey } from './survey.js';
import type { BandTest, Rect } from './types.js';

/** The smooth light over the picture that is not the sky's own shape, on a grid of nodes, bilinear between. */
export interface SkyGradient {
  readonly rect: Rect;
  /** px of the stack between nodes; node (i, j) is at rect.x + i*step, rect.y + j*step. */
  readonly step: number;
  readonly columns: number;
  readonly rows: number;
  /** f32[3*rows*columns], camera colours, ADU; its mean over the sky is zero. */
  readonly nodes: Float32Array;
  /** How it was found, for the recipe. */
  readonly kind: 'band masked' | 'from below' | 'level';
  /** Glow of the sensor itself, where one was found. */
  readonly sensorGlow?: SensorGlow;
}

/** Direction in the stored picture that runs from ground to zenith. */
export type Vertical = 'x' | 'y';

const NODE_STEP = 16;

type Terms = (u: number, v: number) => number[];

/**
 * Without knowing where the band lies: a plane and a bend along the height only. Glow over a horizon bends along
 * the height; a surface that may bend every way would follow the galactic band and eat it.
 */
const stiffTerms =
  (vertical: Vertical): Terms =>
  (u, v) => [1, u, v, vertical === 'x' ? u * u : v * v];

/** With the band masked: every bend of second order, and the steeper rise toward a horizon. */
const freeTerms =
  (vertical: Vertical): Terms =>
  (u, v) => {
    const [h, w] = vertical === 'x' ? [u, v] : [v, u];
    return [1, u, v, u * u, u * v, v * v, h * h * h, h * h * w];
  };

/** Least share of the cells with sky that must lie outside the band for the free surface. */
const LEAST_OUTSIDE = 0.25;

/**
 * Fits the smooth gradient of the sky per colour. Where the pointing tells which cells show the galactic band,
 * they are left out and the surface may bend; else a stiff surface is fitted robustly and from below: cells that
 * stand above it (the band, glow of a bright star) lose their say, so that the band is not eaten (P41, P43). All
 * colours use the cells that green left in.
 */
export function fitSkyGradient(
  survey: Survey,
  options: { readonly vertical?: Vertical; readonly isBand?: BandTest | undefined } = {},
): SkyGradient {
  const { plan, levels } = survey;
  const { rect, cell, columns, rows } = plan;
  const { vertical = 'y', isBand } = options;
  const cells = columns * rows;
  const center = (index: number): readonly [number, number] => [
    rect.x + ((index % columns) + 0.5) * cell,
    rect.y + (Math.floor(index / columns) + 0.5) * cell,
  ];
  const scaled = (x: number, y: number): readonly [number, number] => [
    (2 * (x - rect.x)) / rect.width - 1,
    (2 * (y - rect.y)) / rect.height - 1,
  ];
  const good: number[] = [];
  for (let i = 0; i < cells; i++) {
    if ([0, 1, 2].every((color) => Number.isFinite(levels[color * cells + i]!))) good.push(i);
  }
  const places = good.map((index) => scaled(...center(index)));
  const masked = isBand === undefined ? undefined : good.map((index) => isBand(...center(index)));
  const outside = masked === undefined ? 0 : masked.filter((inBand) => !inBand).length;
  if (good.length < 24) return flatGradient(rect);
  const sensorGlow = findSensorGlow(survey, good, places, masked);
  const ofGlow = sensorGlow ? places.map(([u, v]) => sensorGlow.at(u, v)) : undefined;
  const values = [0, 1, 2].map((color) =>
    Float64Array.from(good, (index, k) => levels[color * cells + index]! - (ofGlow ? ofGlow[k]! : 0)),
  );
  const free = masked !== undefined && outside >= LEAST_OUTSIDE * good.length && spreadOut(places, masked);
  const terms = free ? freeTerms(vertical) : stiffTerms(vertical);
  const design = places.map(([u, v]) => terms(u, v));
  const weights = robustWeights(design, values[1]!, free ? masked : undefined);
  const coefficients = values.map((value) => fitWeighted(design, value, weights));
  const surface = (color: number, u: number, v: number): number =>
    terms(u, v).reduce((sum, term, i) => sum + term * (coefficients[color]![i] ?? 0), 0) +
    (sensorGlow ? sensorGlow.at(u, v) : 0);
  return {
    ...onNodes(rect, (color, x, y) => surface(color, ...scaled(x, y)), {
      good,
      center,
    }),
    kind: free ? 'band masked' : 'from below',
    ...(sensorGlow ? { sensorGlow: sensorGlow.found } : {}),
  };
}

/** Sky outside the band on both halves of the frame, both ways: else a bend would be a guess. */
function spreadOut(places: readonly (readonly [number, number])[], masked: readonly boolean[]): boolean {
  const counts = [0, 0, 0, 0];
  let total = 0;
  places.forEach(([u, v], k) => {
    if (masked[k]) return;
    total++;
    if (u < 0) counts[0]!++;
    else counts[1]!++;
    if (v < 0) counts[2]!++;
    else counts[3]!++;
  });
  return Math.min(...counts) > 0.12 * total;
}

/** Weights 0..1 of the cells: outliers lose their say, those above the surface sooner where the band is not known. */
function robustWeights(
  design: readonly (readonly number[])[],
  values: Float64Array,
  masked: readonly boolean[] | undefined,
): Float64Array {
  const open = Float64Array.from(values, (_, k) => (masked?.[k] ? 0 : 1));
  let weights = open;
  for (let pass = 0; pass < 12; pass++) {
    const fitted = fitWeighted(design, values, weights);
    const residuals = Float64Array.from(
      values,
      (value, k) => value - design[k]!.reduce((sum, term, i) => sum + term * fitted[i]!, 0),
    );
    const judged = residuals.filter((_, k) => open[k] === 1);
    const middle = quantile(judged, 0.5);
    // The scatter is taken from the lower half, which the band cannot widen.
    const low = masked ? middle : quantile(judged, 0.3);
    const lower = judged.filter((value) => value <= middle).map((value) => Math.abs(value - low));
    const spread = Math.max(1e-9, SIGMA_PER_MAD * median(lower));
    weights = Float64Array.from(residuals, (value, k) => {
      const far = masked ? (value - middle) / (3 * spread) : value / (2 * spread);
      return open[k]! / (1 + (far > 0 ? far : far / 2) ** 4);
    });
  }
  return weights;
}

function onNodes(
  rect: Rect,
  surface: (color: number, x: number, y: number) => number,
  sky: {
    readonly good: readonly number[];
    readonly center: (index: number) => readonly [number, number];
  },
): Omit<SkyGradient, 'kind'> {
  const step = NODE_STEP;
  const columns = Math.ceil(rect.width / step) + 1;
  const rows = Math.ceil(rect.height / step) + 1;
  const nodes = new Float32Array(3 * rows * columns);
  for (let color = 0; color < 3; color++) {
    const mean =
      sky.good.reduce((sum, index) => sum + surface(color, ...sky.center(index)), 0) / sky.good.length;
    for (let j = 0; j < rows; j++) {
      for (let i = 0; i < columns; i++) {
        nodes[(color * rows + j) * columns + i] = surface(color, rect.x + i * step, rect.y + j * step) - mean;
      }
    }
  }
  return { rect, step, columns, rows, nodes };
}

/** No gradient at all. */
export function flatGradient(rect: Rect): SkyGradient {
  const step = NODE_STEP;
  const columns = Math.ceil(rect.width / step) + 1;
  const rows = Math.ceil(rect.height / step) + 1;
  return { rect, step, columns, rows, nodes: new Float32Array(3 * rows * columns), kind: 'level' };
}

/** Value of the gradient at pixel (x, y) of the stack, its own mean off, ADU. */
export function gradientAt(gradient: SkyGradient, color: number, x: number, y: number): number {
  const { rect, step, columns, rows, nodes } = gradient;
  const gx = Math.min(columns - 1.001, Math.max(0, (x - rect.x) / step));
  const gy = Math.min(rows - 1.001, Math.max(0, (y - rect.y) / step));
  const i = Math.floor(gx);
  const j = Math.floor(gy);
  const at = (color * rows + j) * columns + i;
  const top = nodes[at]! + (gx - i) * (nodes[at + 1]! - nodes[at]!);
  const bottom = nodes[at + columns]! + (gx - i) * (nodes[at + columns + 1]! - nodes[at + columns]!);
  return top + (gy - j) * (bottom - top);
}

/** The gradient along one row of its rectangle, times `share`, ADU. @param out f32[rect.width or more] */
export function gradientRow(
  gradient: SkyGradient,
  color: number,
  y: number,
  share: number,
  out: Float32Array,
): void {
  const { rect, step, columns, rows, nodes } = gradient;
  const gy = Math.min(rows - 1.001, Math.max(0, (y - rect.y) / step));
  const j = Math.floor(gy);
  const part = gy - j;
  const at = (color * rows + j) * columns;
  for (let i = 0; i + 1 < columns; i++) {
    const left = share * (nodes[at + i]! + part * (nodes[at + columns + i]! - nodes[at + i]!));
    const right = share * (nodes[at + i + 1]! + part * (nodes[at + columns + i + 1]! - nodes[at + i + 1]!));
    const slope = (right - left) / step;
    const end = Math.min(step, rect.width - i * step);
    for (let k = 0; k < end; k++) out[i * step + k] = left + k * slope;
  }
}
