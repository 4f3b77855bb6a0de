import { readFileSync } from 'node:fs';
import { beforeAll, describe, expect, it } from 'vitest';
import { colorPlane, madSigma, median } from '../../src/core/index.js';
import { type Kernels, loadKernelsFromDisk } from '../../src/kernels/index.js';
import {
  createDefectFinder,
  demosaic,
  evenHalves,
  idealGain,
  measureNoiseGain,
  medianSigma,
  repairDefects,
  type StackLayer,
  VARIANCE_KEPT,
} from '../../src/stacking/index.js';
import { makeNight, type Night, prepare, randomStars, WHITE } from './night.js';
import { RGGB, spreadOf, stackWhole } from './support.js';

const golden = JSON.parse(readFileSync(new URL('../golden/stacking-checks.json', import.meta.url), 'utf8'));
/** NIGHTCAIRN_FULL=1: bigger frames and all counts. */
const { NIGHTCAIRN_FULL } = process.env;
const FULL = NIGHTCAIRN_FULL === '1';
let kernels: Kernels;
beforeAll(async () => {
  kernels = await loadKernelsFromDisk();
});

function singleFrame(night: Night, f = night.reference) {
  const { width, height, data } = night.pixels[f]!;
  const saturation = [WHITE, WHITE, WHITE] as const;
  return demosaic(data, { width, height, cfa: RGGB, method: 'gradient-corrected', saturation }, kernels);
}

/** Green background of a plane about a place, and its noise. */
function around(layer: StackLayer, x: number, y: number): { level: number; sigma: number } {
  const { width, height } = layer.image;
  const green = colorPlane(layer.image, 1).data;
  const values: number[] = [];
  for (let j = Math.round(y) - 12; j <= y + 12; j++) {
    for (let i = Math.round(x) - 12; i <= x + 12; i++) {
      if (i < 0 || j < 0 || i >= width || j >= height || Math.hypot(i - x, j - y) < 7) continue;
      values.push(green[j * width + i]!);
    }
  }
  return { level: median(values), sigma: madSigma(values) };
}

describe('medianSigma', () => {
  it('is the tabulated order statistic (D-MED)', () => {
    for (const { count, sd } of golden.medians) {
      expect(Math.abs(medianSigma(count) / sd - 1)).toBeLessThan(4e-4); // stated for the fit beyond N = 12
    }
    expect(1 / (medianSigma(10001) * Math.sqrt(10001)) ** 2).toBeCloseTo(2 / Math.PI, 4); // D-MED-INF
  });
});

describe('evenHalves', () => {
  it.each([2, 3, 7, 30, 31])('halves of %i frames saw the same drift, and a soft pair is shared', (count) => {
    const order = Array.from({ length: count }, (_, k) => k);
    for (const reference of order) {
      const [a, b] = evenHalves(order, reference);
      expect([...a, ...b].sort((p, q) => p - q)).toEqual(order);
      expect(a[0]).toBe(reference);
      expect(Math.abs(a.length - b.length)).toBeLessThanOrEqual(1);
      // Neighbours part, but for the reference's own.
      const others = order.filter((k) => k !== reference);
      others.slice(1).forEach((k, i) => {
        expect(a.includes(k)).not.toBe(a.includes(others[i]!));
      });
    }
  });
});

describe('VARIANCE_KEPT', () => {
  it('is what demosaicing and resampling leave of white noise', () => {
    const night = makeNight({ width: 512, height: 384, frames: 3, turn: 0.02, gain: 1e9, readNoise: 20 });
    for (const demosaicing of ['gradient-corrected', 'bilinear'] as const) {
      const { input, read } = prepare(night, { sky: { method: 'mean' } });
      // Frame 2 alone, turned: all sub-pixel phases.
      const { sky } = stackWhole(
        { ...input, demosaic: demosaicing, frames: [input.frames[2]!] },
        read,
        kernels,
        { layers: 'sky' },
      );
      for (const color of [0, 1, 2] as const) {
        const { sd } = spreadOf(colorPlane(sky.image, color).data, 512, 384, 40);
        const share = sd ** 2 / 20 ** 2 / VARIANCE_KEPT[demosaicing][color]!;
        // A variance of 130,000 px whose neighbours are alike is known to about 0.8 %.
        expect(Math.abs(share - 1)).toBeLessThan(0.03);
      }
    }
  });
});

