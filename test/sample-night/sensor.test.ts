import { describe, expect, it } from 'vitest';
import { darkFactor, NORMAL } from '../../sample-night/_sensor.js';
import { gainOf } from '../../sample-night/index.js';
import { median } from '../../src/core/index.js';
import {
  randomNight,
  SCENARIOS,
  simulateFramePixels,
  simulateNight,
  smallNight,
} from '../support/synthetic-sky.js';

const night = simulateNight(smallNight({ darks: 2, flats: 2, biases: 2, frames: 2 }));
const { scenario } = night;
const { camera } = scenario;
const byRole = (role: string) => night.frames.filter((frame) => frame.shot.role === role);
const pair = (role: string) => byRole(role).map((frame) => frame.render()) as [Uint16Array, Uint16Array];

/** Half the variance of the difference of two frames, over pixels that are no defects. */
function pairVariance(a: Uint16Array, b: Uint16Array): number {
  let sum = 0;
  let square = 0;
  let n = 0;
  for (let k = 0; k < a.length; k++) {
    const d = a[k]! - b[k]!;
    if (Math.abs(a[k]! - camera.blackLevel) > 15000 || Math.abs(d) > 2000) continue;
    sum += d;
    square += d * d;
    n++;
  }
  return (square / n - (sum / n) ** 2) / 2;
}

describe('the sensor', () => {
  it('gives back its gain from mean and variance of two flats', () => {
    const [a, b] = pair('flat');
    const gain = gainOf(scenario, byRole('flat')[0]!.shot);
    // By mean-variance (photon transfer): var = mean / gain + read noise; per colour so that the level is even.
    const sites = [0, 1, 2, 3].map((site) => {
      const pick = (raw: Uint16Array) =>
        raw.filter((_, k) => {
          const x = k % camera.width;
          const y = Math.floor(k / camera.width);
          return (
            (y % 2) * 2 + (x % 2) === site &&
            Math.abs(x - camera.width / 2) < 100 &&
            Math.abs(y - camera.height / 2) < 100
          );
        });
      const first = pick(a);
      const mean = first.reduce((sum, value) => sum + value - camera.blackLevel, 0) / first.length;
      const noise =
        pairVariance(first, pick(b)) - (camera.readNoise / gain) ** 2 - camera.rowNoise ** 2 - 1 / 6;
      return mean / noise;
    });
    for (const measured of sites) {
      // 6 %: the variance of 10 000 pixels is known to sqrt(2/10000) = 1.4 %, four sites at 4 sigma.
      expect(Math.abs(measured / gain - 1)).toBeLessThan(0.06);
    }
  });

  it('gives back its read noise from two biases', () => {
    const [a, b] = pair('bias');
    const gain = gainOf(scenario, byRole('bias')[0]!.shot);
    const expected = (camera.readNoise / gain) ** 2 + camera.rowNoise ** 2 + 1 / 12;
    // 2 %: 240 000 pixels know the variance to 0.3 %; rows share their offset (400 of them, 7 % of a 0.4 % part).
    expect(Math.abs(pairVariance(a, b) / expected - 1)).toBeLessThan(0.02);
  });

  it('gives darks the dark current of their temperature, and lights their defects at the same places (P12)', () => {
    const [dark] = pair('dark');
    const { shot } = byRole('dark')[0]!;
    const gain = gainOf(scenario, shot);
    const factor = darkFactor(shot.temperature);
    // Far from the amplifier: the lower right quarter.
    const quiet = dark.filter((_, k) => k % camera.width > 300 && k > (camera.width * camera.height) / 2);
    const mean =
      quiet.reduce((sum, value) => sum + Math.min(value, camera.blackLevel + 60), 0) / quiet.length;
    const expected = camera.blackLevel + (camera.darkCurrent * factor * 10) / gain;
    // 0.4 ADU: amplifier glow's tail (0.1), hot pixels capped at 60 (0.03), fixed columns 0.25/sqrt(300).
    expect(Math.abs(mean - expected)).toBeLessThan(0.4);
    const hot = night.truth.defects.filter((defect) => defect.kind === 'hot' && defect.value > 400);
    expect(hot.length).toBeGreaterThan(10);
    const light = night.frames[0]!.render();
    for (const { x, y, value } of hot) {
      const k = y * camera.width + x;
      const level = (value * factor * 10) / gain;
      // Half the level: shot noise of more than 1000 e- is below 4 %, clipping is allowed for.
      expect(dark[k]! - camera.blackLevel).toBeGreaterThan(Math.min(level, 15000) * 0.5);
      expect(light[k]! - camera.blackLevel).toBeGreaterThan(Math.min(level, 15000) * 0.5);
    }
  });

  it('doubles its dark current every six degrees', () => {
    expect(darkFactor(20)).toBe(1);
    expect(darkFactor(26)).toBe(2);
    expect(darkFactor(14)).toBe(0.5);
  });

  it('draws faint light by Poisson and not by rounding', () => {
    // Land and darks have under ten electrons a pixel: the counts must have variance = mean there too.
    const quietCamera = {
      readNoise: 0,
      rowNoise: 0,
      columnPattern: 0,
      pixelResponse: 0,
      ampGlow: 0,
      hotPixels: 0,
    };
    const faint = simulateNight(
      smallNight({
        frames: 1,
        darks: 2,
        temperature: 21,
        camera: { ...quietCamera, coldPixels: 0, darkCurrent: 0.4, unityIso: 3200 },
      }),
    );
    const raw = faint.frames[1]!.render();
    let sum = 0;
    let square = 0;
    for (const value of raw) {
      sum += value - camera.blackLevel;
      square += (value - camera.blackLevel) ** 2;
    }
    const mean = sum / raw.length;
    const variance = square / raw.length - mean ** 2;
    // 4 e-, 1 %: 240 000 pixels know the mean to 0.1 % and the variance to 0.4 %.
    expect(Math.abs(mean / 4 - 1)).toBeLessThan(0.01);
    expect(Math.abs(variance / mean - 1)).toBeLessThan(0.012);
  });

  it('clips at its white level and nowhere below (L06)', () => {
    const bright = simulateNight(
      smallNight({ frames: 1, exposureTime: 30, iso: 12800, sky: { faintest: 5 } }),
    );
    const raw = bright.frames[0]!.render();
    expect(raw.reduce((most, value) => Math.max(most, value), 0)).toBe(camera.whiteLevel);
  });
});

