import { describe, expect, it } from 'vitest';
import { gainOf, randomNight, SCENARIOS, sampleScenario, simulateNight } from '../../sample-night/index.js';
import { seededRandom } from '../../src/core/index.js';
import { estimateNoise } from '../../src/stars/index.js';
import { BAYER, placeStars, rawFrame, renderStars } from './_field.js';

const FULL = process.env.NIGHTCAIRN_FULL === '1';

describe('estimateNoise (checks D-PTC)', () => {
  for (const [what, land] of [
    ['land below the sky', { from: 560, level: 12 }],
    ['sky only', undefined],
  ] as const) {
    it(`reads gain and read noise within 5 % from moving lights, ${what}`, () => {
      const random = seededRandom(4);
      const size = { width: 1100, height: 700 };
      const truth = placeStars(random, 350, {
        ...size,
        apart: 5,
        border: 5,
        flux: (r) => 300 / (0.02 + r()),
      });
      const collector = estimateNoise();
      for (let pair = 0; pair < 3; pair++) {
        const frames = [0, 1].map((k) =>
          rawFrame(
            renderStars(
              truth.map((s) => ({ ...s, x: s.x + 3 * pair + 1.5 * k })),
              { ...size, sigma: 1.2 },
            ),
            {
              cfa: BAYER,
              sky: [250, 500, 330],
              gain: 1.6,
              readNoise: 5,
              seed: 100 + 2 * pair + k,
              vignetting: 0.5,
              ...(land ? { land } : {}),
            },
          ),
        );
        collector.accumulate(frames[0]!, frames[1]!);
      }
      const model = collector.finish()!;
      expect(Math.abs(model.gain / 1.6 - 1)).toBeLessThan(0.05); // the issue's own bound
      expect(Math.abs(model.readNoise / 5 - 1)).toBeLessThan(0.05); // the issue's own bound
      expect(model.known).toBe(true);
    });
  }

  it('reads gain and read noise of truth nights within 5 %', () => {
    const nights = FULL
      ? [
          sampleScenario(),
          ...['dew', 'patchy-cloud', 'moonrise', 'rough-35mm'].map((name) => SCENARIOS[name]!()),
          ...[1, 2, 3, 4, 5, 6, 7, 8].map((seed) => randomNight(seed)),
        ]
      : [randomNight(1, { width: 600, height: 400 })];
    for (const scenario of nights) {
      const night = simulateNight(scenario);
      const lights = scenario.shots.flatMap(({ role, damage }, i) =>
        role === 'light' && !damage ? [i] : [],
      );
      const collector = estimateNoise();
      for (const share of [1 / 6, 1 / 2, 5 / 6]) {
        const at = Math.floor(share * (lights.length - 1));
        collector.accumulate(night.frames[lights[at]!]!.pixels(), night.frames[lights[at + 1]!]!.pixels());
      }
      const model = collector.finish()!;
      const gain = gainOf(scenario, scenario.shots[lights[0]!]!);
      const readNoise = scenario.camera.readNoise / gain;
      expect(Math.abs(model.gain / gain - 1), scenario.name).toBeLessThan(0.05); // the issue's own bound
      // Likewise, or two of its own errors where the sky is so bright that read noise hardly shows.
      const allowed = Math.max(0.05, (2 * model.readNoiseError) / readNoise);
      expect(Math.abs(model.readNoise / readNoise - 1), scenario.name).toBeLessThan(allowed);
    }
  }, 600_000);

  it('says that one level tells nothing apart', () => {
    const collector = estimateNoise();
    const frames = [1, 2].map((seed) =>
      rawFrame(
        { width: 600, height: 400, data: new Float32Array(240_000) },
        { cfa: BAYER, sky: [400, 400, 400], gain: 2, readNoise: 4, seed },
      ),
    );
    collector.accumulate(frames[0]!, frames[1]!);
    expect(collector.finish()!.known).toBe(false);
    expect(estimateNoise().finish()).toBeUndefined();
  });
});
