import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { loadKernelsFromDisk } from '../../src/kernels/index.js';
import { demosaic, evenEdgeColor } from '../../src/stacking/index.js';
import { RGGB } from './support.js';

const [WIDTH, HEIGHT] = [96, 96];
const SKY = [70, 100, 80] as const;

/** A tree's rim against the sky, finer than the colour filter; land is black. */
async function tree() {
  const random = seededRandom(4);
  const mask = { width: WIDTH, height: HEIGHT, data: new Uint8Array(WIDTH * HEIGHT) };
  for (let y = 0; y < HEIGHT; y++) {
    for (let x = 0; x < WIDTH; x++) {
      const depth = y - 48 + 3 * Math.sin(x / 5);
      // Leaves and gaps of one pixel near the rim.
      mask.data[y * WIDTH + x] = depth > 3 || (depth > -3 && random() < 0.5) ? 1 : 0;
    }
  }
  const mosaic = Float32Array.from(mask.data, (land, at) => {
    const color = RGGB.colors[(Math.floor(at / WIDTH) % 2) * 2 + ((at % WIDTH) % 2)]!;
    return land ? 0 : SKY[color]!;
  });
  const kernels = await loadKernelsFromDisk();
  const saturation = [1e4, 1e4, 1e4] as const;
  const options = {
    width: WIDTH,
    height: HEIGHT,
    cfa: RGGB,
    method: 'gradient-corrected',
    saturation,
  } as const;
  return { mask, image: demosaic(mosaic, options, kernels) };
}

/** Root mean square of false colour: how far red and blue stand off the sky's share of green. */
function falseColor(image: { readonly data: Float32Array }): number {
  const size = WIDTH * HEIGHT;
  let sum = 0;
  for (let at = 0; at < size; at++) {
    const green = image.data[size + at]!;
    sum += (image.data[at]! - 0.7 * green) ** 2 + (image.data[2 * size + at]! - 0.8 * green) ** 2;
  }
  return Math.sqrt(sum / size);
}

describe('evenEdgeColor', () => {
  it('takes most of the false colour off a rim of leaves and leaves green alone', async () => {
    const { mask, image } = await tree();
    const before = falseColor(image);
    const size = WIDTH * HEIGHT;
    const green = image.data.slice(size, 2 * size);
    evenEdgeColor(image, mask);
    expect(before).toBeGreaterThan(5); // ADU of a sky of 100: there is something to mend
    expect(falseColor(image)).toBeLessThan(0.5 * before); // a median of 25 differences halves it at least
    expect(image.data.slice(size, 2 * size)).toEqual(green);
  });

  it('changes nothing away from the edge', async () => {
    const { mask, image } = await tree();
    const before = image.data.slice();
    evenEdgeColor(image, mask);
    for (let y = 0; y < 30; y++) {
      for (let x = 0; x < WIDTH; x++) {
        expect(image.data[y * WIDTH + x]).toBe(before[y * WIDTH + x]);
      }
    }
  });
});
