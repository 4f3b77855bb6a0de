import { beforeAll, describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { type Kernels, loadKernelsFromDisk, plainKernels } from '../../src/kernels/index.js';
import { type CombineName, randomValues, runCombine, runWarp } from './kernel-cases.js';

let wasm: Kernels;
const plain = plainKernels();
beforeAll(async () => {
  wasm = await loadKernelsFromDisk();
});

/** Bits, so that NaN equals NaN and 0 differs from -0. */
const bits = (values: Float32Array): Uint32Array =>
  Uint32Array.from(new Uint32Array(values.buffer, values.byteOffset, values.length), (word, i) =>
    Number.isNaN(values[i]!) ? 0x7fc00000 : word,
  );

describe('compiled kernels equal their plain twins bit for bit', () => {
  it('warp: turned, shifted, out of the frame, with gaps and clipped stars', () => {
    const random = seededRandom(11);
    for (let run = 0; run < 24; run++) {
      const sourceRect = {
        x0: Math.floor(random() * 20),
        y0: Math.floor(random() * 20),
        width: 6 + Math.floor(random() * 40),
        height: 6 + Math.floor(random() * 40),
      };
      const planes = run % 2 === 0 ? 3 : 1;
      const source = randomValues(
        random,
        planes * sourceRect.width * sourceRect.height,
        run % 3 === 0 ? 0 : 0.02,
      );
      const turn = (random() - 0.5) * 0.5;
      const tile = {
        x0: 32 * (run % 2),
        y0: 0,
        width: 1 + Math.floor(random() * 61),
        height: 1 + Math.floor(random() * 30),
      };
      const options = {
        source,
        sourceRect,
        tile,
        step: 7 + (run % 20),
        limits: run % 4 === 0 ? [5000] : [Number.POSITIVE_INFINITY],
        map: (x: number, y: number): readonly [number, number] => [
          x * Math.cos(turn) - y * Math.sin(turn) + 3.3,
          run % 5 === 0 && x > 40 ? Number.NaN : x * Math.sin(turn) + y * Math.cos(turn) - 1.7,
        ],
      };
      expect(bits(runWarp(wasm, options))).toEqual(bits(runWarp(plain, options)));
    }
  });

  it.each(['combineMean', 'combineMedian', 'combineMax', 'combineClipped'] as const)(
    '%s: 1 to 70 frames with gaps and spikes',
    (name: CombineName) => {
      const random = seededRandom(12);
      for (let run = 0; run < 40; run++) {
        const frames = run < 20 ? run + 1 : 1 + Math.floor(random() * 70);
        const rowLength = 4 * (1 + Math.floor(random() * 12));
        const height = 1 + Math.floor(random() * 3) + (run % 7 === 0 ? 33 : 0);
        const size = rowLength * height;
        const samples = randomValues(random, frames * size, run % 4 === 0 ? 0.6 : 0.05);
        // Some pixels without any data.
        for (let i = 0; i < size; i += 13)
          for (let f = 0; f < frames; f++) samples[f * size + i] = Number.NaN;
        const options = {
          ...{ frames, rowLength, height },
          weights: Array.from({ length: 97 }, () => random() + 0.1),
          variances: Array.from({ length: 2 * frames }, (_, i) =>
            i % 2 ? random() : run % 2 ? 400 * random() : 0,
          ),
          ...{
            pedestal: 90,
            sigmaLower: 2 + random(),
            sigmaUpper: 2 + random(),
            spreadFrom: run % 3 ? 8 : 0,
          },
          ...{ signalShare: run % 2 ? 0.1 : 0, maxIterations: 1 + (run % 6) },
        };
        const a = runCombine(wasm, name, samples, options);
        const b = runCombine(plain, name, samples, options);
        expect(bits(a.out)).toEqual(bits(b.out));
        expect(a.kept).toEqual(b.kept);
        expect(a.rejected).toEqual(b.rejected);
      }
    },
  );

  it('demosaicBayer: all patterns and sizes, with gaps and clipped stars', () => {
    const random = seededRandom(14);
    for (let run = 0; run < 48; run++) {
      const width = run < 16 ? run + 1 : 10 + Math.floor(random() * 40);
      const height = 1 + Math.floor(random() * 30);
      const source = randomValues(random, width * height, run % 3 === 0 ? 0 : 0.03);
      const on = (kernels: Kernels): Float32Array => {
        const { memory } = kernels;
        memory.reset();
        const mosaic = memory.f32(source.length);
        const out = memory.f32(3 * source.length);
        mosaic.data.set(source);
        const [redX, redY] = [(run & 1) as 0 | 1, ((run >> 1) & 1) as 0 | 1];
        const saturation = run % 4 === 0 ? ([5000, 4000, 6000] as const) : ([1e6, 1e6, 1e6] as const);
        kernels.demosaicBayer({ mosaic, out, width, height, redX, redY, saturation });
        return out.data.slice();
      };
      expect(bits(on(wasm))).toEqual(bits(on(plain)));
    }
  });

  it('level and unpack', () => {
    const random = seededRandom(13);
    const run = (kernels: Kernels): Float32Array => {
      const { memory } = kernels;
      memory.reset();
      const packed = memory.u16(1001);
      const data = memory.f32(1001);
      const coefficients = memory.f64(6);
      packed.data.forEach((_, i) => {
        packed.data[i] = i % 17 === 0 ? 0 : (i * 7919) % 65536;
      });
      coefficients.data.set([3, -1.5, 0.25, 10 * third, -third, 2]);
      kernels.unpack(packed, data, 1024, 0.27);
      const tile = { x0: 96, y0: 32, width: 33, height: 28 };
      kernels.level({
        ...{ data, start: 5, rowLength: 35, tile, scale: 1.37, coefficients },
        ...{ centerX: 700.5, centerY: 300.5, radius: 812 },
      });
      return data.data.slice();
    };
    const third = random();
    expect(bits(run(wasm))).toEqual(bits(run(plain)));
  });
});

describe('the compiled file', () => {
  it('really holds 128-bit lanes', async () => {
    const { readFile } = await import('node:fs/promises');
    const bytes = await readFile(new URL('../../dist/src/kernels/kernels.wasm', import.meta.url));
    // f32x4.min is 0xfd 0xe8 0x01 in the binary format (SIMD proposal, opcode table).
    expect(bytes.includes(Buffer.from([0xfd, 0xe8, 0x01]))).toBe(true);
  });
});
