import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { beforeAll, describe, expect, it } from 'vitest';
import { gaussian, seededRandom } from '../../src/core/index.js';
import { type Kernels, lanczosWeights, loadKernelsFromDisk } from '../../src/kernels/index.js';
import { runCombine, runWarp } from './kernel-cases.js';

const golden = JSON.parse(readFileSync(new URL('../golden/stacking-checks.json', import.meta.url), 'utf8'));
let kernels: Kernels;
beforeAll(async () => {
  kernels = await loadKernelsFromDisk();
});

const shift =
  (dx: number, dy: number) =>
  (x: number, y: number): readonly [number, number] => [x + dx, y + dy];

/** Warps one plane over the whole of itself. */
function warpPlane(
  source: Float32Array,
  width: number,
  height: number,
  map: (x: number, y: number) => readonly [number, number],
  limit = Number.POSITIVE_INFINITY,
): Float32Array {
  const rect = { x0: 0, y0: 0, width, height };
  const out = runWarp(kernels, { source, sourceRect: rect, tile: rect, map, limits: [limit] });
  const plane = new Float32Array(width * height);
  for (let y = 0; y < height; y++)
    plane.set(out.subarray(2 + y * (width + 3), 2 + y * (width + 3) + width), y * width);
  return plane;
}

describe('lanczosWeights', () => {
  it('are the published ones at half a pixel, and pass their share of noise (D-LAN3)', () => {
    const w = lanczosWeights(0.5);
    golden.lanczosHalf.forEach((value: number, k: number) => {
      expect(w[k]).toBeCloseTo(value, 7); // stated to 8 digits
    });
    expect(w.reduce((sum, v) => sum + v * v, 0)).toBeCloseTo(golden.lanczosVariance, 5); // stated to 6 digits
  });
});

