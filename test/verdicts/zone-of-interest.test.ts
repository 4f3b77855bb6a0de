import { describe, expect, it } from 'vitest';
import { applyRotation, rotationAbout } from '../../src/alignment/index.js';
import { degToRad } from '../../src/core/index.js';
import { parseTarget } from '../../src/sky/index.js';
import { judgeRun, zoneOfInterest } from '../../src/verdicts/index.js';
import { judgeLeft, judgeMade, type MadeFrame, madeRun } from './_made-run.js';

const run = (count: number, change: Record<number, MadeFrame>): MadeFrame[] =>
  Array.from({ length: count }, (_, i) => change[i] ?? {});

describe("judgeRun by the target's part of the sky", () => {
  const frames = run(16, {
    3: { right: 0.3 },
    5: { clear: 0.5 },
    7: { clear: 0.85 },
    9: { smear: 6 },
    11: { land: 3 },
    13: { sky: 1.4 },
  });

  it('keeps a frame that is clouded elsewhere and lit on the land; what spoils the target still counts', () => {
    const whole = judgeMade(frames).frames.map((frame) => frame.verdict);
    const left = judgeLeft(frames).frames.map((frame) => frame.verdict);
    const expected = (by: Record<number, string>) => frames.map((_, i) => by[i] ?? 'keep');
    expect(whole).toEqual(
      expected({ 3: 'drop', 5: 'drop', 7: 'doubt', 9: 'drop', 11: 'doubt', 13: 'doubt' }),
    );
    expect(left).toEqual(expected({ 5: 'drop', 7: 'doubt', 9: 'drop', 13: 'doubt' }));
  });

  it('says of which part it speaks, and tells the light there beside that of the whole', () => {
    const { frames: found, remarks } = judgeLeft(frames);
    expect(found[5]!.reasons[0]!.text).toContain('around the galactic center');
    expect(found[11]!.remarks.join(' ')).toContain('a light fell on it');
    expect(found[3]!.targetTransparency!).toBeGreaterThan(0.95);
    expect(found[3]!.transparency!).toBeLessThan(0.75); // half the sky at 0.3
    expect(remarks).toEqual(['Only the sky within 10 deg of the galactic center decided.']);
  });

  it('lets the whole sky decide where the part is not to be seen, and says so', () => {
    const input = madeRun(frames);
    const stars = new Uint8Array(input.photometry.trackCount);
    const none = judgeRun({ ...input, interest: { name: 'Antares', radius: 10, stars } });
    expect(none.frames.map((frame) => frame.verdict)).toEqual(
      judgeMade(frames).frames.map((frame) => frame.verdict),
    );
    expect(none.remarks.join(' ')).toMatch(/No frame shows enough stars within 10 deg of Antares/);
  });
});

describe('zoneOfInterest', () => {
  const toCamera = rotationAbout([0.2, -0.5, 0.9], 130);
  const at = (rightAscension: number, declination: number) => {
    const [ra, dec] = [degToRad(rightAscension), degToRad(declination)];
    return applyRotation(toCamera, [
      Math.cos(dec) * Math.cos(ra),
      Math.cos(dec) * Math.sin(ra),
      Math.sin(dec),
    ]);
  };
  const chosen = (target: string, places: readonly (readonly [number, number])[]) => {
    const { alignment } = madeRun([{}]);
    const trackDirections = Float64Array.from(places.flatMap(([ra, dec]) => at(ra, dec)));
    const found = zoneOfInterest(
      { ...alignment, trackCount: places.length, trackDirections },
      toCamera,
      parseTarget(target),
    );
    return Array.from(found!.stars);
  };

  it('takes the stars around the galactic centre and no others', () => {
    // Kaus Australis, 7.8 deg off; Antares, 15.7 deg off: separations from their J2000 places by hand.
    expect(
      chosen('core', [
        [276.04, -34.38],
        [247.35, -26.43],
        [86.4, 29],
      ]),
    ).toEqual([1, 0, 0]);
  });

  it('takes a band along the Milky Way for the arch', () => {
    // Deneb lies 2 deg from the galactic equator, Vega 19 deg; the galactic pole is as far as can be.
    expect(
      chosen('arch', [
        [310.36, 45.28],
        [279.23, 38.78],
        [192.86, 27.13],
      ]),
    ).toEqual([1, 0, 0]);
  });

  it('is unknown for a run without directions of its stars', () => {
    expect(zoneOfInterest(madeRun([{}]).alignment, toCamera, parseTarget('core'))).toBeUndefined();
  });
});
