import { describe, expect, it } from 'vitest';
import { type NightOptions, smallNight } from '../support/synthetic-sky.js';
import { judgeTables } from './_from-tables.js';

// Small nights; many large ones, and whole mosaics, are in test/nights-truth (`npm run test:nights`).
const small: Partial<NightOptions> = { focalLengthMm: 20, sensorWidthMm: 12, frames: 10 };

function compare(options: Partial<NightOptions>) {
  const run = judgeTables(smallNight({ ...small, ...options }));
  const rows = run.judgement.frames.map((found, i) => ({ found, truth: run.lights[i]!.truth }));
  const wrong = rows
    .filter(({ found, truth }) => !truth.borderline && found.verdict !== truth.verdict)
    .map(
      ({ found, truth }) =>
        `${truth.index}: ${truth.verdict} but ${found.verdict} (${found.reasons[0]?.text})`,
    );
  return { ...run, rows, wrong };
}

describe('judgeRun on nights with known truth', () => {
  it('tells cloud, shake and soft focus (P33)', () => {
    const { wrong, rows } = compare({
      happenings: [
        { kind: 'cloud', from: 2, transparency: [0.85, 0.55, 0.82], patchiness: 0.5 },
        { kind: 'shake', at: 6, length: 8, angle: 70 },
        { kind: 'soft', from: 8, defocus: [1.8] },
      ],
    });
    expect(wrong).toEqual([]);
    expect(new Set(rows.map(({ truth }) => truth.verdict)).size).toBe(3);
  });

  it('tells dew and finds its onset within 3 frames (P24)', () => {
    const { wrong, rows, judgement } = compare({
      frames: 13,
      happenings: [{ kind: 'dew', from: 5, sigma: 0.15, loss: 0.018 }],
    });
    expect(wrong).toEqual([]);
    const said = judgement.frames.findIndex((frame) => frame.remarks.some((text) => text.includes('dew')));
    const onset = rows.findIndex(({ truth }) => truth.fwhmRatio > 1.05 || truth.transparency < 0.97);
    expect(Math.abs(said - onset)).toBeLessThanOrEqual(3); // the scale's own bound
  });

  it('keeps a night that trails everywhere but says so in px (P01, P28), without times too', () => {
    const night = smallNight({
      focalLengthMm: 35,
      sensorWidthMm: 9,
      frames: 4,
      exposureTime: 60,
      aim: { azimuth: 140, altitude: 28 },
    });
    for (const withTime of [true, false]) {
      const { judgement } = judgeTables(night, { withTime });
      expect(judgement.frames.map((frame) => frame.verdict)).toEqual(judgement.frames.map(() => 'keep'));
      expect(judgement.remarks.join(' ')).toMatch(/Stars trail \d.*px in every frame/);
    }
  });
});
