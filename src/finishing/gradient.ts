import { median, quantile, SIGMA_PER_MAD } from '../core/index.js';
import {
  BAND_EXPECTED,
  bandTerms,
  type Cell,
  expectedOf,
  freeTerms,
  pullOf,
  stiffTerms,
  weightOf,
} from './_gradient-terms.js';
import { fitWeighted } from './_least-squares.js';
import { findSensorGlow, type SensorGlow } from './_sensor-glow.js';
import type { Survey } from './survey.js';
import type { Rect, SkyAt } from './types.js';

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
  readonly kind: 'band known' | 'from below' | 'level';
  /** Glow of the sensor itself, where one was found. */
  readonly sensorGlow?: SensorGlow;
}

/** Direction in the stored picture that runs from ground to zenith. */
export type Vertical = 'x' | 'y';

const NODE_STEP = 16;

/**
 * Fits the smooth gradient of the sky per colour. Where the pointing tells which cells show the galactic band,
 * they are left out and the surface may bend; else a stiff surface is fitted robustly and from below: cells that
 * stand above it (the band, glow of a bright star) lose their say, so that the band is not eaten (P41, P43). All
 * colours use the cells that green left in.
 */
export function fitSkyGradient(
  survey: Survey,
  options: { readonly vertical?: Vertical; readonly skyAt?: SkyAt | undefined } = {},
): SkyGradient {
  const { plan, levels } = survey;
  const { rect, cell, columns, rows } = plan;
  const cells = columns * rows;
  const cellAt = cellMaker(rect, options);
  const center = (index: number): readonly [number, number] => [
    rect.x + ((index % columns) + 0.5) * cell,
    rect.y + (Math.floor(index / columns) + 0.5) * cell,
  ];
  const good: number[] = [];
  for (let i = 0; i < cells; i++) {
    if ([0, 1, 2].every((color) => Number.isFinite(levels[color * cells + i]!))) good.push(i);
  }
  if (good.length < 24) return flatGradient(rect);
  const places = good.map((index) => cellAt(...center(index)));
  const known = places.every(({ place }) => place !== undefined && Number.isFinite(place.latitude));
  const sensorGlow = findSensorGlow(survey, good);
  const glowAt = (color: number, x: number, y: number): number =>
    sensorGlow ? sensorGlow.at(color, x, y) : 0;
  const values = [0, 1, 2].map((color) =>
    Float64Array.from(good, (index) => levels[color * cells + index]! - glowAt(color, ...center(index))),
  );
  const terms = known ? freeTerms : stiffTerms;
  const design = places.map((at) => (known ? [...terms(at), ...bandTerms(at.place!)] : terms(at)));
  const open = Float64Array.from(places, (at) => (known ? weightOf(at.place!) : 1));
  const pull = known
    ? [...expectedOf(survey, places[0]!.place!.altitude !== undefined), ...BAND_EXPECTED].map((share) =>
        pullOf(
          share,
          open.reduce((sum, w) => sum + w, 0),
        ),
      )
    : 1e-3;
  const weights = robustWeights(design, values[1]!, open, { known, pull });
  const coefficients = values.map((value) => fitWeighted(design, value, weights, pull));
  // Where the band is not known, what stands above the surface has lost its say already.
  const tint = fitTint({ places, design, values, coefficients, open: known ? open : weights });
  const surface = (color: number, x: number, y: number): number => {
    const at = cellAt(x, y);
    const own = terms(at).reduce((sum, term, i) => sum + term * coefficients[color]![i]!, 0);
    return own + tint(color, at) + glowAt(color, x, y);
  };
  return {
    ...onNodes(rect, surface, { good, center }),
    kind: known ? 'band known' : 'from below',
    ...(sensorGlow ? { sensorGlow: sensorGlow.found } : {}),
  };
}

/** Every bend up to the third order, without the constant. */
const tintTerms = ({ u, v }: Cell): number[] => [
  ...[u, v, u * u, u * v, v * v],
  ...[u * u * u, u * u * v, u * v * v, v * v * v],
];

/** Pull on a tint's bends; a colour cast is seen sooner than a difference of brightness, so it is let bend freely. */
const TINT_PULL = 2e-3;

/**
 * What is left of red and blue against green once the smooth surfaces are off, as a freer surface: tints of a corner
 * or of a horizon. The band and its stars tint little and count little.
 */
function fitTint(fit: {
  readonly places: readonly Cell[];
  readonly design: readonly (readonly number[])[];
  readonly values: readonly Float64Array[];
  readonly coefficients: readonly (readonly number[])[];
  readonly open: Float64Array;
}): (color: number, at: Cell) => number {
  const { places, design, values, coefficients, open } = fit;
  const left = values.map((value, color) =>
    value.map((v, k) => v - design[k]!.reduce((sum, term, i) => sum + term * coefficients[color]![i]!, 0)),
  );
  const mean = values.map((value) => Math.max(1e-6, median(value)));
  const bends = places.map((at) => [1, ...tintTerms(at)]);
  const found = [0, 2].map((color) => {
    const difference = left[color]!.map((v, k) => v - (left[1]![k]! * mean[color]!) / mean[1]!);
    const weights = robustWeights(bends, difference, open, { known: true, pull: TINT_PULL });
    return fitWeighted(bends, difference, weights, TINT_PULL).slice(1);
  });
  return (color, at) => {
    if (color === 1) return 0;
    const own = found[color === 0 ? 0 : 1]!;
    return tintTerms(at).reduce((sum, term, i) => sum + term * own[i]!, 0);
  };
}

/** Makes what the terms want to know of a place of the stack. */
function cellMaker(
  rect: Rect,
  { vertical = 'y', skyAt }: { readonly vertical?: Vertical; readonly skyAt?: SkyAt | undefined },
): (x: number, y: number) => Cell {
  const half = Math.hypot(rect.width, rect.height) / 2;
  return (x, y) => {
    const u = (2 * (x - rect.x)) / rect.width - 1;
    const v = (2 * (y - rect.y)) / rect.height - 1;
    const r2 = ((u * rect.width) / 2 / half) ** 2 + ((v * rect.height) / 2 / half) ** 2;
    const [h, w] = vertical === 'x' ? [u, v] : [v, u];
    return { u, v, h, w, r2, place: skyAt?.(x, y) };
  };
}

/** Weights of the cells: outliers lose their say, those above the surface sooner where the band is not known. */
function robustWeights(
  design: readonly (readonly number[])[],
  values: Float64Array,
  open: Float64Array,
  { known, pull }: { readonly known: boolean; readonly pull: number | readonly number[] },
): Float64Array {
  let weights = open;
  for (let pass = 0; pass < 12; pass++) {
    const fitted = fitWeighted(design, values, weights, pull);
    const residuals = Float64Array.from(
      values,
      (value, k) => value - design[k]!.reduce((sum, term, i) => sum + term * fitted[i]!, 0),
    );
    const judged = residuals.filter((_, k) => open[k]! > 0.2);
    const middle = quantile(judged, 0.5);
    // The scatter is taken from the lower half, which the band cannot widen.
    const low = known ? middle : quantile(judged, 0.3);
    const lower = judged.filter((value) => known || value <= middle).map((value) => Math.abs(value - low));
    const spread = Math.max(1e-9, SIGMA_PER_MAD * median(lower));
    weights = Float64Array.from(residuals, (value, k) => {
      const far = known ? value / (2.5 * spread) : value / (2 * spread);
      return open[k]! / (1 + (far > 0 || known ? far : far / 2) ** 4);
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
