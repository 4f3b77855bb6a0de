import { describe, expect, it } from 'vitest';
import { FWHM_PER_SIGMA, median, seededRandom } from '../../src/core/index.js';
import { measureFrame } from '../../src/stars/index.js';
import { addNoise, placeStars, renderStars } from './_field.js';
import { nearestStar } from './_match.js';

const FULL = process.env.NIGHTCAIRN_FULL === '1';

describe('centroids', () => {
  // checks D-CEN: F, sigma, noise a pixel
  for (const [flux, sigma, noise] of [
    [1000, 1.5, 5],
    [5000, 1.2, 10],
    [2000, 2, 5],
  ] as const) {
    it(`scatter within 1.3 of the limit at flux ${flux}, sigma ${sigma}, noise ${noise}`, () => {
      const random = seededRandom(5);
      const size = { width: 500, height: 500 };
      const truth = placeStars(random, 220, { ...size, apart: 24, border: 12, flux: () => flux });
      const plane = addNoise(renderStars(truth, { ...size, sigma }), 100, noise, random);
      const measured = measureFrame(plane, { saturation: 60_000, quantization: 0, streaks: false });
      let squares = 0;
      let n = 0;
      const claimed: number[] = [];
      for (const star of truth) {
        const row = nearestStar(measured.stars, star.x, star.y, 1.5);
        if (row < 0) continue;
        squares += (measured.stars.x[row]! - star.x) ** 2 + (measured.stars.y[row]! - star.y) ** 2;
        n += 2;
        claimed.push(measured.stars.positionError[row]!);
      }
      expect(n / 2).toBe(truth.length); // exact: signal-to-noise is 32 and more
      const variance = sigma ** 2 + 1 / 12;
      const limit = (Math.sqrt(8 * Math.PI) * variance * noise) / flux;
      const scatter = Math.sqrt(squares / n);
      expect(scatter / limit).toBeLessThan(1.3); // the issue's own bound; 440 draws hold it to 3.4 %
      expect(Math.abs(median(claimed) / scatter - 1)).toBeLessThan(0.25); // quoted errors: noise estimate 6 %, chi-square 10 %, draws 3 %
      expect(Math.abs(measured.fwhm / (FWHM_PER_SIGMA * Math.sqrt(variance)) - 1)).toBeLessThan(0.03); // the issue's own bound
    });
  }
});

describe('trails', () => {
  const cases: [number, number, number][] = [];
  for (const coma of [0, 3]) {
    for (const length of FULL ? [1, 1.5, 2, 3, 4, 6, 8, 11, 14, 17, 20] : [1, 4, 20]) {
      for (const angle of FULL ? [0, 17, 33, 60, 90, 111, 137, 165] : [coma === 0 ? 33 : 137]) {
        cases.push([length, angle, coma]);
      }
    }
  }
  for (const [length, angle, coma] of cases) {
    it(`${length} px at ${angle} deg, coma ${coma} px, is read within 0.3 px and 5 % (P04)`, () => {
      const random = seededRandom(length * 7 + angle);
      const size = { width: 720, height: 560 };
      const truth = placeStars(random, 150, {
        ...size,
        apart: 40,
        border: 20,
        flux: (r) => (3000 * (1 + length / 5)) / (0.05 + r()) / 4,
      });
      const light = renderStars(truth, { ...size, sigma: 1.4, trail: { length, angle }, coma });
      const measured = measureFrame(addNoise(light, 500, 15, random), {
        saturation: 60_000,
        quantization: 0,
      });
      const off = Math.abs(measured.trailLength - length);
      expect(off).toBeLessThan(Math.max(0.3, 0.05 * length)); // the issue's own bound
      if (length >= 4) {
        const turned = Math.abs(((measured.trailAngle - angle + 270) % 180) - 90);
        expect(turned).toBeLessThan(2); // deg: a trail of three sigma and 150 stars
      }
      const width = FWHM_PER_SIGMA * Math.sqrt(1.4 ** 2 + 1 / 12);
      // Unbiased by the trail; coma itself widens the outer stars (tail blobs up to 1.4 sigma).
      expect(Math.abs(measured.fwhmMinor / width - 1)).toBeLessThan(coma === 0 ? 0.05 : 0.12);
      expect(measured.streaks).toEqual([]); // the stars' own trails are no streaks
      const found = truth.filter((star) => nearestStar(measured.stars, star.x, star.y, 4) >= 0).length;
      expect(found / truth.length).toBeGreaterThanOrEqual(0.98); // the issue's own bound
    });
  }
});
