import { describe, expect, it } from 'vitest';
import { type ColorImage, gaussian, seededRandom } from '../../src/core/index.js';
import { landShift, shiftedBy } from '../../src/stacking/index.js';

const [width, height] = [240, 160];

/** A hill line with trees under a smooth sky, moved by (dx, dy), smooth enough to be sampled. */
function scene(dx: number, dy: number, noise: number, seed: number): ColorImage {
  const random = seededRandom(seed);
  const data = new Float32Array(3 * width * height);
  for (let c = 0; c < 3; c++)
    for (let y = 0; y < height; y++)
      for (let x = 0; x < width; x++) {
        const [u, v] = [x - dx, y - dy];
        const hill = 100 + 12 * Math.sin(u / 19) + 5 * Math.sin(u / 5.3) + 4 * Math.cos(u / 3.1);
        const land = 1 / (1 + Math.exp(-(v - hill) / 0.8));
        const ground = 20 + 8 * Math.sin(u / 7) * Math.sin(v / 6);
        data[(c * height + y) * width + x] = 130 * (1 - land) + ground * land + noise * gaussian(random);
      }
  return { width, height, data };
}

const land = {
  width,
  height,
  data: Uint8Array.from({ length: width * height }, (_, i) => (Math.floor(i / width) > 101 ? 1 : 0)),
};

describe('landShift', () => {
  it.each([
    [0, 0],
    [0.4, -0.3],
    [-1.2, 0.8],
    [2.4, 1.5],
  ])('finds %f, %f px to 0.05 px in noise of 4 ADU', (dx, dy) => {
    const found = landShift(scene(0, 0, 4, 1), scene(dx, dy, 4, 2), land);
    // Slopes of about 30 ADU/px along 240 columns: the noise alone is 4 / (30 sqrt(240)) = 0.01 px; the rest is interpolation.
    expect(Math.hypot(found[0] - dx, found[1] - dy)).toBeLessThan(0.05);
  });

  it('says nothing of a land that shows nothing', () => {
    const flat = { width, height, data: new Float32Array(3 * width * height).fill(5) };
    expect(landShift(flat, flat, land)).toEqual([0, 0]);
  });
});

describe('shiftedBy', () => {
  it('brings a moved picture back and scales it', () => {
    const back = shiftedBy(scene(1.5, -0.5, 0, 1), [1.5, -0.5], 2);
    const still = scene(0, 0, 0, 1);
    let worst = 0;
    for (let y = 4; y < height - 4; y++)
      for (let x = 4; x < width - 4; x++) {
        const at = y * width + x;
        worst = Math.max(worst, Math.abs(back.data[at]! - 2 * still.data[at]!));
      }
    // Half way between pixels bilinear errs by an eighth of the second derivative along each axis: an edge 0.8 px soft
    // of 2 x 110 ADU bends by 220 x 0.0962 / 0.64 = 33 ADU/px^2 across, and up to 2.9^2 times that along the row.
    expect(worst).toBeLessThan((33 / 8) * (1 + 2.9 ** 2));
    expect(shiftedBy(still, [0, 0], 1).data).toEqual(still.data);
  });
});
