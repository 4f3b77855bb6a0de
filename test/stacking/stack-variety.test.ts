import { readFileSync } from 'node:fs';
import { beforeAll, describe, expect, it } from 'vitest';
import { type CfaPattern, colorPlane, seededRandom } from '../../src/core/index.js';
import { createWorkerPool, type Kernels, loadKernelsFromDisk } from '../../src/kernels/index.js';
import {
  coarseSky,
  demosaic,
  emptyLayer,
  fitFalloff,
  lensFalloff,
  makeStackPlan,
  pack,
  packRange,
  placeTile,
  planTiles,
  type StackFrame,
  type StackInput,
  shiftGrid,
  sourceRect,
  stackTile,
  type TileResult,
  tileBytes,
  tileTask,
  transmissionAt,
  unpack,
} from '../../src/stacking/index.js';
import { makeNight, prepare, WHITE } from './night.js';
import { cropReader, gridOf, noiseFrame, packed, RANGE, RGGB, stackWhole, turned } from './support.js';

const golden = JSON.parse(readFileSync(new URL('../golden/stacking-checks.json', import.meta.url), 'utf8'));
let kernels: Kernels;
beforeAll(async () => {
  kernels = await loadKernelsFromDisk();
});

const NO_LIMIT = [1e9, 1e9, 1e9] as const;
const XTRANS: CfaPattern = {
  ...{ width: 6, height: 6 },
  // The 6 x 6 pattern: every row and column holds all colours.
  colors: [
    1, 2, 1, 1, 0, 1, 0, 1, 0, 2, 1, 2, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 1, 2, 1, 2, 0, 1, 0, 1, 0, 1, 1, 2,
    1,
  ],
};

describe('demosaic', () => {
  const mosaic = Float32Array.from(golden.demosaic.rggb.flat() as number[]);
  const options = { width: 8, height: 8, cfa: RGGB, saturation: NO_LIMIT };

  it("bilinear is exact where stated and OpenCV's to its rounding inside (F-DM)", () => {
    const { data } = demosaic(mosaic, { ...options, method: 'bilinear' }, kernels);
    for (const [place, wanted] of Object.entries<number[]>(golden.demosaic.exact)) {
      const [row, column] = place.split(',').map(Number) as [number, number];
      wanted.forEach((value, color) => {
        expect(data[color * 64 + row * 8 + column]).toBe(value);
      });
    }
    for (let y = 1; y < 7; y++) {
      for (let x = 1; x < 7; x++) {
        for (let color = 0; color < 3; color++) {
          const wanted = golden.demosaic.cv2[y][x][color];
          expect(Math.abs(data[color * 64 + y * 8 + x]! - wanted)).toBeLessThanOrEqual(0.5); // it rounds
        }
      }
    }
  });

  it.each(['gradient-corrected', 'bilinear'] as const)(
    '%s keeps a flat flat and a gray ramp straight',
    (method) => {
      const ramp = Float32Array.from({ length: 400 }, (_, i) => 100 + 3 * (i % 20) + 2 * Math.floor(i / 20));
      for (const shift of [0, 1, 2, 3]) {
        const colors = [0, 1, 2, 3].map((k) => RGGB.colors[k ^ shift]!) as CfaPattern['colors'];
        const cfa = { width: 2, height: 2, colors };
        const { data } = demosaic(
          ramp,
          { width: 20, height: 20, cfa, method, saturation: NO_LIMIT },
          kernels,
        );
        for (let y = 2; y < 18; y++) {
          for (let x = 2; x < 18; x++) {
            for (let color = 0; color < 3; color++) {
              expect(data[color * 400 + y * 20 + x]).toBeCloseTo(ramp[y * 20 + x]!, 3); // f32
            }
          }
        }
      }
    },
  );

  it.each(['RGGB', 'GBRG', 'GRBG', 'BGGR'])(
    "gradient-corrected is libdc1394's to its rounding inside, %s",
    (pattern) => {
      const dc = JSON.parse(
        readFileSync(new URL('../golden/demosaic-libdc1394.json', import.meta.url), 'utf8'),
      );
      const side = dc.side as number;
      const colors = [...pattern].map((letter) => 'RGB'.indexOf(letter)) as CfaPattern['colors'];
      const { data } = demosaic(
        Float32Array.from(dc.mosaic as number[]),
        {
          ...{ width: side, height: side, cfa: { width: 2, height: 2, colors } },
          ...{ method: 'gradient-corrected', saturation: NO_LIMIT },
        },
        kernels,
      );
      for (let y = 2; y < side - 2; y++) {
        for (let x = 2; x < side - 2; x++) {
          for (let color = 0; color < 3; color++) {
            const wanted = dc[pattern][3 * (y * side + x) + color];
            const off = Math.abs(data[color * side * side + y * side + x]! - wanted);
            // It rounds sixteenths twice: to whole numbers by half, and once more by a sixteenth.
            expect(off).toBeLessThanOrEqual(0.5625);
          }
        }
      }
    },
  );

  it('gradient-corrected has the published weights (Malvar, He and Cutler 2004, fig. 2)', () => {
    const response = (x: number, y: number, color: number, from: readonly [number, number]): number => {
      const one = new Float32Array(144);
      one[from[1] * 12 + from[0]] = 8;
      const all = {
        width: 12,
        height: 12,
        cfa: RGGB,
        method: 'gradient-corrected',
        saturation: NO_LIMIT,
      } as const;
      return demosaic(one, all, kernels).data[color * 144 + y * 12 + x]!;
    };
    // Green on the red site (6, 6); red on the green site (7, 6) of a red row; red on the blue site (7, 7).
    expect(
      [
        [6, 6],
        [7, 6],
        [6, 5],
        [8, 6],
        [6, 4],
      ].map((p) => response(6, 6, 1, p as [number, number])),
    ).toEqual([4, 2, 2, -1, -1]);
    expect(
      [
        [7, 6],
        [6, 6],
        [9, 6],
        [7, 4],
        [6, 5],
      ].map((p) => response(7, 6, 0, p as [number, number])),
    ).toEqual([5, 4, -1, 0.5, -1]);
    expect(
      [
        [7, 7],
        [6, 6],
        [7, 9],
        [5, 7],
      ].map((p) => response(7, 7, 0, p as [number, number])),
    ).toEqual([6, 2, -1.5, -1.5]);
  });

  it('is bilinear beside clipped and missing samples, so that nothing rings (L74)', () => {
    const data = new Float32Array(400).fill(1000);
    data[10 * 20 + 10] = 15000;
    data[5 * 20 + 5] = Number.NaN;
    const { data: out } = demosaic(
      data,
      { width: 20, height: 20, cfa: RGGB, method: 'gradient-corrected', saturation: [14000, 14000, 14000] },
      kernels,
    );
    expect(Math.min(...out)).toBe(1000);
    expect(out.every((v) => v >= 1000)).toBe(true);
  });

  it('interpolates the 6 x 6 pattern by weighted means', () => {
    const flat = new Float32Array(24 * 24);
    for (let i = 0; i < flat.length; i++) {
      flat[i] = [300, 100, 200][XTRANS.colors[(Math.floor(i / 24) % 6) * 6 + ((i % 24) % 6)]!]!;
    }
    const all = {
      width: 24,
      height: 24,
      cfa: XTRANS,
      method: 'gradient-corrected',
      saturation: NO_LIMIT,
    } as const;
    const { data } = demosaic(flat, all, kernels);
    expect(new Set(data.subarray(0, 576))).toEqual(new Set([300]));
    expect(new Set(data.subarray(576, 1152))).toEqual(new Set([100]));
    expect(new Set(data.subarray(1152))).toEqual(new Set([200]));
  });
});

