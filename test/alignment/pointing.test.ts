import { describe, expect, it } from 'vitest';
import { applyRotation, rotationAbout, solvePointing } from '../../src/alignment/index.js';
import { degToRad, gaussian, radToDeg, seededRandom } from '../../src/core/index.js';
import { starCatalogue } from '../../src/sky/index.js';

const stars = starCatalogue();
const catalogue = new Float64Array(3 * stars.count);
for (let i = 0; i < stars.count; i++) {
  const [ra, dec] = [degToRad(stars.rightAscension[i]!), degToRad(stars.declination[i]!)];
  catalogue.set([Math.cos(dec) * Math.cos(ra), Math.cos(dec) * Math.sin(ra), Math.sin(dec)], 3 * i);
}

type Vector = [number, number, number];
const vectorAt = (data: ArrayLike<number>, i: number): Vector => [
  data[3 * i]!,
  data[3 * i + 1]!,
  data[3 * i + 2]!,
];

/** What a camera of `reach` deg half field sees, brightest first, places off by `jitter` deg, with false stars among them. */
function look(seed: number, reach: number, options: { jitter: number; planets: number; scale?: number }) {
  const random = seededRandom(seed);
  const axis = (): Vector => [gaussian(random), gaussian(random), gaussian(random)];
  const toCamera = rotationAbout(axis(), 360 * random());
  const directions: number[] = [];
  const flux: number[] = [];
  const limit = Math.cos(degToRad(reach));
  const add = ([x, y, z]: Vector, light: number) => {
    const s = degToRad(options.jitter);
    // A focal length that is off spreads the field a little.
    const k = options.scale ?? 1;
    const v = [k * x + s * gaussian(random), k * y + s * gaussian(random), z + s * gaussian(random)];
    const length = Math.hypot(v[0]!, v[1]!, v[2]!);
    directions.push(v[0]! / length, v[1]! / length, v[2]! / length);
    flux.push(light);
  };
  for (let i = 0; i < stars.count && flux.length < 300; i++) {
    const v = applyRotation(toCamera, vectorAt(catalogue, i));
    // Measured light differs from the catalogue's by a third of a magnitude.
    if (v[2] > limit) add(v, 10 ** (-0.4 * (stars.magnitude[i]! + 0.3 * gaussian(random))));
  }
  for (let i = 0; i < options.planets; i++) {
    const [a, r] = [2 * Math.PI * random(), degToRad(reach) * Math.sqrt(random())];
    add([Math.sin(r) * Math.cos(a), Math.sin(r) * Math.sin(a), Math.cos(r)], 1);
  }
  return { toCamera, directions, flux };
}

const off = (a: readonly number[], b: readonly number[]): number => {
  const trace = a.reduce((sum, value, i) => sum + value * b[i]!, 0);
  return radToDeg(Math.acos(Math.max(-1, Math.min(1, (trace - 1) / 2))));
};

const WIDER = [
  [2, 35],
  [5, 20],
  [6, 12],
] as const;

describe('solvePointing', () => {
  it('finds where a camera looks, from 20 to 55 deg of half field (12 in the long run), with planets among the stars', () => {
    for (const [seed, reach] of [
      [1, 35],
      [3, 55],
      [4, 20],
      ...(process.env.NIGHTCAIRN_FULL ? WIDER : []),
    ] as const) {
      const seen = look(seed, reach, { jitter: 0.02, planets: 3, scale: 1.003 });
      const found = solvePointing({ ...seen, catalogue, magnitude: stars.magnitude });
      expect(found, `seed ${seed}`).toBeDefined();
      expect(off(found!.toCamera, seen.toCamera), `seed ${seed}`).toBeLessThan(0.1); // deg; jitter over 100 stars is 0.002, the wrong scale adds its own
    }
  });

  it('says nothing of stars that are none of the sky’s', () => {
    for (const seed of [11, 12]) {
      const random = seededRandom(seed);
      const directions = Array.from({ length: 200 }, (): Vector => {
        const [a, r] = [2 * Math.PI * random(), degToRad(35) * Math.sqrt(random())];
        return [Math.sin(r) * Math.cos(a), Math.sin(r) * Math.sin(a), Math.cos(r)];
      }).flat();
      const flux = Array.from({ length: 200 }, () => 10 ** (2 * random()));
      expect(solvePointing({ directions, flux, catalogue, magnitude: stars.magnitude })).toBeUndefined();
    }
  });

  it('says nothing of too few stars', () => {
    const seen = look(1, 35, { jitter: 0.02, planets: 0 });
    const few = { directions: seen.directions.slice(0, 24), flux: seen.flux.slice(0, 8) };
    expect(solvePointing({ ...few, catalogue, magnitude: stars.magnitude })).toBeUndefined();
  });
});
