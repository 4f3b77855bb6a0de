import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { measureFrame } from '../../src/stars/index.js';
import { addNoise, renderStars } from './_field.js';

describe('a frame so full of stars that they run together', () => {
  // 24,000 stars on 0.4 megapixels, one every four pixels: far denser than the galactic centre through a kit
  // lens, over a slope that no smooth surface follows.
  const [width, height] = [720, 540];
  const random = seededRandom(5);
  const stars = Array.from({ length: 24_000 }, () => ({
    x: random() * width,
    y: random() * height,
    flux: 60 * random() ** -0.9,
  }));
  const plane = addNoise(renderStars(stars, { width, height, sigma: 1.1 }), 300, 6, random);
  for (let y = 0; y < height; y++)
    for (let x = 0; x < width; x++)
      plane.data[y * width + x]! += 80 * Math.sin(x / 60) * Math.cos(y / 45) + 0.2 * y;

  it('is measured like any other: no star list overflows, the brightest are found where they are (L64)', () => {
    const { stars: table, background } = measureFrame(plane, { saturation: 60_000, quantization: 1 });
    expect(table.count).toBeGreaterThan(500);
    expect(Number.isFinite(background)).toBe(true);
    // The fifty brightest that stand 8 px from any other as bright as a fifth of theirs.
    const clear = stars
      .filter((s) => s.x > 12 && s.y > 12 && s.x < width - 12 && s.y < height - 12)
      .sort((a, b) => b.flux - a.flux)
      .slice(0, 200)
      .filter(
        (s) => !stars.some((o) => o !== s && o.flux > s.flux / 5 && Math.hypot(o.x - s.x, o.y - s.y) < 8),
      )
      .slice(0, 50);
    expect(clear.length).toBeGreaterThan(20);
    const found = clear.filter((s) => {
      for (let i = 0; i < table.count; i++)
        // Neighbours of a fifth of the light 8 px away, and fainter ones nearer, pull by some tenths of a px.
        if (Math.hypot(table.x[i]! - s.x, table.y[i]! - s.y) < 0.5) return true;
      return false;
    });
    expect(found.length / clear.length).toBeGreaterThanOrEqual(0.95);
  });

  it('gives what it can of a frame that is nothing but bright peaks', () => {
    const grid = addNoise(renderStars([], { width: 400, height: 300, sigma: 1 }), 100, 3, random);
    for (let y = 2; y < 300; y += 3) for (let x = 2; x < 400; x += 3) grid.data[y * 400 + x]! += 4000;
    const measured = measureFrame(grid, { saturation: 60_000, quantization: 1 });
    expect(measured.stars.count).toBeGreaterThanOrEqual(0);
    for (let i = 0; i < measured.stars.count; i++) expect(Number.isFinite(measured.stars.x[i]!)).toBe(true);
  });
});
