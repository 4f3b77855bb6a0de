import { describe, expect, it } from 'vitest';
import { buildNight, type NightScenario, SCENARIOS } from '../../sample-night/index.js';
import { type FinishNumbers, finishNight } from './_finish-truth.js';
import { count } from './_tally.js';

/** Two towns behind the hills, the middle of the Milky Way above them, no darks. */
const towns = (): NightScenario =>
  buildNight({
    name: 'towns',
    seed: 171,
    focalLengthMm: 20,
    exposureTime: 13,
    frames: 24,
    start: '2026-08-12T21:30:00Z',
    aim: { azimuth: 250, altitude: 35 },
    land: { kind: 'hills', skyline: 8, trees: 5, brightness: 0.5 },
    sky: {
      brightness: 20.6,
      lightDomes: [
        { azimuth: 235, width: 30, strength: 3 },
        { azimuth: 290, width: 20, strength: 1.2 },
      ],
    },
  });

const NIGHTS: readonly (() => NightScenario)[] = [
  ...[
    'sample',
    'bad-night',
    'dew',
    'wide-14mm-hour',
    'dawn',
    'patchy-cloud',
    'rough-35mm',
    'moonrise',
    'portrait-50mm',
  ].map((name) => () => SCENARIOS[name]!()),
  towns,
].slice(0, count(10));

const percent = (share: number): string => (Number.isNaN(share) ? '-' : `${(100 * share).toFixed(2)} %`);

const text = (n: FinishNumbers): string =>
  `${n.name}: gradient left ${percent(n.gradientLeft)} of sky (${n.kind}), band kept ${percent(n.bandKept)}, blank sky off grey ${percent(n.offGrey)}, clipped ${percent(n.clipped)}, hue of stars turned ${n.hue.toFixed(2)} deg`;

describe('pictures of ten nights with known truth', () => {
  it('clips next to nothing, keeps the hue of stars, and says how near gradient, band and grey come', async () => {
    const all: FinishNumbers[] = [];
    for (const make of NIGHTS) {
      const found = await finishNight(make());
      for (const numbers of found) console.log(text(numbers));
      all.push(...found);
    }
    for (const numbers of all) {
      expect(numbers.clipped, text(numbers)).toBeLessThan(0.001); // the issue's own bound
      if (!Number.isNaN(numbers.hue)) expect(numbers.hue, text(numbers)).toBeLessThan(3); // the issue's own bound, deg
      // Reached so far; the aims are 1 % off grey, 2 % of sky, 5 % of the band. The rest is in the falloff of the stack.
      expect(numbers.offGrey, text(numbers)).toBeLessThan(0.02);
      expect(numbers.gradientLeft, text(numbers)).toBeLessThan(0.08);
    }
  });
});
