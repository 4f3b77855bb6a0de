import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  makeMask,
  makePlane,
  mean,
  type Plane,
  STAR_FLAGS,
  type StarTable,
  seededRandom,
} from '../../src/core/index.js';
import { modeOfSorted } from '../../src/stars/_mesh.js';
import { estimateBackground, measureFrame } from '../../src/stars/index.js';
import { addNoise, placeStars, renderStars } from './_field.js';
import { nearestStar } from './_match.js';

const RUNS = process.env.NIGHTCAIRN_FULL ? 1000 : 6;
const OPTIONS = { saturation: 60_000, quantization: 0 } as const;

function field(seed: number): Plane {
  const random = seededRandom(seed);
  const size = { width: 256, height: 256 };
  const truth = placeStars(random, 30, { ...size, apart: 24, border: 40, flux: (r) => 800 / (0.05 + r()) });
  const trail = { length: 5 * random(), angle: 180 * random() };
  return addNoise(renderStars(truth, { ...size, sigma: 1.1 + random(), trail }), 300, 8, random);
}

/**
 * Largest difference of place that another sampling of the background may make, px: half a star's own error
 * (a fifth is the most seen in 70,000 stars) and the floor that the fit's stopping rule leaves.
 */
function placeTolerance(stars: StarTable, i: number): number {
  return 0.5 * stars.positionError[i]! + 1e-3;
}

/** Every clear star of one table has its like in another, where `carry` says. */
function expectIn(other: StarTable, one: StarTable, carry: (x: number, y: number) => [number, number]): void {
  const shares: number[] = [];
  for (let i = 0; i < one.count; i++) {
    // Clear stars only: whether one at the limit of detection is found may hang on the background.
    if (one.snr[i]! < 20) continue;
    const [x, y] = carry(one.x[i]!, one.y[i]!);
    const row = nearestStar(other, x, y, 1);
    expect(row).toBeGreaterThanOrEqual(0);
    const away = Math.max(Math.abs(other.x[row]! - x), Math.abs(other.y[row]! - y));
    expect(away).toBeLessThan(placeTolerance(one, i)); // px: half the star's own error
    shares.push((away / one.positionError[i]!) ** 2);
  }
  expect(Math.sqrt(mean(shares))).toBeLessThan(0.1); // of the error, over the field: the pixels are the same
}

