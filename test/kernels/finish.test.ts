import { beforeAll, describe, expect, it } from 'vitest';
import { seededRandom, srgbEncode } from '../../src/core/index.js';
import {
  FINISH_MARGIN,
  type Kernels,
  loadKernelsFromDisk,
  FINISH_PARAMETERS as P,
  plainKernels,
} from '../../src/kernels/index.js';

const MATRIX = [1.72, -0.58, -0.14, -0.19, 1.44, -0.25, 0.03, -0.46, 1.43];

/** Rows as stacks have them: sky, stars, clipped stars, places without data, land, thin coverage. */
function make(kernels: Kernels, seed: number, width: number, rows: number) {
  const random = seededRandom(seed);
  const { memory } = kernels;
  memory.reset();
  const rowLength = 4 * Math.ceil((width + 2 * FINISH_MARGIN) / 4);
  const flat = rows * rowLength;
  const block = (length: number, fill: (i: number) => number) => {
    const made = memory.f32(length);
    made.data.set(Float32Array.from({ length }, (_, i) => fill(i)));
    return made;
  };
  const source = block(3 * (rows + 4) * rowLength, (i) => {
    const column = i % rowLength;
    if (column < FINISH_MARGIN || column >= FINISH_MARGIN + width) return Number.NaN;
    const dice = random();
    if (dice < 0.05) return Number.NaN;
    if (dice < 0.1) return 20000 * random();
    if (dice < 0.13) return -30 * random();
    return 400 + 60 * random();
  });
  const share = () => (random() < 0.5 ? 0 : random() < 0.5 ? 1 : random());
  const n = 500;
  const parameters = block(P.count, () => 0);
  parameters.data.set([2.05, 1, 1.62], P.multipliers);
  parameters.data[P.clip] = 15000;
  parameters.data.set(MATRIX, P.matrix);
  parameters.data.set([12, -5, 3], P.cast);
  parameters.data.set([4, -2, 1], P.landCast);
  parameters.data[P.toneFrom] = 350;
  parameters.data[P.toneScale] = 1 / 14000;
  parameters.data[P.landCap] = 0.015;
  parameters.data[P.saturation] = 1.35;
  return {
    ...{ source, rowLength, width, rows, parameters },
    land: block(flat, share),
    sharpness: block(flat, () => 0.01 + 0.02 * random()),
    smoothing: block(flat, random),
    gradient: block(3 * flat, () => 40 * random() - 20),
    tone: block(4 * (n + 2), (i) => (i % 2 === 0 ? Math.min(1, i / (4 * n)) : 1e-4 + 1e-3 * random())),
    encode: block(2 * (n + 2), (i) => {
      const code = (k: number) => 65535 * srgbEncode(Math.min(1, (k / n) ** 2));
      const k = i >> 1;
      return i % 2 === 0 ? code(k) : code(k + 1) - code(k);
    }),
    out: memory.u16(3 * rows * width),
  };
}

describe('finishBand', () => {
  let wasm: Kernels;
  beforeAll(async () => {
    wasm = await loadKernelsFromDisk();
  });

  it('equals its plain twin bit for bit: sky, land, stars, gaps, rows of any length', () => {
    for (const [seed, width, rows] of [
      [1, 37, 9],
      [2, 64, 5],
      [3, 1, 1],
      [4, 130, 24],
      [5, 3, 2],
    ] as const) {
      const fast = make(wasm, seed, width, rows);
      const clipped = wasm.finishBand(fast);
      const plain = plainKernels();
      const slow = make(plain, seed, width, rows);
      expect(plain.finishBand(slow)).toBe(clipped);
      expect(fast.out.data).toEqual(slow.out.data);
      expect(fast.out.data.some((code) => code > 0)).toBe(true);
    }
  });

  it('does not depend on how rows are cut into bands', () => {
    // The whole, and its last rows alone.
    const whole = make(wasm, 8, 50, 12);
    wasm.finishBand(whole);
    const all = Uint16Array.from(whole.out.data);
    const part = make(wasm, 8, 50, 12);
    const { rowLength } = part;
    const cut = 7;
    const keep = 12 - cut;
    const moved = new Float32Array(3 * (keep + 4) * rowLength);
    for (let c = 0; c < 3; c++) {
      const from = (c * 16 + cut) * rowLength;
      moved.set(part.source.data.subarray(from, from + (keep + 4) * rowLength), c * (keep + 4) * rowLength);
    }
    const slopes = new Float32Array(3 * keep * rowLength);
    for (let c = 0; c < 3; c++) {
      const from = (c * 12 + cut) * rowLength;
      slopes.set(part.gradient.data.subarray(from, from + keep * rowLength), c * keep * rowLength);
    }
    part.source.data.set(moved);
    part.gradient.data.set(slopes);
    for (const map of [part.land, part.sharpness, part.smoothing]) map.data.copyWithin(0, cut * rowLength);
    wasm.finishBand({ ...part, rows: keep });
    expect(part.out.data.subarray(0, 3 * keep * 50)).toEqual(all.subarray(3 * cut * 50));
  });
});