describe('warp', () => {
  it('agrees with exact Lanczos-3 on a star field (F-RS)', () => {
    for (const point of golden.resample) {
      const source = Float32Array.from(point.pixels as number[]);
      const sourceRect = { x0: point.x0, y0: point.y0, width: point.side, height: point.side };
      const tile = { x0: 0, y0: 0, width: 1, height: 1 };
      const run = (limit: number): number =>
        runWarp(kernels, { source, sourceRect, tile, map: shift(point.x, point.y), limits: [limit] })[2]!;
      // Positions are rounded to 1/65536 px: on a slope of 900 ADU/px that is 0.007 at most; the values are stated to 1e-4.
      expect(Math.abs(run(Number.POSITIVE_INFINITY) - point.lanczos3)).toBeLessThan(8e-3);
      // Above the limit the result is bilinear.
      expect(Math.abs(run(0) - point.linear)).toBeLessThan(8e-3); // same rounding
    }
  });

  it('keeps a flat flat to 1e-6 at every phase (D-RS-INV)', () => {
    const flat = new Float32Array(64 * 64).fill(12345.678);
    for (const [dx, dy] of [
      [0.5, 0.5],
      [0.1234, 0.9],
      [0.999, 0.0001],
      [2.75, -1.3],
    ] as const) {
      for (const value of warpPlane(flat, 64, 64, (x, y) => [1.001 * x + dx, 0.999 * y + dy])) {
        if (Number.isNaN(value)) continue;
        expect(Math.abs(value / flat[0]! - 1)).toBeLessThan(1e-6); // required
      }
    }
  });

  it('is exact for no shift and for whole pixels, also with gaps and at the edge (D-RS-INV)', () => {
    const random = seededRandom(3);
    const source = Float32Array.from({ length: 40 * 30 }, () =>
      random() < 0.05 ? Number.NaN : 1000 * random(),
    );
    for (const [dx, dy] of [
      [0, 0],
      [7, -3],
      [-1, 12],
    ] as const) {
      const out = warpPlane(source, 40, 30, shift(dx, dy));
      for (let y = 0; y < 30; y++) {
        for (let x = 0; x < 40; x++) {
          const [sx, sy] = [x + dx, y + dy];
          const truth = sx < 0 || sy < 0 || sx >= 40 || sy >= 30 ? Number.NaN : source[sy * 40 + sx]!;
          expect(Object.is(out[y * 40 + x], truth)).toBe(true);
        }
      }
    }
  });

  it('passes the stated share of white noise (D-RS-NOISE)', () => {
    const random = seededRandom(4);
    const source = Float32Array.from({ length: 400 * 400 }, () => gaussian(random));
    const turn = (0.7 * Math.PI) / 180;
    const out = warpPlane(source, 400, 400, (x, y) => [
      x * Math.cos(turn) - y * Math.sin(turn) + 5,
      x * Math.sin(turn) + y * Math.cos(turn) + 1,
    ]);
    let sum = 0;
    let n = 0;
    for (let y = 20; y < 380; y++) {
      for (let x = 20; x < 380; x++) {
        const v = out[y * 400 + x]!;
        if (Number.isNaN(v)) continue;
        sum += v * v;
        n++;
      }
    }
    expect(Math.abs(Math.sqrt(sum / n) / golden.resampledNoise - 1)).toBeLessThan(0.01); // stated tolerance 1 %
  });

  it('does not ring beside a clipped star, nor darken the edge of missing data (L53, L74)', () => {
    const source = new Float32Array(40 * 40).fill(1000);
    for (let y = 15; y < 22; y++) for (let x = 15; x < 22; x++) source[y * 40 + x] = 15000;
    for (let y = 0; y < 40; y++) source[y * 40 + 32] = Number.NaN;
    const plain = warpPlane(source, 40, 40, shift(0.4, 0.3));
    expect(Math.min(...plain.filter((v) => !Number.isNaN(v)))).toBeLessThan(200); // the ring that a limit must prevent
    const limited = warpPlane(source, 40, 40, shift(0.4, 0.3), 10000);
    for (const value of limited) {
      if (Number.isNaN(value)) continue;
      expect(value).toBeGreaterThanOrEqual(999.999); // the local minimum, f32
      expect(value).toBeLessThanOrEqual(15000.001); // the local maximum, f32
    }
    // Beside the gap the sky stays the sky.
    for (let y = 0; y < 38; y++) expect(limited[y * 40 + 30]).toBeCloseTo(1000, 3); // f32
  });
});

const stacked = (rows: readonly (readonly number[])[][]): Float32Array => Float32Array.from(rows.flat(2));

describe('combining kernels on worked examples (F-ST)', () => {
  const samples = stacked(golden.stack.input);
  const frames = golden.stack.input.length;
  const options = { frames, rowLength: 4, height: 4 };
  const close = (got: Float32Array, wanted: readonly (readonly number[])[]): void => {
    wanted.flat().forEach((value, i) => {
      expect(Math.abs(got[i]! - value)).toBeLessThan(4e-5); // f32 on values up to 900; stated to 1e-6
    });
  };

  it("mean and median are numpy's", () => {
    close(runCombine(kernels, 'combineMean', samples, options).out, golden.stack.mean);
    close(runCombine(kernels, 'combineMedian', samples, options).out, golden.stack.median);
  });

  it("median and MAD clipping at 3 sigma is astropy's: both outliers of pixel (2, 2) go", () => {
    const result = runCombine(kernels, 'combineClipped', samples, options);
    close(result.out, golden.stack.medianMad3.mean);
    expect([...result.kept]).toEqual(golden.stack.medianMad3.n.flat());
    expect([...result.rejected]).toEqual(golden.stack.medianMad3.n.flat().map((n: number) => frames - n));
  });

  it('keeps 15 of the worked vector (D-VEC-1)', () => {
    const { values, kept, mean } = golden.vector;
    const line = Float32Array.from((values as number[]).flatMap((v) => [v, v, v, v]));
    const result = runCombine(kernels, 'combineClipped', line, {
      frames: values.length,
      rowLength: 4,
      height: 1,
    });
    expect(result.out[0]).toBe(mean);
    expect(result.kept[0]).toBe(kept);
  });

  it('rejects one satellite among 5, 8, 9 and 10 frames, where mean and sd never can (D-SAM-R)', () => {
    for (const [name, wanted] of Object.entries<{ medianMad: boolean }>(golden.stack.singleOutlier)) {
      const count = Number(name.slice(2));
      const random = seededRandom(count);
      const line = Float32Array.from({ length: 4 * count }, (_, i) => (i < 4 ? 10000 : gaussian(random)));
      const shape = { frames: count, rowLength: 4, height: 1 };
      const spread = runCombine(kernels, 'combineClipped', line, shape);
      const model = runCombine(kernels, 'combineClipped', line, {
        ...shape,
        ...{ variances: new Array(count).fill([1, 0]).flat(), spreadFrom: 10 },
      });
      for (let lane = 0; lane < 4; lane++) {
        expect(Math.abs(spread.out[lane]!) < 5).toBe(wanted.medianMad);
        expect(Math.abs(model.out[lane]!)).toBeLessThan(5); // 10 sigma of a mean of 4
      }
    }
  });
});

