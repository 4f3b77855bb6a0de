import { describe, expect, it } from 'vitest';
import { type FramePixels, gaussian, seededRandom } from '../../src/core/index.js';
import { glimpse } from '../../src/nights/index.js';

const RGGB = { width: 2, height: 2, colors: [0, 1, 1, 2] as const };
const WHITE = 15_000;

interface Picture {
  readonly width?: number;
  readonly height?: number;
  readonly level?: number;
  readonly noise?: number;
  readonly stars?: number;
  readonly fwhm?: number;
  readonly hot?: number;
  readonly seed?: number;
}

/** A mosaic with stars of a Gaussian shape, hot pixels and noise; the places of its stars. */
function mosaic(picture: Picture): { pixels: FramePixels; stars: { x: number; y: number }[] } {
  const {
    width = 1500,
    height = 1000,
    level = 300,
    noise = 20,
    stars = 0,
    fwhm = 2,
    hot = 0,
    seed = 1,
  } = picture;
  const random = seededRandom(seed);
  const data = new Float32Array(width * height);
  for (let i = 0; i < data.length; i++) data[i] = level + noise * gaussian(random);
  const sigma = fwhm / 2.3548;
  const places = Array.from({ length: stars }, () => ({
    x: 20 + random() * (width - 40),
    y: 20 + random() * (height - 40),
    peak: 800 + 4000 * random(),
  }));
  const reach = Math.ceil(4 * sigma);
  for (const { x, y, peak } of places) {
    for (let j = Math.round(y) - reach; j <= Math.round(y) + reach; j++)
      for (let i = Math.round(x) - reach; i <= Math.round(x) + reach; i++)
        if (i >= 0 && j >= 0 && i < width && j < height)
          data[j * width + i]! += peak * Math.exp(-((i - x) ** 2 + (j - y) ** 2) / (2 * sigma * sigma));
  }
  for (let n = 0; n < hot; n++) data[Math.floor(random() * data.length)]! += 2000 + 10_000 * random();
  return {
    pixels: {
      kind: 'mosaic',
      width,
      height,
      data,
      cfa: RGGB,
      blackLevel: [1024],
      whiteLevel: [WHITE, WHITE, WHITE],
      quantization: 1,
      decoder: 'test',
      warnings: [],
    },
    stars: places,
  };
}

describe('glimpse', () => {
  it('tells levels as fractions of white', () => {
    const seen = glimpse(mosaic({ level: 1500 }).pixels);
    // A tenth of white; the median of 60,000 samples of relative noise 1.3 % is good to 1e-4.
    expect(seen.median).toBeCloseTo(0.1, 3);
    expect(seen.mean).toBeCloseTo(0.1, 3);
    expect(seen.clippedShare).toBe(0);
    expect(seen.unevenness).toBeLessThan(0.01); // medians of 400 samples of 0.7 % noise
  });

  it('finds sharp stars of an undersampled lens', () => {
    for (const fwhm of [1.5, 2, 4]) {
      const { pixels, stars } = mosaic({ stars: 120, fwhm });
      const seen = glimpse(pixels);
      // Blends and the faintest at 1.5 px are missed; none is invented.
      expect(seen.starCount).toBeGreaterThan(0.7 * stars.length);
      expect(seen.starCount).toBeLessThanOrEqual(stars.length);
      let near = 0;
      for (let i = 0; i < seen.peaks.length; i += 2)
        if (stars.some(({ x, y }) => Math.hypot(x - seen.peaks[i]!, y - seen.peaks[i + 1]!) < 1)) near++;
      expect(near / (seen.peaks.length / 2)).toBeGreaterThan(0.95); // close pairs share one peak
    }
  });

  it('takes 3,000 hot pixels of a capped lens for no stars (P12)', () => {
    const seen = glimpse(mosaic({ level: 10, noise: 8, hot: 3000 }).pixels);
    // Two hot pixels that touch by chance, with support of a third: a handful in 1.5 million pixels at most.
    expect(seen.starCount).toBeLessThanOrEqual(3);
  });

  it('sees stars among hot pixels', () => {
    const seen = glimpse(mosaic({ stars: 100, hot: 3000 }).pixels);
    expect(seen.starCount).toBeGreaterThan(60); // some stars lie beside a hot pixel
    expect(seen.starCount).toBeLessThan(110);
  });

  it('finds stars out of focus and measures that they are larger', () => {
    const sharp = glimpse(mosaic({ stars: 60, fwhm: 2.5 }).pixels).sharpness!;
    const soft = glimpse(mosaic({ stars: 60, fwhm: 7, noise: 10 }).pixels).sharpness!;
    // A Gaussian's half-light diameter equals its FWHM.
    expect(sharp).toBeGreaterThan(0.7 * 2.5);
    expect(sharp).toBeLessThan(1.3 * 2.5);
    expect(soft / sharp).toBeGreaterThan(2); // 2.8 in truth
  });

  it('moves its peaks with the picture, to the pixel', () => {
    const { pixels } = mosaic({ stars: 40 });
    const moved = new Float32Array(pixels.data.length).fill(300);
    // By whole repeats of the filter pattern.
    for (let y = 0; y < 990; y++)
      moved.set(pixels.data.subarray(y * 1500, y * 1500 + 1480), (y + 10) * 1500 + 20);
    const a = glimpse(pixels).peaks;
    const b = glimpse({ ...pixels, data: moved }).peaks;
    let found = 0;
    for (let i = 0; i < a.length; i += 2)
      for (let j = 0; j < b.length; j += 2)
        if (Math.hypot(b[j]! - a[i]! - 20, b[j + 1]! - a[i + 1]! - 10) < 0.5) found++;
    expect(found).toBeGreaterThan(0.8 * (a.length / 2)); // the rest left the frame
  });

  it('works on a picture of a few pixels and on one without any light', () => {
    const tiny = glimpse({ ...mosaic({ width: 6, height: 4 }).pixels });
    expect(tiny.starCount).toBe(0);
    const black = glimpse({
      ...mosaic({ width: 200, height: 100 }).pixels,
      kind: 'color',
      data: new Float32Array(3 * 200 * 100),
    });
    expect([black.median, black.scatter, black.starCount]).toEqual([0, 0, 0]);
  });
});
