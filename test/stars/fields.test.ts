import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { median, type StarTable } from '../../src/core/index.js';
import { estimateBackground, forcedPhotometry, measureFrame } from '../../src/stars/index.js';
import { readFixture } from './_support.js';

interface Golden {
  readonly truth: {
    readonly stars: readonly (readonly [number, number, number])[];
    readonly psf_sigma_eff: number;
    readonly noise: Record<string, number>;
    readonly trail_B: {
      readonly length_px: number;
      readonly angle_deg: number;
      readonly expected_elongation: number;
    };
  };
  readonly measure: Record<
    string,
    {
      readonly sep_bkg: { readonly globalback: number };
      readonly sep: { readonly winpos_err_rms: number; readonly n_detected: number };
    }
  >;
}
const golden = JSON.parse(
  readFileSync(new URL('../golden/stars-fields.json', import.meta.url), 'utf8'),
) as Golden;

/** Where the truth's stars lie on a frame: D is turned by 0.7 deg about the middle and shifted. */
function truthOf(frame: string): { x: number; y: number; flux: number }[] {
  const turn = (0.7 * Math.PI) / 180;
  return golden.truth.stars.map(([x, y, flux]) => {
    if (frame !== 'D') return { x, y, flux: frame === 'C' ? 0.3 * flux : flux };
    const dx = x - 127.5;
    const dy = y - 127.5;
    return {
      x: 127.5 + Math.cos(turn) * dx - Math.sin(turn) * dy + 4.3,
      y: 127.5 + Math.sin(turn) * dx + Math.cos(turn) * dy - 2.6,
      flux,
    };
  });
}

function nearest(stars: StarTable, x: number, y: number): { row: number; distance: number } {
  let row = -1;
  let distance = Number.POSITIVE_INFINITY;
  for (let i = 0; i < stars.count; i++) {
    const d = Math.hypot(stars.x[i]! - x, stars.y[i]! - y);
    if (d < distance) {
      distance = d;
      row = i;
    }
  }
  return { row, distance };
}