describe('clipping, for all inputs', () => {
  const lanes = fc.array(fc.array(fc.integer({ min: -1000, max: 5000 }), { minLength: 4, maxLength: 4 }), {
    minLength: 1,
    maxLength: 24,
  });

  it('stays inside what it kept, whatever the order of frames, and moves with an added constant', () => {
    fc.assert(
      fc.property(lanes, fc.integer({ min: -500, max: 500 }), fc.nat(), (rows, constant, seed) => {
        const options = {
          frames: rows.length,
          rowLength: 4,
          height: 1,
          variances: rows.flatMap(() => [100, 0]),
        };
        const run = (list: number[][]): Float32Array =>
          runCombine(kernels, 'combineClipped', Float32Array.from(list.flat()), options).out;
        const base = run(rows);
        const random = seededRandom(seed);
        const mixed = rows
          .map((row) => ({ row, key: random() }))
          .sort((a, b) => a.key - b.key)
          .map(({ row }) => row);
        const shuffled = run(mixed);
        const moved = run(rows.map((row) => row.map((v) => v + constant)));
        for (let lane = 0; lane < 4; lane++) {
          const column = rows.map((row) => row[lane]!);
          expect(base[lane]).toBeGreaterThanOrEqual(Math.min(...column));
          expect(base[lane]).toBeLessThanOrEqual(Math.max(...column));
          expect(shuffled[lane]).toBe(base[lane]); // integers: f64 sums are exact
          expect(Math.abs(moved[lane]! - base[lane]! - constant)).toBeLessThan(1e-3); // f32 on 6000
        }
      }),
      { numRuns: 200 },
    );
  });

  it('never clips everything: two frames that disagree are both kept', () => {
    const line = Float32Array.from([0, 0, 0, 0, 900, 900, 900, 900]);
    const result = runCombine(kernels, 'combineClipped', line, {
      ...{ frames: 2, rowLength: 4, height: 1, variances: [1, 0, 1, 0], spreadFrom: 10 },
    });
    expect([...result.out]).toEqual([450, 450, 450, 450]);
    expect([...result.kept]).toEqual([2, 2, 2, 2]);
  });

  it('gives no data only where no frame has any, and never lets it weigh (L73, P11)', () => {
    const nan = Number.NaN;
    const line = Float32Array.from([nan, nan, 5, 5, nan, 7, nan, 7]);
    for (const name of ['combineMean', 'combineMedian', 'combineMax', 'combineClipped'] as const) {
      const { out, kept } = runCombine(kernels, name, line, { frames: 2, rowLength: 4, height: 1 });
      expect([...out]).toEqual([nan, 7, 5, name === 'combineMax' ? 7 : 6]);
      expect([...kept]).toEqual([0, 1, 1, 2]);
    }
  });
});