describe('pack', () => {
  it('keeps values to half a step, negatives and missing ones', () => {
    const range = packRange(16383, 2);
    const values = Float32Array.of(-300, -0.2, 0, 1, 12345.6, 32766, Number.NaN, 1e9, -1e9);
    const back = unpack(pack(values, range), range);
    for (let i = 0; i < 6; i++)
      expect(Math.abs(back[i]! - values[i]!)).toBeLessThanOrEqual(0.5 * range.scale + 2e-3); // f32
    expect(back[6]).toBeNaN();
    expect(back[7]).toBeGreaterThan(32765);
    expect(back[8]).toBeLessThan(-1000);
    expect(packRange(16383).scale).toBeLessThan(0.3); // 0.08 ADU of noise
  });
});

describe('frames of every kind', () => {
  const W = 96;
  const H = 64;
  const variance = { constant: 25, slope: 0 };
  const frame = (id: string, grid = shiftGrid(W, H)): StackFrame => ({
    ...{ id, grid, scale: 1, weight: 1, variance: [variance, variance, variance] },
  });

  it('colour and mono frames go through unmosaiced, whole shifts exactly', () => {
    const planes = Float32Array.from([1, 2, 3].flatMap((k) => [...noiseFrame(k, W, H, 1000 * k, 5)]));
    const frames = new Map([['a', packed(planes)]]);
    const input: StackInput = {
      ...{ width: W, height: H, sourcePlanes: 3, pack: RANGE, saturation: NO_LIMIT },
      frames: [frame('a', shiftGrid(W, H, 3, -2))],
    };
    const { sky } = stackWhole(input, cropReader(frames, W, H), kernels, { layers: 'sky' });
    const stored = unpack(packed(planes), RANGE);
    for (let color = 0; color < 3; color++) {
      const at = color * W * H + 20 * W + 30;
      expect(sky.image.data[at]).toBe(stored[at - 2 * W + 3]);
    }
    const mono = new Map([['a', packed(planes.subarray(0, W * H))]]);
    const one = stackWhole({ ...input, sourcePlanes: 1 }, cropReader(mono, W, H), kernels, { layers: 'sky' });
    expect(one.sky.image.data[20 * W + 30]).toBe(stored[18 * W + 33]);
    expect(one.sky.image.data[W * H + 20 * W + 30]).toBe(stored[18 * W + 33]);
  });

  it("brackets are scaled by exposure: land and sky agree with the reference's", () => {
    const frames = new Map([
      ['a', packed(noiseFrame(1, W, H, 1000, 5))],
      ['b', packed(noiseFrame(2, W, H, 400, 3))],
    ]);
    const input: StackInput = {
      ...{ width: W, height: H, sourcePlanes: 1, cfa: RGGB, pack: RANGE, saturation: NO_LIMIT },
      frames: [frame('a'), { ...frame('b'), scale: 2.5, landScale: 2.5 }],
    };
    const { sky, land } = stackWhole(input, cropReader(frames, W, H), kernels);
    for (const layer of [sky, land]) {
      const green = colorPlane(layer.image, 1).data;
      expect(Math.abs(green.reduce((a, b) => a + b, 0) / green.length - 1000)).toBeLessThan(0.5); // 5/sqrt(2)/sqrt(6144) = 0.05, and the packing's step
    }
  });

  it('patchy cloud takes weight away where it hangs and only there (P33)', () => {
    const frames = new Map([
      ['a', packed(new Float32Array(W * H).fill(100))],
      ['b', packed(new Float32Array(W * H).fill(200))],
    ]);
    const input: StackInput = {
      ...{ width: W, height: H, sourcePlanes: 1, cfa: RGGB, pack: RANGE, saturation: NO_LIMIT },
      frames: [
        frame('a'),
        { ...frame('b'), zoneWeights: { columns: 3, rows: 1, data: Float32Array.of(0, 0.5, 1) } },
      ],
      sky: { method: 'mean' },
    };
    const { sky } = stackWhole(input, cropReader(frames, W, H), kernels, { layers: 'sky' });
    const at = (x: number): number => sky.image.data[W * H + 30 * W + x]!;
    // Zone centres lie at 16, 48 and 80 px; blocks of 32 px take the weight of their own middle.
    expect(at(10)).toBeCloseTo(100, 0); // a step of the packing is 0.25
    expect(at(40)).toBeCloseTo((100 + 0.5 * 200) / 1.5, 0);
    expect(at(90)).toBeCloseTo(150, 0);
  });

  it('the brightest value makes trails, without a gap where a frame is missing', () => {
    const frames = new Map(
      [0, 1, 2, 3].map((f) => {
        const data = new Float32Array(W * H).fill(100);
        for (let y = 30; y < 34; y++) for (let x = 20 + 6 * f; x < 26 + 6 * f; x++) data[y * W + x] = 3000;
        return [`f${f}`, packed(data)] as const;
      }),
    );
    const input: StackInput = {
      ...{ width: W, height: H, sourcePlanes: 1, cfa: RGGB, pack: RANGE, saturation: NO_LIMIT },
      ...{ frames: [...frames.keys()].map((id) => frame(id)), land: { method: 'max' } },
    };
    const { land } = stackWhole(input, cropReader(frames, W, H), kernels, { layers: 'land' });
    const green = colorPlane(land.image, 1).data;
    for (let x = 22; x < 42; x++) expect(green[32 * W + x]).toBeGreaterThan(2990); // a step of the packing is 0.25
    expect(Math.abs(green[10 * W + 30]! - 100)).toBeLessThan(1); // sky stays
  });

  it('a plan that cannot be made says why', () => {
    const input: StackInput = {
      ...{ width: W, height: H, sourcePlanes: 1, cfa: RGGB, pack: RANGE, saturation: NO_LIMIT, frames: [] },
    };
    expect(() => makeStackPlan(input)).toThrow(/at least one kept frame/);
    expect(() => makeStackPlan({ ...input, frames: [{ ...frame('a'), weight: 0 }] })).toThrow(
      /above 0 for frame a/,
    );
    expect(() => makeStackPlan({ ...input, frames: [frame('a', shiftGrid(40, 40, 0, 0, 20))] })).toThrow(
      /to reach 96x64/,
    );
  });
});

