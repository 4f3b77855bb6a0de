import { median, SIGMA_PER_MAD } from '../core/index.js';
import { balance } from './_balance.js';
import { fitWeighted } from './_least-squares.js';
import type { Survey } from './survey.js';

/** A glow of the sensor's own electronics from a place on its edge. */
export interface SensorGlow {
  /** Where it is brightest, as shares of the crop's width and height, and how far it falls to 1/e, likewise. */
  readonly x: number;
  readonly y: number;
  readonly reachX: number;
  readonly reachY: number;
  /** ADU at its brightest, the same in every colour of the sensor. */
  readonly level: number;
}

type Place = readonly [number, number];

/** Places on the edge in u, v, and how far the glow may reach, in halves of the longer side. */
const PLACES: readonly Place[] = [-1, -0.66, -0.33, 0, 0.33, 0.66, 1].flatMap((t): Place[] => [
  [t, -1],
  [t, 1],
  [-1, t],
  [1, t],
]);
const REACHES = [0.12, 0.18, 0.27, 0.4];
const ASPECTS = [0.6, 1, 1.67];

/**
 * Looks for the glow of a sensor's amplifier. It is light that never passed the colour filter, so it is equal in
 * the raw red, green and blue; once balanced it shows magenta in a corner. No light of the sky does both: come
 * from one place on the edge, and be equal before balance. With darks taken off there is none.
 *
 * @param good cells with sky; `places` their u, v; `masked` true where the band lies
 * @returns the glow and its value at u, v in ADU; undefined when there is none
 */
export function findSensorGlow(
  survey: Survey,
  good: readonly number[],
  places: readonly Place[],
  masked: readonly boolean[] | undefined,
): { readonly found: SensorGlow; readonly at: (u: number, v: number) => number } | undefined {
  const { plan, levels } = survey;
  const [red, , blue] = balance(plan).multipliers;
  const excess = (red + blue) / 2 - 1;
  if (!(excess > 0.2)) return undefined;
  const cells = plan.columns * plan.rows;
  const level = (color: number, k: number): number => levels[color * cells + good[k]!]!;
  const magenta = Float64Array.from(
    good,
    (_, k) => (red * level(0, k) + blue * level(2, k)) / 2 - level(1, k),
  );
  const half = Math.max(plan.rect.width, plan.rect.height) / 2;
  const [wide, high] = [plan.rect.width / 2 / half, plan.rect.height / 2 / half];
  const weights = Float64Array.from(good, (_, k) => (masked?.[k] ? 0.3 : 1));
  const residual = (design: readonly number[][], fit: readonly number[], values: ArrayLike<number>): number =>
    design.reduce((sum, row, k) => {
      const miss = values[k]! - row.reduce((total, term, i) => total + term * fit[i]!, 0);
      return sum + weights[k]! * miss * miss;
    }, 0);
  const plain = places.map(([u, v]) => [1, u, v]);
  const before = residual(plain, fitWeighted(plain, magenta, weights, 0), magenta);
  let best:
    | { shape: (u: number, v: number) => number; after: number; place: Place; reach: Place }
    | undefined;
  for (const place of PLACES) {
    for (const reach of REACHES) {
      for (const aspect of ASPECTS) {
        const reaches: Place = [reach / Math.sqrt(aspect), reach * Math.sqrt(aspect)];
        const shape = (u: number, v: number): number =>
          Math.exp(-Math.hypot(((u - place[0]) * wide) / reaches[0], ((v - place[1]) * high) / reaches[1]));
        const design = places.map(([u, v]) => [1, u, v, shape(u, v)]);
        const fit = fitWeighted(design, magenta, weights, 0);
        if (!(fit[3]! > 0)) continue;
        const after = residual(design, fit, magenta);
        if (!best || after < best.after) best = { shape, after, place, reach: reaches };
      }
    }
  }
  if (!best || best.after > 0.4 * before) return undefined;
  const { shape, place, reach } = best;
  // The same in the three colours of the sensor, or it is no glow of the sensor.
  const design = places.map(([u, v]) => [1, u, v, u * u, v * v, shape(u, v)]);
  const own = [0, 1, 2].map(
    (color) =>
      fitWeighted(
        design,
        Float64Array.from(good, (_, k) => level(color, k)),
        weights,
        0,
      )[5]!,
  );
  const fromColor =
    fitWeighted(
      places.map(([u, v]) => [1, u, v, shape(u, v)]),
      magenta,
      weights,
      0,
    )[3]! / excess;
  if (!(Math.min(own[0]!, own[2]!) > 0.4 * fromColor)) return undefined;
  // And plainly above the noise of the cells.
  const middle = median(magenta);
  const noise = SIGMA_PER_MAD * median(magenta.map((value) => Math.abs(value - middle)));
  if (!(fromColor * excess > 3 * noise)) return undefined;
  return {
    found: {
      x: (place[0] + 1) / 2,
      y: (place[1] + 1) / 2,
      reachX: reach[0] / wide / 2,
      reachY: reach[1] / high / 2,
      level: fromColor,
    },
    at: (u, v) => fromColor * shape(u, v),
  };
}
