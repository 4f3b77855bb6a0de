import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { measureFrame } from '../../src/stars/index.js';
import { addNoise, placeStars, renderStars, type TrueStar } from './_field.js';

describe('streaks', () => {
  for (const [length, angle, brightness, gap] of [
    [300, 20, 45, 0],
    [120, 70, 60, 0],
    [560, 135, 90, 0],
    [520, 10, 120, 40],
  ] as const) {
    it(`finds a line of ${length} px at ${angle} deg${gap ? ' in dashes' : ''} among 300 stars`, () => {
      const random = seededRandom(length);
      const size = { width: 800, height: 560 };
      const stars = placeStars(random, 300, {
        ...size,
        apart: 6,
        border: 10,
        flux: (r) => 600 / (0.02 + r()),
      });
      const plane = renderStars(stars, { ...size, sigma: 1.3 });
      const ux = Math.cos((angle * Math.PI) / 180);
      const uy = Math.sin((angle * Math.PI) / 180);
      const line: TrueStar[] = [];
      const sigma = 1.2;
      const flux = brightness * 0.5 * Math.sqrt(2 * Math.PI * (sigma ** 2 + 1 / 12));
      for (let s = -length / 2; s <= length / 2; s += 0.5) {
        if (gap && Math.floor((s + length) / gap) % 2 === 1) continue;
        line.push({ x: 400 + s * ux, y: 280 + s * uy, flux });
      }
      const light = renderStars(line, { ...size, sigma });
      for (let i = 0; i < light.data.length; i++) plane.data[i]! += light.data[i]!;
      const measured = measureFrame(addNoise(plane, 500, 15, random), {
        saturation: 60_000,
        quantization: 0,
      });
      expect(measured.streaks.length).toBe(1); // exact: one was drawn
      const streak = measured.streaks[0]!;
      const ends = [streak, { x1: streak.x2, y1: streak.y2, x2: streak.x1, y2: streak.y1 }].map((s) =>
        Math.max(
          Math.hypot(s.x1 - 400 + (length / 2) * ux, s.y1 - 280 + (length / 2) * uy),
          Math.hypot(s.x2 - 400 - (length / 2) * ux, s.y2 - 280 - (length / 2) * uy),
        ),
      );
      expect(Math.min(...ends)).toBeLessThan(gap ? 80 : 6); // px: 3 binned pixels; a dashed line may lose a last stub with the gap before it
      expect(streak.width).toBeGreaterThan(2); // px: fwhm 2.9 drawn
      expect(streak.width).toBeLessThan(gap ? 6 : 4);
      if (!gap) expect(Math.abs(streak.brightness / brightness - 1)).toBeLessThan(0.15); // median of the line, pixel steps across it
    });
  }
});
