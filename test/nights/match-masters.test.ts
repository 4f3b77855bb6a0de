import { describe, expect, it } from 'vitest';
import type { FrameHeader } from '../../src/core/index.js';
import { type CalibrationSet, matchMasters } from '../../src/nights/index.js';

const header: FrameHeader = {
  format: 'raw',
  formatName: 'RAW',
  camera: 'Harrow H2',
  exposureTime: 15,
  iso: 3200,
  fNumber: 2.8,
  focalLengthMm: 18,
  width: 6000,
  height: 4000,
  temperature: 12,
  warnings: [],
};
const lights: CalibrationSet = { id: 'lights', role: 'light', header, count: 60 };
const set = (
  id: string,
  role: CalibrationSet['role'],
  change: Partial<FrameHeader> = {},
  count = 20,
): CalibrationSet => ({
  id,
  role,
  header: { ...header, ...change },
  count,
});
const one = (candidate: CalibrationSet) => matchMasters(lights, [candidate])[0]!;

describe('matchMasters', () => {
  it('takes darks of the same camera, ISO, shutter and temperature (P59)', () => {
    expect(one(set('d', 'dark'))).toMatchObject({ quality: 'good', role: 'dark' });
  });

  it.each([
    ['another ISO', { iso: 1600 }, /ISO is 1600/],
    ['a shutter more than a tenth off', { exposureTime: 20 }, /shutter is 20 s/],
    ['more than five degrees apart', { temperature: 18 }, /more than 5 degrees/],
    ['another camera', { camera: 'Bellwether 70' }, /another camera/],
    ['another size', { width: 3000 }, /3000 x 4000/],
  ])('refuses a dark of %s and says so (P13)', (_, change, reason) => {
    const match = one(set('d', 'dark', change));
    expect(match.quality).toBe('refused');
    expect(match.reason).toMatch(reason);
  });

  it('takes 16 s for 15 s (P03) and five degrees as the limit (P14)', () => {
    expect(one(set('d', 'dark', { exposureTime: 16 })).quality).toBe('good');
    expect(one(set('d', 'dark', { temperature: 17 })).quality).toBe('fair');
  });

  it('warns of what is unknown and does not refuse it', () => {
    const { iso: _, ...noIso } = header;
    const match = one({ id: 'd', role: 'dark', header: noIso, count: 20 });
    expect(match.quality).toBe('fair');
    expect(match.reason).toMatch(/ISO is not known/);
  });

  it('tells the noise that few darks add (P15)', () => {
    const match = one(set('d', 'dark', {}, 1));
    expect(match.addedNoise).toBeCloseTo(Math.SQRT2 - 1, 12); // sqrt(1 + 1/1) - 1, rounding only
    expect(match.quality).toBe('fair');
    expect(one(set('d', 'dark', {}, 100)).addedNoise).toBeCloseTo(Math.sqrt(1.01) - 1, 12); // rounding only
  });

  it('holds flats to lens and aperture only, biases to camera and ISO only', () => {
    expect(one(set('f', 'flat', { iso: 100, exposureTime: 0.01, temperature: 30 })).quality).toBe('good');
    expect(one(set('f', 'flat', { focalLengthMm: 35 })).quality).toBe('refused');
    expect(one(set('b', 'bias', { exposureTime: 1 / 4000, temperature: 30 })).quality).toBe('good');
    expect(one(set('b', 'bias', { iso: 100 })).quality).toBe('refused');
  });

  it('puts the best first and lights nowhere', () => {
    const found = matchMasters(lights, [
      set('wrong', 'dark', { iso: 100 }),
      set('warm', 'dark', { temperature: 16 }),
      set('near', 'dark'),
      set('other-lights', 'light'),
    ]);
    expect(found.map(({ id }) => id)).toEqual(['near', 'warm', 'wrong']);
  });
});
