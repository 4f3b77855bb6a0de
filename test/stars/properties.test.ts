import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { makeMask, makePlane, type Plane, STAR_FLAGS, seededRandom } from '../../src/core/index.js';
import { modeOfSorted } from '../../src/stars/_mesh.js';
import { estimateBackground, measureFrame } from '../../src/stars/index.js';
import { addNoise, placeStars, renderStars } from './_field.js';
import { nearestStar } from './_match.js';

const OPTIONS = { saturation: 60_000, quantization: 0 } as const;

function field(seed: number): Plane {
  const random = seededRandom(seed);
  const size = { width: 256, height: 256 };
  const truth = placeStars(random, 30, { ...size, apart: 24, border: 40, flux: (r) => 800 / (0.05 + r()) });
  const trail = { length: 5 * random(), angle: 180 * random() };
  return addNoise(renderStars(truth, { ...size, sigma: 1.1 + random(), trail }), 300, 8, random);
}

describe('measureFrame, for any field', () => {
  const seeds = fc.integer({ min: 1, max: 1e6 });

  it('keeps widths and elongation when the light is multiplied', () => {
    fc.assert(
      fc.property(seeds, fc.double({ min: 0.25, max: 4, noNaN: true }), (seed, factor) => {
        const plane = field(seed);
        const one = measureFrame(plane, OPTIONS);
        const many = measureFrame(
          { ...plane, data: plane.data.map((v) => v * factor) },
          { ...OPTIONS, saturation: 60_000 * factor },
        );
        expect(many.stars.count).toBe(one.stars.count); // exact: nothing depends on the unit
        expect(Math.abs(many.fwhm / one.fwhm - 1)).toBeLessThan(2e-3); // the fit stops at 1e-4 of its cost
        expect(Math.abs(many.elongation / one.elongation - 1)).toBeLessThan(4e-3); // likewise
      }),
      { numRuns: 6 },
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
        expect(Math.abs(other.stars.count - one.stars.count)).toBeLessThanOrEqual(1); // the mesh lattice is staggered one way: a peak at the limit may change sides
        for (let i = 0; i < one.stars.count; i++) {
          if (one.stars.snr[i]! < 20) continue;
          const row = nearestStar(other.stars, one.stars.y[i]!, one.stars.x[i]!, 1);
          expect(row).toBeGreaterThanOrEqual(0);
          expect(Math.abs(other.stars.x[row]! - one.stars.y[i]!)).toBeLessThan(0.01); // px: background differs by its sampling error
        }
      }),
      { numRuns: 6 },
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
          for (let i = 0; i < one.stars.count; i++) {
            if (one.stars.snr[i]! < 20) continue;
            const row = nearestStar(other.stars, one.stars.x[i]! + dx, one.stars.y[i]! + dy, 1);
            expect(row).toBeGreaterThanOrEqual(0);
            expect(Math.abs(other.stars.x[row]! - one.stars.x[i]! - dx)).toBeLessThan(0.01); // px: another mesh cell, another background sample
          }
        },
      ),
      { numRuns: 6 },
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
