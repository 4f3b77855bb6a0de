import { median, quantile, SIGMA_PER_MAD } from '../core/index.js';
import { balance } from './_balance.js';
import { fitWeighted } from './_least-squares.js';
import type { Survey } from './survey.js';

/** A glow of the sensor's own electronics from a place on its edge. */
export interface SensorGlow {
  /** Where it is brightest, as shares of the crop's width and height. */
  readonly x: number;
  readonly y: number;
  /** ADU of green at its brightest; the same in every colour of the sensor. */
  readonly level: number;
}

type Place = readonly [number, number];

/** Places on the edge in u, v, how far the glow may reach, in halves of the longer side, and how oblong it may be. */
const PLACES: readonly Place[] = [-1, -0.66, -0.33, 0, 0.33, 0.66, 1].flatMap((t): Place[] => [
  [t, -1],
  [t, 1],
  [-1, t],
  [1, t],
]);
const REACHES = [0.12, 0.18, 0.27, 0.4];
const ASPECTS = [0.6, 1, 1.67];

/** Share of the peak below which the shape no longer counts as glow, and from which on it does fully. */
const FADE = [0.02, 0.08] as const;

/** Cells either way over which the glow is smoothed. */
const SMOOTH = 2;

/**
 * Looks for the glow of a sensor's amplifier. It is light that never passed the colour filter, so it is equal in
 * the raw red, green and blue; once balanced it shows magenta at an edge. No light of the sky does both: come from
 * one place on the edge, and be equal before balance. A simple shape finds it; how much there is at each place is
 * then read from the magenta itself, cell by cell. With darks taken off there is none.
 *
 * @param good cells with sky
 * @returns the glow and its value at a place of the stack, px, in ADU; undefined when there is none
 */
export function findSensorGlow(
  survey: Survey,
  good: readonly number[],
): { readonly found: SensorGlow; readonly at: (color: number, x: number, y: number) => number } | undefined {
  const { plan, levels } = survey;
  const { columns, rows, rect } = plan;
  const [red, , blue] = balance(plan).multipliers;
  const excess = (red + blue) / 2 - 1;
  // A finished picture was balanced by the camera: there the glow's own colours tell its share in each.
  const balancedBefore = !(excess > 0.2);
  const cells = columns * rows;
  const level = (color: number, index: number): number => levels[color * cells + index]!;
  const magenta = Float64Array.from(
    good,
    (index) => (red * level(0, index) + blue * level(2, index)) / 2 - level(1, index),
  );
  const places = good.map(
    (index): Place => [
      (2 * ((index % columns) + 0.5)) / columns - 1,
      (2 * (Math.floor(index / columns) + 0.5)) / rows - 1,
    ],
  );
  const best = bestShape(places, magenta, [rect.width, rect.height]);
  if (!best) return undefined;
  const { shape, place } = best;
  const even = new Float64Array(good.length).fill(1);
  const design = places.map(([u, v]) => [1, u, v, u * u, v * v, shape(u, v)]);
  const own = [0, 1, 2].map(
    (color) =>
      fitWeighted(
        design,
        Float64Array.from(good, (index) => level(color, index)),
        even,
        0,
      )[5]!,
  );
  const plain = places.map(([u, v]) => [1, u, v, shape(u, v)]);
  const fit = fitWeighted(plain, magenta, even, 0);
  const share = [0, 1, 2].map((color) =>
    balancedBefore ? Math.max(0, own[color]!) / Math.max(1e-9, fit[3]!) : 1 / excess,
  );
  // The same in the colours of the sensor, and plainly above the noise of the cells.
  const base = magenta.map((value, k) => value - fit[3]! * plain[k]![3]!);
  const middle = median(base);
  const noise = SIGMA_PER_MAD * median(base.map((value) => Math.abs(value - middle)));
  const peak =
    quantile(
      plain.map((row) => row[3]!),
      0.99,
    ) * fit[3]!;
  const least = balancedBefore ? 1.1 * Math.max(0, own[1]!) : (0.3 * fit[3]!) / excess;
  if (!(Math.min(own[0]!, own[2]!) > least) || !(peak > 4 * noise)) return undefined;
  const glow = new Float64Array(cells).fill(Number.NaN);
  good.forEach((index, k) => {
    const [u, v] = places[k]!;
    const sky = fit[0]! + fit[1]! * u + fit[2]! * v;
    glow[index] = magenta[k]! - sky;
  });
  const magentaAt = faded(smoothed(glow, columns, rows, shape), survey, shape);
  return {
    found: { x: (place[0] + 1) / 2, y: (place[1] + 1) / 2, level: fit[3]! * share[1]! },
    at: (color, x, y) => share[color]! * magentaAt(x, y),
  };
}

