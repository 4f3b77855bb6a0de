import fc from 'fast-check';
import { beforeAll, describe, expect, it } from 'vitest';
import { makeColorImage, srgbDecode } from '../../src/core/index.js';
import {
  finishPicture,
  fitSkyGradient,
  gradientAt,
  joinSurvey,
  LOOKS,
  luminance,
  type Rect,
  type SkyAt,
  surveyPlan,
} from '../../src/finishing/index.js';
import { type Kernels, loadKernelsFromDisk } from '../../src/kernels/index.js';

const COLOR = {
  multipliers: [2.05, 1, 1.62] as const,
  cameraToSrgb: [1.72, -0.58, -0.14, -0.19, 1.44, -0.25, 0.03, -0.46, 1.43],
};
const WHITE: readonly [number, number, number] = [15000, 15000, 15000];
const RUNS = process.env.NIGHTCAIRN_FULL ? 1000 : 24;

describe('the whole way from stack to picture', () => {
  let kernels: Kernels;
  beforeAll(async () => {
    kernels = await loadKernelsFromDisk();
  });

  it('never shows a brighter pixel of the same hue darker, whatever hue, look and sky', () => {
    fc.assert(
      fc.property(
        fc.record({
          // Linear sRGB of the light, from deep red to deep blue and all greys; the sky's level; the top of the ramp.
          red: fc.double({ min: 0.3, max: 2.2, noNaN: true }),
          blue: fc.double({ min: 0.3, max: 2.2, noNaN: true }),
          sky: fc.double({ min: 30, max: 1500, noNaN: true }),
          top: fc.double({ min: 2, max: 60, noNaN: true }),
          look: fc.constantFrom(...Object.values(LOOKS)),
        }),
        ({ red, blue, sky, top: wanted, look }) => {
          // Up to where a colour clips: beyond that the hue is no longer the same.
          const top = Math.max(1.01, Math.min(wanted, 14_900 / sky / Math.max(1, red, blue)));
          const [width, height] = [128, 48];
          const size = width * height;
          const image = makeColorImage(width, height);
          for (let i = 0; i < size; i++) {
            // Two thirds of the frame are sky of one level; the rest is a ramp of the hue, up to `top` skies.
            const x = i % width;
            const ramp = x < 85 ? 1 : 1 + ((top - 1) * (x - 85)) / (width - 86);
            image.data[i] = (sky * ramp * red) / COLOR.multipliers[0];
            image.data[size + i] = sky * ramp;
            image.data[2 * size + i] = (sky * ramp * blue) / COLOR.multipliers[2];
          }
          const stack = { image, whiteLevel: WHITE, color: COLOR };
          const plain = { ...look, gradient: 0, smoothing: 0, neutralize: 0 };
          const { data, width: w } = finishPicture(stack, plain, kernels);
          let before = 0;
          for (let x = 0; x < w; x++) {
            const at = 3 * (24 * w + x);
            const [r, g, b] = [0, 1, 2].map((c) => srgbDecode(data[at + c]! / 65535)) as [
              number,
              number,
              number,
            ];
            const light = luminance(r, g, b);
            expect(light).toBeGreaterThanOrEqual(before - 2e-5); // one step of 16 bits near white
            before = Math.max(before, light);
          }
        },
      ),
      { numRuns: RUNS, seed: 20260812 },
    );
  }, 300_000);
});

describe('fitSkyGradient', () => {
  const rect: Rect = { x: 0, y: 0, width: 1200, height: 800 };

  /** A survey of a made-up sky, with the scatter of a good stack. */
  function surveyOf(light: (u: number, v: number, color: number) => number) {
    const plan = surveyPlan(rect, { whiteLevel: WHITE, color: COLOR });
    const levels = new Float32Array(3 * plan.columns * plan.rows);
    for (let c = 0; c < 3; c++) {
      for (let j = 0; j < plan.rows; j++) {
        for (let i = 0; i < plan.columns; i++) {
          const [u, v] = [(2 * (i + 0.5)) / plan.columns - 1, (2 * (j + 0.5)) / plan.rows - 1];
          levels[(c * plan.rows + j) * plan.columns + i] = light(u, v, c) + 0.3 * Math.sin(7.3 * i + 3.1 * j);
        }
      }
    }
    return { ...joinSurvey(plan, []), plan, levels, noise: 1 };
  }
  const RAW = [0.49, 1, 0.62];

  it('takes the glow over a town off and leaves a band that it knows of (P41, P43)', () => {
    // The band stands upright in the middle, 30 deg wide; the frame is 90 deg across; a town to the lower left.
    const band = (u: number) => 160 * Math.exp(-Math.abs(45 * u) / 8);
    const glow = (u: number, v: number) =>
      240 * Math.exp(-(1 - v) * 1.9) * Math.exp(-(((u + 0.5) / 0.9) ** 2));
    const skyAt: SkyAt = (x, y) => ({
      longitude: 20 + (60 * (y - 400)) / 800,
      latitude: (90 * (x - 600)) / 1200,
      altitude: (60 * (800 - y)) / 800,
    });
    const survey = surveyOf((u, v, c) => RAW[c]! * (400 + band(u) + glow(u, v)));
    const gradient = fitSkyGradient(survey, { skyAt });
    expect(gradient.kind).toBe('band known');
    const left = (u: number, v: number) =>
      400 + band(u) + glow(u, v) - gradientAt(gradient, 1, 600 * (u + 1), 400 * (v + 1));
    const kept = (left(0, 0.2) - left(0.9, 0.2)) / (band(0) - band(0.9));
    expect(kept).toBeGreaterThan(0.85); // the band's shape is not the one that the fit expects
    expect(kept).toBeLessThan(1.15);
    // Of a glow of 60 % of the sky less than a quarter is left between the lower corners: this town is broader than the terms.
    expect(Math.abs(left(-0.9, 0.9) - left(0.9, 0.9))).toBeLessThan(0.25 * glow(-0.5, 1));
  });

  it('tells the glow of a sensor by its colour and takes it off without a green or magenta rest', () => {
    // Equal in the raw colours, elliptic, from a place on the edge: the shape is not among those that are tried.
    const amplifier = (u: number, v: number) => 90 * Math.exp(-Math.hypot((u + 1) / 0.21, (v + 0.55) / 0.3));
    const survey = surveyOf((u, v, c) => RAW[c]! * (420 + 30 * v) + amplifier(u, v));
    const gradient = fitSkyGradient(survey, {});
    expect(gradient.sensorGlow).toBeDefined();
    expect(gradient.sensorGlow!.x).toBeLessThan(0.1);
    const rest = [
      [-0.97, -0.55],
      [-0.8, -0.3],
      [-0.6, 0.1],
      [0.4, 0.4],
    ].map(([u, v]) => {
      const at = (c: number) =>
        RAW[c]! * (420 + 30 * v!) +
        amplifier(u!, v!) -
        gradientAt(gradient, c, 600 * (u! + 1), 400 * (v! + 1));
      return (2.05 * at(0) + 1.62 * at(2)) / 2 - at(1);
    });
    const spread = Math.max(...rest) - Math.min(...rest);
    expect(spread).toBeLessThan(0.03 * 420); // 3 % of the sky; the glow itself shows as 75 ADU of magenta, 18 %
  });

  it('finds no sensor glow in a sky that has none', () => {
    const town = surveyOf(
      (u, v, c) => RAW[c]! * (400 + [130, 100, 50][c]! * Math.exp((v - 1) * 2 - (u + 1))),
    );
    expect(fitSkyGradient(town, {}).sensorGlow).toBeUndefined();
  });
});
