import { describe, expect, it } from 'vitest';
import { plainKernels } from '../../src/kernels/index.js';
import { demosaicBalanced } from '../../src/stacking/demosaic.js';
import { RGGB } from './support.js';

const [W, H] = [24, 24];

/** Raw counts of grey in red, green and blue: an ordinary sensor sees twice as much green as red. */
const RAW = [1 / 2.05, 1, 1 / 1.62] as const;

/** A small grey star at (x, y) on no sky, through a colour filter, as a camera counts it; averaged over many places. */
function starPlanes(balance: readonly [number, number, number]): Float32Array[] {
  const sums = [0, 1, 2].map(() => new Float32Array(9 * 9));
  for (let j = 0; j < 8; j++) {
    for (let i = 0; i < 8; i++) {
      const [cx, cy] = [11 + i / 4, 11 + j / 4];
      const kernels = plainKernels();
      const mosaic = kernels.memory.f32(W * H);
      const out = kernels.memory.f32(3 * W * H);
      for (let y = 0; y < H; y++) {
        for (let x = 0; x < W; x++) {
          const color = RGGB.colors[(y & 1) * 2 + (x & 1)]! as 0 | 1 | 2;
          mosaic.data[y * W + x] =
            1000 * RAW[color] * Math.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 0.9 ** 2));
        }
      }
      const saturation = [1e5, 1e5, 1e5] as const;
      const options = { width: W, height: H, cfa: RGGB, method: 'gradient-corrected', saturation } as const;
      demosaicBalanced(kernels, mosaic, out, { ...options, balance });
      for (let c = 0; c < 3; c++) {
        for (let k = 0; k < 81; k++) {
          const [x, y] = [Math.round(cx) + (k % 9) - 4, Math.round(cy) + Math.floor(k / 9) - 4];
          sums[c]![k]! += out.data[(c * H + y) * W + x]! / RAW[c as 0]!;
        }
      }
    }
  }
  return sums;
}

describe('demosaicBalanced', () => {
  it('shows a grey star grey in its core and without dark rims, where raw counts make it purple', () => {
    const plain = starPlanes([1, 1, 1]);
    const even = starPlanes([2.05, 1, 1.62]);
    const core = (planes: Float32Array[], c: number) => planes[c]![40]! / planes[1]![40]!;
    const rim = (planes: Float32Array[], c: number) => Math.min(...planes[c]!) / planes[c]![40]!;
    for (const c of [0, 2]) {
      // The light of a star is the same either way: the corrections sum to nothing.
      const total = (planes: Float32Array[]) => planes[c]!.reduce((sum, v) => sum + v, 0);
      expect(total(even) / total(plain)).toBeCloseTo(1, 2); // square of 9 px
      expect(Math.abs(core(even, c) - 1)).toBeLessThan(0.4 * Math.abs(core(plain, c) - 1));
    }
    const deepest = (planes: Float32Array[]) => Math.min(rim(planes, 0), rim(planes, 2));
    expect(deepest(even)).toBeGreaterThan(0.6 * deepest(plain)); // .54 of it: what the correction itself leaves
  });
});