describe('workers and memory', () => {
  const [W, H, N] = [200, 150, 6];
  const random = seededRandom(9);
  const frames = new Map(
    Array.from(
      { length: N },
      (_, f) => [`f${f}`, packed(noiseFrame(f + 1, W, H, 900, 20 + 5 * random()))] as const,
    ),
  );
  const v = { constant: 400, slope: 0.1 };
  const input: StackInput = {
    ...{ width: W, height: H, sourcePlanes: 1, cfa: RGGB, pack: RANGE, saturation: NO_LIMIT },
    frames: [...frames.keys()].map((id, f) => ({
      ...{ id, scale: 1, weight: 1 + 0.1 * f, variance: [v, v, v] as const },
      grid: gridOf(W, H, turned(W, H, 0.01 * f, f, -f)),
    })),
  };

  it('one, two and three workers give the same bytes', async () => {
    const plan = makeStackPlan(input);
    const hashes: Buffer[] = [];
    for (const size of [1, 2, 3]) {
      const pool = createWorkerPool(new URL('./stack-worker.mjs', import.meta.url), size);
      const layer = emptyLayer(W, H);
      const tiles = planTiles({ width: W, height: H, frames: N, tileSize: size === 1 ? 224 : 64 });
      await Promise.all(
        tiles.map(async (tile) => {
          const task = tileTask(plan, tile, 'sky');
          const result = await pool.run<TileResult>('tile', { task, frames, width: W });
          placeTile(layer, tile, result.sky!);
        }),
      );
      await pool.close();
      hashes.push(Buffer.from(layer.image.data.buffer));
    }
    expect(hashes[1]!.equals(hashes[0]!)).toBe(true);
    expect(hashes[2]!.equals(hashes[0]!)).toBe(true);
  });

  it('a tile stays within its stated memory, which the plan keeps to (L71)', () => {
    const plan = makeStackPlan(input);
    const read = cropReader(frames, W, H);
    for (const tileSize of [64, 128]) {
      const [tile] = planTiles({ width: W, height: H, frames: N, tileSize });
      const { peakBytes } = stackTile(tileTask(plan, tile!), read, kernels);
      expect(peakBytes).toBeLessThan(tileBytes(tileSize, N) + 4e6); // other tests of this file used the same memory
    }
    for (const count of [10, 50, 200, 1000]) {
      const tiles = planTiles({ width: 6000, height: 4000, frames: count, memoryBytes: 400e6, workers: 2 });
      const size = tiles[0]!.width;
      expect(2 * tileBytes(size, count)).toBeLessThan(400e6);
      expect(tiles.reduce((sum, tile) => sum + tile.width * tile.height, 0)).toBe(24e6);
    }
  });

  it('reads only what a tile needs', () => {
    const grid = gridOf(6000, 4000, turned(6000, 4000, 0.05, 100, 50));
    const rect = sourceRect(
      grid,
      { x0: 2048, y0: 1024, width: 256, height: 256 },
      { width: 6000, height: 4000, period: 2 },
    )!;
    expect(rect.x0 % 2).toBe(0);
    // Turned by 0.05: 256 x (cos + sin) + 14 px of margin.
    expect(rect.width).toBeLessThan(256 * 1.05 + 16);
    expect(rect.height).toBeLessThan(256 * 1.05 + 16);
    expect(
      sourceRect(
        shiftGrid(100, 100, 500, 0),
        { x0: 0, y0: 0, width: 64, height: 64 },
        { width: 100, height: 100, period: 2 },
      ),
    ).toBeUndefined();
  });
});