describe('noise of the stack', () => {
  const [width, height] = FULL ? [1536, 1024] : [896, 640];
  const counts = FULL ? [2, 4, 5, 8, 12, 16, 32, 64] : [4];

  it.each(counts)('falls as theory says for %i frames within 3 %', (count) => {
    const night = makeNight({ width, height, frames: count, turn: 0.03 / count, seed: 2 });
    const single = colorPlane(singleFrame(night), 1);
    for (const method of FULL
      ? (['mean', 'clipped-mean', 'median'] as const)
      : (['mean', 'clipped-mean'] as const)) {
      const { input, read, weights, sigmas } = prepare(night, { sky: { method } });
      const { sky } = stackWhole(input, read, kernels, { layers: 'sky', tileSize: 256 });
      // Full coverage only: corners that the turning sky leaves have fewer frames.
      const data = Uint8Array.from(sky.coverage.data, (n, at) =>
        n + sky.rejected.data[at]! < count ? 1 : 0,
      );
      const result = measureNoiseGain(single, colorPlane(sky.image, 1), {
        ...{ mask: { width, height, data }, ideal: idealGain(method, sigmas, weights) },
      });
      // Frames alike but for their measured noise; the median's own table is held by the kernels' tests.
      if (method !== 'median') expect(Math.abs(result.ideal / Math.sqrt(count) - 1)).toBeLessThan(0.01);
      else expect(result.ideal).toBeGreaterThan(1 / medianSigma(count) - 1e-9);
      // 9,000 bins: each MAD is known to 1.17/sqrt(2 x 9000) = 0.9 %, their ratio to 1.2 %; required: 3 %.
      expect(Math.abs(result.gain / result.ideal - 1)).toBeLessThan(0.03);
    }
  });
});

describe('stars of the stack', () => {
  const [width, height] = [420, 320];

  it('are linear within 0.5 % over 8 magnitudes and keep their colours within 1 %', () => {
    const options = { width, height, brightest: 120000, magnitudes: 8, apart: 22 };
    const stars = randomStars(4, 90, options);
    const night = makeNight({ width, height, frames: 12, stars, sky: () => 40, gain: 20, readNoise: 1 });
    const { input, read } = prepare(night);
    const { sky } = stackWhole(input, read, kernels, { layers: 'sky' });
    const magnitudes: { ratio: number; weight: number; bin: number }[] = [];
    const colors: number[] = [];
    stars.forEach((star, k) => {
      if (star.x < 30 || star.y < 30 || star.x > width - 30 || star.y > height - 30) return;
      const sums = [0, 1, 2].map((color) => {
        const plane = colorPlane(sky.image, color as 0 | 1 | 2).data;
        let sum = 0;
        let n = 0;
        const ring: number[] = [];
        for (let y = Math.round(star.y) - 10; y <= star.y + 10; y++) {
          for (let x = Math.round(star.x) - 10; x <= star.x + 10; x++) {
            const r = Math.hypot(x - star.x, y - star.y);
            if (r <= 7) {
              sum += plane[y * width + x]!;
              n++;
            } else if (r > 8) ring.push(plane[y * width + x]!);
          }
        }
        return sum - n * (ring.reduce((a, b) => a + b, 0) / ring.length);
      });
      const bin = Math.floor((8 * k) / stars.length);
      // Noise of a 7 px aperture: 154 px with 0.8 ADU left of 12 frames, 10 ADU, grown by neighbours' correlation.
      const error = 15 / star.flux + 0.0005;
      magnitudes.push({ ratio: sums[1]! / star.flux, weight: 1 / error ** 2, bin });
      // 15 ADU of noise a colour: 0.2 % of this and brighter.
      if (star.flux > 10000) {
        colors.push(sums[0]! / sums[1]! / star.color[0], sums[2]! / sums[1]! / star.color[2]);
      }
    });
    for (let bin = 0; bin < 8; bin++) {
      const list = magnitudes.filter((m) => m.bin === bin);
      const weight = list.reduce((sum, m) => sum + m.weight, 0);
      const ratio = list.reduce((sum, m) => sum + m.ratio * m.weight, 0) / weight;
      const error = 1 / Math.sqrt(weight);
      // Required: 0.5 %, and three of the bin's own standard errors where stars are faint.
      expect(Math.abs(ratio - 1)).toBeLessThan(0.005 + 3 * error);
    }
    expect(colors.length).toBeGreaterThan(20); // ten stars, two colours each
    for (const ratio of colors) expect(Math.abs(ratio - 1)).toBeLessThan(0.01); // required
  });
});