interface Shape {
  readonly shape: (u: number, v: number) => number;
  readonly place: Place;
}

/** The place and reach that explain the magenta best, where they explain most of it. */
function bestShape(
  places: readonly Place[],
  magenta: Float64Array,
  [width, height]: Place,
): Shape | undefined {
  const even = new Float64Array(places.length).fill(1);
  const half = Math.max(width, height) / 2;
  const [wide, high] = [width / 2 / half, height / 2 / half];
  const left = (design: readonly number[][]): number => {
    const fit = fitWeighted(design, magenta, even, 0);
    if (fit[3] !== undefined && !(fit[3] > 0)) return Number.POSITIVE_INFINITY;
    return design.reduce(
      (sum, row, k) => sum + (magenta[k]! - row.reduce((total, term, i) => total + term * fit[i]!, 0)) ** 2,
      0,
    );
  };
  const before = left(places.map(([u, v]) => [1, u, v]));
  let least = 0.4 * before;
  let best: Shape | undefined;
  for (const place of PLACES) {
    for (const reach of REACHES) {
      for (const aspect of ASPECTS) {
        const [rx, ry] = [reach / Math.sqrt(aspect), reach * Math.sqrt(aspect)];
        const shape = (u: number, v: number): number =>
          Math.exp(-Math.hypot(((u - place[0]) * wide) / rx, ((v - place[1]) * high) / ry));
        const after = left(places.map(([u, v]) => [1, u, v, shape(u, v)]));
        if (after < least) {
          least = after;
          best = { shape, place };
        }
      }
    }
  }
  return best;
}

/** Means over neighbouring cells; where there are none, the value the shape would have from the cells around. */
function smoothed(
  glow: Float64Array,
  columns: number,
  rows: number,
  shape: (u: number, v: number) => number,
): Float64Array {
  const out = new Float64Array(glow.length);
  const shapeAt = (i: number, j: number) => shape((2 * (i + 0.5)) / columns - 1, (2 * (j + 0.5)) / rows - 1);
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      let sum = 0;
      let weight = 0;
      for (let reach = SMOOTH; weight === 0 && reach < Math.max(columns, rows); reach *= 2) {
        for (let y = Math.max(0, j - reach); y <= Math.min(rows - 1, j + reach); y++) {
          for (let x = Math.max(0, i - reach); x <= Math.min(columns - 1, i + reach); x++) {
            const value = glow[y * columns + x]!;
            if (Number.isNaN(value)) continue;
            // In ratio to the shape, so that a steep glow is not flattened at its edge.
            sum += value;
            weight += shapeAt(x, y);
          }
        }
      }
      out[j * columns + i] = weight > 0 ? (sum / weight) * shapeAt(i, j) : 0;
    }
  }
  return out;
}

/** The glow between the cells' middles, gone where the shape is: the sky's own colours far from it stay. */
function faded(
  glow: Float64Array,
  { plan }: Survey,
  shape: (u: number, v: number) => number,
): (x: number, y: number) => number {
  const { rect, cell, columns, rows } = plan;
  return (x, y) => {
    const gx = Math.min(columns - 1, Math.max(0, (x - rect.x) / cell - 0.5));
    const gy = Math.min(rows - 1, Math.max(0, (y - rect.y) / cell - 0.5));
    const i = Math.min(columns - 2, Math.floor(gx));
    const j = Math.min(rows - 2, Math.floor(gy));
    const at = j * columns + i;
    const top = glow[at]! + (gx - i) * (glow[at + 1]! - glow[at]!);
    const bottom = glow[at + columns]! + (gx - i) * (glow[at + columns + 1]! - glow[at + columns]!);
    const part = shape((2 * (x - rect.x)) / rect.width - 1, (2 * (y - rect.y)) / rect.height - 1);
    const fade = Math.min(1, Math.max(0, (part - FADE[0]) / (FADE[1] - FADE[0])));
    return Math.max(0, fade * (top + (gy - j) * (bottom - top)));
  };
}