describe('falloff', () => {
  it("is found from the run's own sky within 2 %, whatever the gradients, and only falls (P42)", () => {
    const [width, height] = [480, 320];
    const truth = (x: number, y: number): number => {
      const q = ((x - 239.5) ** 2 + (y - 159.5) ** 2) / (240 ** 2 + 160 ** 2);
      return Math.exp(-(0.5 * q + 0.35 * q * q));
    };
    const night = makeNight({
      ...{ width, height, frames: 4, falloff: truth },
      sky: (f, u, w) => 700 * Math.exp(0.12 * u * (f - 1) + 0.15 * w),
    });
    const falloff = fitFalloff(night.pixels.map((pixels) => coarseSky(pixels)))!;
    for (let x = 0; x < width; x += 40) {
      for (let y = 0; y < height; y += 40) {
        expect(Math.abs(transmissionAt(falloff, x, y) / truth(x, y) - 1)).toBeLessThan(0.02); // cells are known to 0.2 %, the corner is extrapolated
      }
    }
    expect(falloff.table.every((value, k) => k === 0 || value <= falloff.table[k - 1]!)).toBe(true);
    expect(falloff.table[0]).toBe(1);
    const { input } = prepare(night);
    expect(input.pack.scale * 65535).toBeGreaterThan(WHITE);
  });

  it('of a rectilinear lens is cos^4 of the field angle', () => {
    const falloff = lensFalloff({ width: 601, height: 401 }, 500);
    // 45 deg off the axis is 500 px out: beyond this frame; 300 px is atan(0.6).
    expect(transmissionAt(falloff, 600, 200)).toBeCloseTo(Math.cos(Math.atan(0.6)) ** 4, 5); // table of 1024
  });
});