describe('measureFrame on the reference frames (checks F)', () => {
  for (const frame of ['A', 'B', 'C', 'D']) {
    const plane = readFixture(`frame_${frame}.fits`);
    const measured = measureFrame(plane, { saturation: 65_535, quantization: 1 });
    const { stars } = measured;
    const truth = truthOf(frame);
    const noise = golden.truth.noise[frame]!;
    const sigma = golden.truth.psf_sigma_eff;
    const area = Math.sqrt(4 * Math.PI) * sigma * (frame === 'B' ? Math.sqrt(1.461) : 1);
    const snr = (flux: number): number => flux / (noise * area);
    const matches = truth.map((star) => ({ ...star, ...nearest(stars, star.x, star.y) }));

    it(`${frame}: finds at least 98 % above signal-to-noise 10 and no hot pixel`, () => {
      const clear = matches.filter((m) => snr(m.flux) > 10);
      const found = clear.filter((m) => m.distance < 1.5).length;
      expect(found / clear.length).toBeGreaterThanOrEqual(0.98); // the issue's own bound
      // sep counts the 12 hot pixels as objects on A, B and D (52 found of 40): ours must not.
      const used = new Set(matches.filter((m) => m.distance < 1.5).map((m) => m.row));
      let wrong = 0;
      for (let i = 0; i < stars.count; i++) if (!used.has(i) && stars.snr[i]! > 10) wrong++;
      expect(wrong / stars.count).toBeLessThanOrEqual(0.01); // the issue's own bound
      if (frame !== 'C') expect(golden.measure[frame]!.sep.n_detected - stars.count).toBe(12); // exact: 12 planted
    });

    it(`${frame}: places stars above signal-to-noise 50 within 0.05 px rms, no worse than sep's windowed centroid`, () => {
      const clear = matches.filter((m) => snr(m.flux) > 50 && m.distance < 1.5);
      const rms = Math.sqrt(clear.reduce((sum, m) => sum + m.distance ** 2, 0) / clear.length);
      // Frame C dims the stars to 0.3: none is above 50 there by much; the bound holds for those that are.
      expect(rms).toBeLessThan(0.05); // px, both axes together; the issue's own bound
      const all = matches.filter((m) => m.distance < 1.5 && (frame !== 'C' || snr(m.flux) > 50));
      const rmsAll = Math.sqrt(all.reduce((sum, m) => sum + m.distance ** 2, 0) / all.length);
      expect(rmsAll).toBeLessThan(golden.measure[frame]!.sep.winpos_err_rms * 1.1); // sep 1.2.1 on all its stars; 10 % for another noise weighting
    });

    it(`${frame}: reads the width across the trail, elongation and trail of the truth`, () => {
      const clear = matches.filter((m) => m.flux > 8000 && m.distance < 1.5);
      const elongation = median(clear.map((m) => stars.elongation[m.row]!));
      const minor = median(clear.map((m) => stars.fwhmMinor[m.row]!));
      const expected = frame === 'B' ? golden.truth.trail_B.expected_elongation : 1;
      expect(Math.abs(elongation - expected)).toBeLessThan(0.05); // the issue's own bound
      expect(minor / (2.354_82 * sigma)).toBeGreaterThan(0.97); // fwhm within 3 %
      expect(minor / (2.354_82 * sigma)).toBeLessThan(1.03);
      if (frame === 'B') {
        expect(measured.trailLength).toBeGreaterThan(5.7); // 6 px +- 0.3 px
        expect(measured.trailLength).toBeLessThan(6.3);
        expect(Math.abs(measured.trailAngle - 20)).toBeLessThan(2); // deg: 40 stars of elongation 1.46
      }
    });

    it(`${frame}: levels the background within 1 ADU at the centre`, () => {
      const background = estimateBackground(plane);
      const x = 128;
      const truthLevel = (frame === 'C' ? 1.5 : 1) * (1000 + 0.2 * x + 0.1 * x);
      const ours = background.level.data[x * 256 + x]!;
      expect(Math.abs(ours - truthLevel)).toBeLessThan(1); // ADU, the issue's own bound (sep: 0.6 to 0.8 off)
      // A 64 px cell holds a gradient of 13.6 + 3.4 ADU^2 besides the noise (checks F-BK): 6 %.
      expect(
        Math.abs(background.noise / Math.sqrt(noise ** 2 + (frame === 'C' ? 2.25 : 1) * 17) - 1),
      ).toBeLessThan(0.06);
    });
  }

  it('keeps the gradient to the corners, where a median-filtered mesh is 9 ADU off', () => {
    const background = estimateBackground(readFixture('frame_A.fits'));
    for (const [x, y] of [
      [32, 32],
      [224, 32],
      [32, 224],
      [224, 224],
    ] as const) {
      const truthLevel = 1000 + 0.2 * x + 0.1 * y;
      expect(Math.abs(background.level.data[y * 256 + x]! - truthLevel)).toBeLessThan(2.5); // ADU; sep is within 2 there
    }
  });
});

describe('forcedPhotometry', () => {
  it('finds 30 % transparency between frames A and C', () => {
    const x = golden.truth.stars.map((s) => s[0]);
    const y = golden.truth.stars.map((s) => s[1]);
    const fluxes = ['A', 'C'].map((frame) => {
      const plane = readFixture(`frame_${frame}.fits`);
      return forcedPhotometry(plane, estimateBackground(plane), { x, y }, { radius: 6 }).flux;
    });
    const ratio = median(Array.from(fluxes[0]!, (flux, i) => fluxes[1]![i]! / flux));
    expect(Math.abs(ratio - 0.3)).toBeLessThan(0.006); // checks F-TRN: +-2 % (sep reads 0.3003)
  });

  it('gives errors that match the scatter, and NaN where the aperture leaves the frame', () => {
    const plane = readFixture('frame_A.fits');
    const background = estimateBackground(plane);
    const found = forcedPhotometry(
      plane,
      background,
      { x: [-3, 128, Number.NaN], y: [10, 5, 5] },
      { radius: 4 },
    );
    expect(found.flux[0]).toBeNaN();
    expect(found.flux[2]).toBeNaN();
    expect(found.coverage[1]).toBeGreaterThan(0.99); // sub-pixel lattice is right to 0.1 %, rounding of pi r^2
    const expected = Math.sqrt(Math.PI * 16) * 12.7;
    expect(Math.abs(found.error[1]! / expected - 1)).toBeLessThan(0.1); // the cell's own noise estimate: 6 %
  });
});
