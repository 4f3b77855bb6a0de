import { beforeAll, describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { type Kernels, loadKernelsFromDisk, plainKernels } from '../../src/kernels/index.js';
import type { StackFrame, StackInput } from '../../src/stacking/index.js';
import { cropReader, gridOf, noiseFrame, packed, RANGE, RGGB, stackWhole, turned } from './support.js';

let wasm: Kernels;
beforeAll(async () => {
  wasm = await loadKernelsFromDisk();
});

const W = 150;
const H = 110;
const FLAT_VARIANCE = { constant: 400, slope: 0 };

/** Turned frames of noise and stars with a gap, a satellite and levels of their own. */
function night(count: number): { input: StackInput; frames: Map<string, Uint16Array> } {
  const random = seededRandom(5);
  const frames = new Map<string, Uint16Array>();
  const list: StackFrame[] = [];
  for (let f = 0; f < count; f++) {
    const id = `f${String(f).padStart(3, '0')}`;
    const data = noiseFrame(100 + f, W, H, 1000, 25);
    for (let s = 0; s < 30; s++) data[Math.floor(random() * W * H)] = s % 3 === 0 ? 16500 : 4000 * random();
    for (let s = 0; s < 20; s++) data[(20 + s) * W + 30 + s] = Number.NaN;
    if (f === 2) for (let x = 0; x < W; x++) data[50 * W + x] = 5000;
    frames.set(id, packed(data));
    list.push({
      id,
      grid: gridOf(W, H, turned(W, H, (f - count / 2) * 0.01, 3.3 * f - 9, -1.7 * f), 24),
      scale: 1 + 0.05 * random(),
      weight: 0.5 + random(),
      level: [
        [1, 2, -3, 0.5, 0.25, 4],
        [0, 0, 0, 0, 0, 0],
        [-5, 1, 1, 1, 1, 1],
      ],
      zoneWeights: { columns: 2, rows: 2, data: Float32Array.of(1, 0.5, 1, 0.8) },
      variance: [FLAT_VARIANCE, FLAT_VARIANCE, FLAT_VARIANCE],
    });
  }
  return {
    frames,
    input: {
      ...{ width: W, height: H, cfa: RGGB, sourcePlanes: 1, frames: list, pack: RANGE },
      saturation: [12000, 12000, 12000],
      land: {},
    },
  };
}

/** All numbers of both layers as bytes: equal bytes, NaN included. */
const bytes = (result: ReturnType<typeof stackWhole>): Buffer =>
  Buffer.concat(
    [result.sky, result.land].flatMap((layer) =>
      [layer.image, layer.coverage, layer.rejected].map((a) => Buffer.from(a.data.buffer)),
    ),
  );

describe('stackTile', () => {
  const { input, frames } = night(7);
  const read = cropReader(frames, W, H);

  it.each(['mean', 'median', 'clipped-mean', 'max'] as const)(
    'gives the same bits for any tile size and frame order: %s (L71)',
    (method) => {
      const with_ = { ...input, sky: { method }, land: { method } };
      const a = stackWhole(with_, read, wasm, { tileSize: 160 });
      const reversed = { ...with_, frames: [...with_.frames].reverse() };
      for (const tileSize of [32, 64, 96]) {
        const b = stackWhole(reversed, read, wasm, { tileSize });
        expect(bytes(b).equals(bytes(a))).toBe(true);
      }
    },
  );

  it('gives the same bits with the plain kernels', () => {
    const a = stackWhole(input, read, wasm, { tileSize: 64 });
    const b = stackWhole(input, read, plainKernels(), { tileSize: 64 });
    expect(bytes(b).equals(bytes(a))).toBe(true);
  });
});