describe('noise of combined frames', () => {
  const size = 256 * 64;
  const noise = (frames: number, seed: number): Float32Array => {
    const random = seededRandom(seed);
    return Float32Array.from({ length: frames * size }, () => gaussian(random));
  };
  const sd = (values: Float32Array): number =>
    Math.sqrt(values.reduce((sum, v) => sum + v * v, 0) / values.length);

  it('is that of order statistics for the median (D-MED)', () => {
    for (const { count, sd: truth } of golden.medians.filter((m: { count: number }) => m.count <= 16)) {
      const { out } = runCombine(kernels, 'combineMedian', noise(count, count), {
        ...{ frames: count, rowLength: 256, height: 64 },
      });
      // 16384 px: an sd is known to 1/sqrt(2 x 16384) = 0.55 %; 3 sigma of it.
      expect(Math.abs(sd(out) / truth - 1)).toBeLessThan(0.0166);
    }
  });

  it('is rejected by mistake as often as the limits say, since MAD counts as 1.4826 MAD (L70)', () => {
    // Beyond 3 sigma above and 4 below of a normal distribution: 0.135 % and 0.003 %. @source normal table.
    const beyond = 0.00135 + 0.0000317;
    const share = (count: number, spreadFrom: number, variance: number) => {
      const shape = { frames: count, rowLength: 256, height: 64 };
      const { rejected } = runCombine(kernels, 'combineClipped', noise(count, 200 + count), {
        ...shape,
        ...{ variances: new Array(count).fill([variance, 0]).flat(), spreadFrom },
        ...{ sigmaLower: 4, sigmaUpper: 3 },
      });
      return rejected.reduce((sum, n) => sum + n, 0) / (count * size);
    };
    // Sigma from the noise model: a distance from a median of N is wider than one from the truth by 1 + pi/(2N)
    // less twice their covariance 1/N (asymptotic variance of a median), so rejection is a little rarer or
    // commoner; 491,520 samples hold the share to 4 % (one sigma).
    expect(Math.abs(share(30, 99, 1) / beyond - 1)).toBeLessThan(0.25);
    // Sigma from the samples' own spread, MAD of 30 known to 15 %, clipped again and again: a few times as many.
    // With the bare MAD for sigma the limit would lie at 2 sigma and 2.3 % would go at the first look alone.
    expect(share(30, 0, 1e-6)).toBeLessThan(0.0228 / 2);
    // Few frames: the model's sigma keeps the share where it was; the spread of five would not.
    expect(share(5, 10, 1)).toBeLessThan(2 * beyond);
    expect(share(5, 0, 1e-6)).toBeGreaterThan(5 * beyond);
  });

  it('is 1/sqrt(N) for the mean, and close to it for the clipped mean at 4 and 3 sigma', () => {
    for (const count of [4, 5, 8, 12, 16, 30]) {
      const data = noise(count, 100 + count);
      const shape = { frames: count, rowLength: 256, height: 64 };
      const mean = sd(runCombine(kernels, 'combineMean', data, shape).out) * Math.sqrt(count);
      expect(Math.abs(mean - 1)).toBeLessThan(0.0166); // 3 sigma of an sd of 16384 values
      const clipped = runCombine(kernels, 'combineClipped', data, {
        ...shape,
        ...{ variances: new Array(count).fill([1, 0]).flat(), spreadFrom: 10, sigmaLower: 4, sigmaUpper: 3 },
      });
      // Same data: the ratio to the mean carries no sampling noise to speak of. The clip's own loss: an
      // estimator that lets go at k sigma has variance 1 / (P(|x|<k) - 2k phi(k)) (P. J. Huber, Robust Statistics,
      // 3.2): 0.7 % in sd for one side at 3; a median of few frames wanders and doubles it.
      expect((sd(clipped.out) * Math.sqrt(count)) / mean).toBeLessThan(count < 8 ? 1.02 : 1.015);
    }
  });
});