describe('what passes over', () => {
  const [width, height] = [300, 200];

  it.each([
    [5, 2],
    [8, 1],
  ])(
    'leaves nothing in a stack of %i above %i sigma: a satellite in one frame, from faint to glaring',
    (count, limit) => {
      for (const brightness of FULL ? [30, 60, 90, 120, 200, 400, 6000] : [60, 120, 6000]) {
        const at = (y: number): number => 60 + 0.7 * y;
        const night = makeNight({
          ...{ width, height, frames: count, seed: 3 + brightness, turn: 0.003 },
          extra: (f, data) => {
            if (f !== 1) return;
            for (let y = 0; y < height; y++) {
              for (let x = 0; x < width; x++) {
                data[y * width + x]! += brightness * Math.exp(-((x - at(y)) ** 2) / 3);
              }
            }
          },
        });
        const { input, read } = prepare(night);
        const { sky } = stackWhole(input, read, kernels, { layers: 'sky' });
        const green = colorPlane(sky.image, 1).data;
        // Along the streak where frame 1 has it, against the sky beside it.
        const on: number[] = [];
        const off: number[] = [];
        for (let y = 30; y < height - 30; y++) {
          for (let x = 40; x < width - 40; x++) {
            const [fx, fy] = night.map(1, x, y);
            const distance = Math.abs(fx - at(fy));
            if (distance < 1) on.push(green[y * width + x]!);
            else if (distance > 10 && distance < 40) off.push(green[y * width + x]!);
          }
        }
        const left = (on.reduce((a, b) => a + b, 0) / on.length - median(off)) / madSigma(off);
        expect(left).toBeLessThan(limit); // required, in sigma of the stack's own pixels
      }
    },
  );
});

describe('fixed defects', () => {
  const [width, height, count] = [300, 240, 14];
  const places = Array.from(
    { length: 40 },
    (_, k) => (20 + ((k * 53) % 200)) * width + 20 + ((k * 97) % 260),
  );
  const run = (defective: boolean): Night =>
    makeNight({
      ...{ width, height, frames: count, turn: 0.004, seed: 77 },
      stars: randomStars(9, 60, { width, height, brightest: 40000, magnitudes: 5 }),
      extra: (_, data) => {
        if (defective) {
          places.forEach((at, k) => {
            data[at]! += 80 * 4 ** (k % 4);
          });
        }
      },
    });
  const stackOf = (night: Night): StackLayer => {
    const { input, read } = prepare(night);
    return stackWhole(input, read, kernels, { layers: 'sky' }).sky;
  };

  it('leave no streak above 1 sigma without darks, once found in the run and repaired (P12, P16)', () => {
    const night = run(true);
    const finder = createDefectFinder({ width, height, cfa: RGGB });
    for (const pixels of night.pixels) finder.add(pixels);
    const defects = finder.finish();
    const untouched = stackOf(night);
    for (const pixels of night.pixels) repairDefects(pixels.data, pixels, defects);
    const repaired = stackOf(night);
    // The same night and noise without defects: what differs is the defects' doing.
    const clean = stackOf(run(false));
    const streak = (layer: StackLayer): number[] =>
      places.map((place) => {
        const color = RGGB.colors[(Math.floor(place / width) % 2) * 2 + (place % 2)]!;
        const [plane, truth] = [colorPlane(layer.image, color).data, colorPlane(clean.image, color).data];
        const path: number[] = [];
        for (let f = 0; f < count; f++) {
          // Where the defect of frame f lands in the stack: undo the map by iteration.
          let [x, y] = [place % width, Math.floor(place / width)];
          for (let k = 0; k < 20; k++) {
            const [mx, my] = night.map(f, x, y);
            x += (place % width) - mx;
            y += Math.floor(place / width) - my;
          }
          const at = Math.round(y) * width + Math.round(x);
          path.push(plane[at]! - truth[at]!);
        }
        return Math.abs(path.reduce((sum, v) => sum + v, 0) / count);
      });
    const noise = madSigma(colorPlane(clean.image, 1).data);
    expect(Math.max(...streak(repaired))).toBeLessThan(noise); // required
    expect(Math.max(...streak(untouched))).toBeGreaterThan(noise); // the test sees them where nothing is done
  });
});

