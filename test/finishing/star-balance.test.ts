import { describe, expect, it } from 'vitest';
import { gaussian, makeColorImage, seededRandom } from '../../src/core/index.js';
import { balancedByStars, starBalance } from '../../src/finishing/index.js';
import { bodyColor, starTemperature } from '../../src/sky/index.js';

const [WIDTH, HEIGHT] = [600, 400];
const stack = {
  whiteLevel: [16000, 16000, 16000] as const,
  color: { multipliers: [2, 1, 1.6] as const, cameraToSrgb: [1, 0, 0, 0, 1, 0, 0, 0, 1] },
};

/** Stars of known colours seen through air that takes `red` and `blue` of their light. */
function scene(count: number, [red, blue]: readonly [number, number]) {
  const random = seededRandom(7);
  const image = makeColorImage(WIDTH, HEIGHT);
  for (let i = 0; i < image.data.length; i++) image.data[i] = 100 + 2 * gaussian(random);
  const x = Array.from({ length: count }, (_, k) => 15 + ((k * 37) % (WIDTH - 30)));
  const y = Array.from({ length: count }, (_, k) => 15 + 24 * Math.floor((k * 37) / (WIDTH - 30)));
  const colorIndex = Array.from({ length: count }, () => 1.4 * random());
  colorIndex.forEach((index, k) => {
    const body = bodyColor(starTemperature(index));
    const light = [(body[0] * red) / 2, body[1], (body[2] * blue) / 1.6];
    light.forEach((value, c) => {
      for (let j = -4; j <= 4; j++) {
        for (let i = -4; i <= 4; i++) {
          const at = (c * HEIGHT + y[k]! + j) * WIDTH + x[k]! + i;
          image.data[at]! += 3000 * value * Math.exp(-(i * i + j * j) / 2);
        }
      }
    });
  });
  return { image, stars: { x, y, colorIndex } };
}

describe('starBalance', () => {
  it('finds what the air took from red and blue (P40)', () => {
    const { image, stars } = scene(120, [0.95, 0.8]);
    const found = starBalance(image, stars, stack)!;
    expect(found.red).toBeCloseTo(1 / 0.95, 2); // signal to noise of a star above 100, of 100 stars above 1000
    expect(found.blue).toBeCloseTo(1 / 0.8, 2);
    expect(found.stars).toBeGreaterThan(80);
  });

  it('tells nothing from few stars, or without the camera its colours', () => {
    const few = scene(20, [1, 1]);
    expect(starBalance(few.image, few.stars, stack)).toBeUndefined();
    const many = scene(120, [1, 1]);
    expect(starBalance(many.image, many.stars, { whiteLevel: stack.whiteLevel })).toBeUndefined();
  });
});

describe('balancedByStars', () => {
  it('applies as much as the look asks for, none at 0', () => {
    const told = { ...stack, starBalance: { red: 0.9, blue: 1.21, stars: 99 } };
    expect(balancedByStars(told, { starBalance: 0 }).color.multipliers).toEqual([2, 1, 1.6]);
    const half = balancedByStars(told, { starBalance: 0.5 }).color.multipliers;
    expect(half[2]).toBeCloseTo(1.6 * 1.1, 9);
    expect(balancedByStars(told, { starBalance: 1 }).color.multipliers[0]).toBeCloseTo(1.8, 9);
  });
});