describe('NORMAL', () => {
  it('holds the normal distribution', () => {
    const square = NORMAL.reduce((sum, value) => sum + value * value, 0) / NORMAL.length;
    const fourth = NORMAL.reduce((sum, value) => sum + value ** 4, 0) / NORMAL.length;
    // Unit variance by scaling (float32); kurtosis 3 but for the tails beyond 4.2 sigma (0.2 %).
    expect(square).toBeCloseTo(1, 5);
    expect(Math.abs(fourth - 3)).toBeLessThan(0.01);
    expect(Math.abs(median(NORMAL))).toBeLessThan(1e-6);
  });
});

describe('simulateNight', () => {
  it('gives the same pixels for the same seed, in any order of asking, and others for another seed', () => {
    const same = (p: Uint16Array, q: Uint16Array) => Buffer.from(p.buffer).equals(Buffer.from(q.buffer));
    const make = () => simulateNight(smallNight({ frames: 3 }));
    const forward = make();
    const [a, b] = [forward.frames[0]!.render(), forward.frames[2]!.render()];
    const backward = make();
    expect(same(backward.frames[2]!.render(), b)).toBe(true);
    expect(same(backward.frames[0]!.render(), a)).toBe(true);
    const other = simulateNight(smallNight({ frames: 3, seed: 6 }));
    expect(same(other.frames[0]!.render(), a)).toBe(false);
  });

  it('hands pixels over as readers do: black removed, white stated, sensor pattern named', () => {
    const small = smallNight({ frames: 1 });
    const pixels = simulateFramePixels(small, 0);
    const raw = simulateNight(small).frames[0]!.render();
    expect(pixels.kind).toBe('mosaic');
    expect(pixels.cfa).toEqual({ width: 2, height: 2, colors: [0, 1, 1, 2] });
    expect(pixels.data[1234]).toBe(raw[1234]! - camera.blackLevel);
    expect(pixels.whiteLevel).toEqual([15871, 15871, 15871]);
    expect(() => simulateFramePixels(small, 9)).toThrow('no frame 9');
  });

  it('hands a JPEG night over in 256 levels of linear light', () => {
    const pixels = simulateFramePixels(smallNight({ frames: 1, output: 'jpeg' }), 0);
    expect(pixels.kind).toBe('color');
    expect(new Set(pixels.data).size).toBeLessThanOrEqual(256);
    expect(Math.max(...pixels.data.subarray(0, 50_000))).toBeLessThanOrEqual(65535);
  });

  it('fits a real night: more stars toward the core than at the galactic pole', () => {
    const stars = (rightAscension: number, declination: number) =>
      simulateNight(smallNight({ frames: 1, aim: { rightAscension, declination } })).frames[0]!.stars(30)
        .count;
    // Star counts to about 10 mag rise by a factor of 3 to 4 from the pole to the Milky Way (Allen, section 117).
    expect(stars(266, -29) / stars(12.9, -27.1)).toBeGreaterThan(1.5);
  });

  it('knows scenarios that cross threads: plain data only', () => {
    for (const make of Object.values(SCENARIOS)) {
      const scenario = make();
      expect(structuredClone(scenario)).toEqual(scenario);
      expect(JSON.parse(JSON.stringify(scenario))).toEqual(scenario);
    }
    expect(structuredClone(randomNight(3))).toEqual(randomNight(3));
  });
});