describe('measureFrame, for any field', () => {
  const seeds = fc.integer({ min: 1, max: 1e6 });

  it('measures the same when the light is multiplied', () => {
    fc.assert(
      // By powers of two floats scale without rounding, so that equality holds for every field.
      fc.property(seeds, fc.integer({ min: -3, max: 4 }), (seed, power) => {
        const factor = 2 ** power;
        const plane = field(seed);
        const one = measureFrame(plane, OPTIONS);
        const many = measureFrame(
          { ...plane, data: plane.data.map((v) => v * factor) },
          { ...OPTIONS, saturation: 60_000 * factor },
        );
        for (const column of ['x', 'y', 'fwhm', 'elongation', 'theta', 'snr', 'flags'] as const)
          expect(many.stars[column]).toEqual(one.stars[column]); // exact: nothing depends on the unit
        expect(many.stars.flux).toEqual(one.stars.flux.map((v) => v * factor)); // exact, likewise
      }),
      { numRuns: RUNS },
    );
  });

  it('swaps x and y with the plane', () => {
    fc.assert(
      fc.property(seeds, (seed) => {
        const plane = field(seed);
        const turned = makePlane(256, 256);
        for (let y = 0; y < 256; y++)
          for (let x = 0; x < 256; x++) turned.data[x * 256 + y] = plane.data[y * 256 + x]!;
        const one = measureFrame(plane, OPTIONS);
        const other = measureFrame(turned, OPTIONS);
        expectIn(other.stars, one.stars, (x, y) => [y, x]);
        expectIn(one.stars, other.stars, (x, y) => [y, x]);
      }),
      { numRuns: RUNS },
    );
  });

  it('moves centroids with a whole-pixel shift', () => {
    fc.assert(
      fc.property(
        seeds,
        fc.integer({ min: -16, max: 16 }),
        fc.integer({ min: -16, max: 16 }),
        (seed, dx, dy) => {
          const plane = field(seed);
          const moved = makePlane(256, 256);
          for (let y = 0; y < 256; y++) {
            for (let x = 0; x < 256; x++) {
              moved.data[((y + dy + 256) % 256) * 256 + ((x + dx + 256) % 256)] = plane.data[y * 256 + x]!;
            }
          }
          const one = measureFrame(plane, OPTIONS);
          const other = measureFrame(moved, OPTIONS);
          expectIn(other.stars, one.stars, (x, y) => [x + dx, y + dy]);
          expectIn(one.stars, other.stars, (x, y) => [x - dx, y - dy]);
        },
      ),
      { numRuns: RUNS },
    );
  });

  it('measures what is left when data are missing, masked or saturated (L61, L62, L63, L65)', () => {
    const plane = field(7);
    const whole = measureFrame(plane, OPTIONS);
    plane.data.fill(Number.NaN, 0, 60 * 256);
    const brightest = 0;
    const x = Math.round(whole.stars.x[brightest]!);
    const y = Math.round(whole.stars.y[brightest]!);
    if (y > 64) plane.data[y * 256 + x] = Number.POSITIVE_INFINITY;
    const cut = measureFrame(plane, OPTIONS);
    expect(cut.stars.count).toBeGreaterThan(whole.stars.count * 0.6); // 196 of 256 rows left, fewer stars by chance
    for (let i = 0; i < cut.stars.count; i++) expect(cut.stars.y[i]).toBeGreaterThan(58); // px: a window may lean over the gap
    const limit = whole.stars.peak[brightest]! * 0.5 + whole.background;
    const saturated = measureFrame(field(7), { ...OPTIONS, saturation: limit });
    const row = nearestStar(saturated.stars, whole.stars.x[brightest]!, whole.stars.y[brightest]!, 1.5);
    expect(saturated.stars.flags[row]! & STAR_FLAGS.SATURATED.bit).toBe(STAR_FLAGS.SATURATED.bit); // exact
    expect(saturated.clippedShare).toBeGreaterThan(0); // exact: it has clipped pixels
    const mask = makeMask(256, 256);
    mask.data.fill(1);
    const nothing = measureFrame(field(7), { ...OPTIONS, mask });
    expect(nothing.stars.count).toBe(0); // exact: everything is masked
    expect(nothing.background).toBeNaN();
    expect(nothing.landLevel).toBeGreaterThan(250); // ADU: the masked sky itself is 300
  });
});

describe('estimateBackground', () => {
  it('takes the mode, or the median of a crowded field (checks D-BKG-1)', () => {
    const mode = (values: number[]): number =>
      modeOfSorted(Float32Array.from(values).sort(), values.length).level;
    // Tied values are spread over their step here: the plain mode of v is 10.3125 with a median of 10.5.
    expect(Math.abs(mode([10, 11, 12, 10, 9, 11, 10, 12]) - 10.3125)).toBeLessThan(0.5); // ADU: half a step of whole ADU
    // The outlier 30 leaves by clipping, or the field counts as crowded: never the 6.9 of the plain formula.
    expect(mode([10, 11, 12, 10, 9, 11, 10, 30])).toBeGreaterThan(9.9); // ADU
  });

  it('leaves no bump under a bright star and continues under a mask (L66, L67)', () => {
    const random = seededRandom(3);
    const size = { width: 320, height: 320 };
    const plane = addNoise(
      renderStars([{ x: 160, y: 160, flux: 2e6 }], { ...size, sigma: 4 }),
      200,
      5,
      random,
    );
    const background = estimateBackground(plane);
    expect(Math.abs(background.level.data[160 * 320 + 160]! - 200)).toBeLessThan(1.5); // ADU: 0.3 of the noise under a star of 20,000 ADU
    const mask = makeMask(320, 320);
    for (let y = 200; y < 320; y++) {
      for (let x = 0; x < 320; x++) {
        mask.data[y * 320 + x] = 1;
        plane.data[y * 320 + x] = 9000;
      }
    }
    const masked = estimateBackground(plane, { mask });
    expect(Math.abs(masked.level.data[310 * 320 + 20]! - 200)).toBeLessThan(2); // ADU: continued from the sky above
    expect(Math.abs(masked.noise - 5)).toBeLessThan(0.4); // ADU: 8 % sampling error of a cell
  });
});
