import { describe, expect, it } from 'vitest';
import type { LensModel } from '../../src/alignment/index.js';
import { gaussian, seededRandom } from '../../src/core/index.js';
import { fitStarFalloff, type StarLight, transmissionAt } from '../../src/stacking/index.js';

const [WIDTH, HEIGHT] = [1500, 1000];
const FOCAL = 1600;
const RADIUS = Math.hypot(WIDTH, HEIGHT) / 2;

const lens: LensModel = {
  projection: 'rectilinear',
  focalLengthPx: FOCAL,
  centerX: (WIDTH - 1) / 2 + 6,
  centerY: (HEIGHT - 1) / 2 - 4,
  k1: 0,
  k2: 0,
};

/** Squared distance from the lens's axis, half diagonal = 1. */
const qAt = (x: number, y: number): number =>
  ((x - lens.centerX) ** 2 + (y - lens.centerY) ** 2) / RADIUS ** 2;

/** What is left of a star's light: the aperture seen from the side, and the lens's own walls. */
const arriving = (q: number): number => (1 + q * (RADIUS / FOCAL) ** 2) ** -0.5 * (1 - 0.35 * q ** 1.4);

/** What is left of an even sky: each pixel sees less of it by the cube of the cosine (rectilinear lens). */
const surface = (q: number): number => arriving(q) * (1 + q * (RADIUS / FOCAL) ** 2) ** -1.5;

interface Night {
  readonly seed: number;
  readonly stars: number;
  readonly frames?: number;
  /** Exponent of a tone curve; 1 = linear. */
  readonly gamma?: number;
}

function lightOf({ seed, stars, frames = 6, gamma = 1 }: Night): StarLight {
  const random = seededRandom(seed);
  const magnitude = Float64Array.from({ length: stars }, () => 7.5 - 4 * random() ** 2);
  const colorIndex = Float64Array.from({ length: stars }, () => 0.6 + 0.5 * gaussian(random));
  const rows: number[][] = [];
  for (let k = 0; k < stars; k++) {
    const [x0, y0] = [WIDTH * random(), HEIGHT * random()];
    // Catalogue and green pixels differ by a tenth; every twelfth star has a neighbour or varies.
    const own = 0.1 * gaussian(random) + 0.05 * colorIndex[k]! + (k % 12 === 0 ? 0.8 * random() : 0);
    for (let frame = 0; frame < frames; frame++) {
      const [x, y] = [x0 - 12 * frame, y0 + 4 * frame];
      if (x < 0 || y >= HEIGHT) continue;
      const air = 1 + 1.5 * (y / HEIGHT);
      const cloud = frame === 2 ? 0.8 : 1;
      const ln = -0.4 * Math.LN10 * (magnitude[k]! + 0.2 * (air - 1)) + own + 0.03 * gaussian(random);
      const flux = 1e6 * cloud * arriving(qAt(x, y)) * Math.exp(ln);
      rows.push([k, frame, x, y, flux ** gamma, air]);
    }
  }
  const column = (i: number) => rows.map((row) => row[i]!);
  return {
    star: Int32Array.from(column(0)),
    frame: Int32Array.from(column(1)),
    x: Float32Array.from(column(2)),
    y: Float32Array.from(column(3)),
    flux: Float32Array.from(column(4)),
    airmass: Float32Array.from(column(5)),
    ...{ magnitude, colorIndex },
  };
}

/** Difference from truth over the frame, share, rms. */
function offBy(night: Night): number {
  const found = fitStarFalloff(lightOf(night), lens, { width: WIDTH, height: HEIGHT })!;
  const squares: number[] = [];
  for (let y = 0; y < HEIGHT; y += 50) {
    for (let x = 0; x < WIDTH; x += 50) {
      squares.push((transmissionAt(found, x, y) / surface(qAt(x, y)) - 1) ** 2);
    }
  }
  return Math.sqrt(squares.reduce((sum, value) => sum + value, 0) / squares.length);
}

describe('fitStarFalloff', () => {
  it('finds the falloff from 900 stars that stray by a tenth from the catalogue', () => {
    // Some 495 stars count: 0.1 / sqrt(495) = 0.45 %, times 2 for the terms that share them, times 5 sigma.
    for (const seed of [1, 2, 3]) expect(offBy({ seed, stars: 900 })).toBeLessThan(0.045);
  });

  it('is undefined where too few stars are known, and where light is no straight line of counts', () => {
    const size = { width: WIDTH, height: HEIGHT };
    expect(fitStarFalloff(lightOf({ seed: 4, stars: 30 }), lens, size)).toBeUndefined();
    expect(fitStarFalloff(lightOf({ seed: 5, stars: 600, gamma: 0.6 }), lens, size)).toBeUndefined();
    const unknown = {
      ...lightOf({ seed: 6, stars: 300 }),
      magnitude: new Float64Array(300).fill(Number.NaN),
    };
    expect(fitStarFalloff(unknown, lens, size)).toBeUndefined();
  });

  it('does without heights', () => {
    const light = lightOf({ seed: 7, stars: 900 });
    // Extinction runs down the picture here and the falloff around its middle: one hardly tells in the other.
    const blind = { ...light, airmass: new Float32Array(light.airmass.length).fill(Number.NaN) };
    const found = fitStarFalloff(blind, lens, { width: WIDTH, height: HEIGHT })!;
    expect(transmissionAt(found, 5, 5) / surface(qAt(5, 5))).toBeGreaterThan(0.8);
  });
});