describe('levels of the sky', () => {
  it('that change over the run neither bias the stack nor feed the clip (P38, P41)', () => {
    const [width, height, count] = [360, 260, 9];
    const stars = randomStars(21, 40, { width, height, brightest: 30000, magnitudes: 4 });
    const sky = (f: number, u: number, v: number): number =>
      700 + 60 * f + (20 * f - 80) * u + (8 * f * f - 100) * v * 0.3 + 10 * f * u * v;
    const night = makeNight({ width, height, frames: count, stars, sky, turn: 0.004 });
    const levelled = prepare(night);
    const { sky: stack } = stackWhole(levelled.input, levelled.read, kernels, { layers: 'sky' });
    const green = colorPlane(stack.image, 1).data;
    const over: number[] = [];
    let clipped = 0;
    let all = 0;
    for (let y = 20; y < height - 20; y++) {
      for (let x = 20; x < width - 20; x++) {
        const at = y * width + x;
        over.push(green[at]! - sky(night.reference, (2 * x) / width - 1, (2 * y) / height - 1));
        clipped += stack.rejected.data[at]!;
        all += count;
      }
    }
    // Cells of 60 px medians: 0.5 ADU each; a stack pixel has 7. The bias must stay far below it.
    expect(Math.abs(median(over))).toBeLessThan(1.5);
    // The worst of three colours is counted: three times 0.135 % beyond +3 sigma, somewhat more for a median of nine.
    expect(clipped / all).toBeLessThan(0.012);
    const raw = prepare(night, { level: false });
    const { sky: unlevelled } = stackWhole(raw.input, raw.read, kernels, { layers: 'sky' });
    const sum = unlevelled.rejected.data.reduce((a, b) => a + b, 0);
    expect(sum / all).toBeGreaterThan(0.05); // what levelling prevents
  });

  it('frames behind thin cloud are scaled and weighted, never brighter or darker (P33)', () => {
    const [width, height, count] = [360, 260, 8];
    const stars = randomStars(5, 30, { width, height, brightest: 50000, magnitudes: 3, apart: 25 });
    const transparency = (f: number): number => (f % 2 ? 0.75 : 1);
    const night = makeNight({
      width,
      height,
      frames: count,
      stars,
      transparency,
      sky: (f) => (f % 2 ? 950 : 800),
    });
    const { input, read } = prepare(night, { scale: (f) => 1 / transparency(f) });
    const { sky } = stackWhole(input, read, kernels, { layers: 'sky' });
    const green = colorPlane(sky.image, 1).data;
    const ratios: number[] = [];
    for (const star of stars) {
      if (star.x < 30 || star.y < 30 || star.x > width - 30 || star.y > height - 30) continue;
      const { level } = around(sky, star.x, star.y);
      let sum = 0;
      for (let y = Math.round(star.y) - 6; y <= star.y + 6; y++) {
        for (let x = Math.round(star.x) - 6; x <= star.x + 6; x++) sum += green[y * width + x]! - level;
      }
      ratios.push(sum / star.flux);
    }
    expect(Math.abs(median(ratios) - 1)).toBeLessThan(0.01); // 13 x 13 px of 8 ADU are 100 ADU of 10,000
  });
});
