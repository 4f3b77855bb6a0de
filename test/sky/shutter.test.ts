import { describe, expect, it } from 'vitest';
import { plateScale } from '../../src/core/index.js';
import {
  cornerAngle,
  hourAngleToHorizontal,
  longestExposure,
  npfFull,
  npfSimple,
  offAxisStretch,
  placeInFrame,
  realShutter,
  rule500,
  trailLength,
} from '../../src/sky/index.js';
import { type Row, rowsOf } from './_golden.js';

const rows = rowsOf('sky-shutter.json');
const off = (a: number, b: number): number => Math.abs(a - b);
const part = (row: Row, pattern: RegExp): number => Number(pattern.exec(String(row.inputs))![1]);

const computed: Record<string, (row: Row) => void> = {
  'B-500-T': (row) => {
    const cases = [
      [24, 4.3],
      [14, 5.93],
      [24, 8.4],
    ] as const;
    for (const [i, [focalLengthMm, pixelPitchUm]] of cases.entries()) {
      const exposureTime = rule500(focalLengthMm);
      const got = trailLength({ exposureTime, declination: 0, focalLengthMm, pixelPitchUm });
      expect(off(got, (row.expected as number[])[i]!)).toBeLessThan(0.01); // stated, px
    }
  },
  'B-PS-1': (row) => expect(off(plateScale(4.3, 24), row.expected as number)).toBeLessThan(1e-4), // stated
  'B-TR-R': () => {
    // The real turning of the sky at 20 mm, 4 um, 35 N, camera at azimuth 180, altitude 25.
    const at = (hourAngle: number) =>
      placeInFrame(
        { aim: { azimuth: 180, altitude: 25 }, focalLengthMm: 20, widthMm: 24, heightMm: 16 },
        hourAngleToHorizontal(hourAngle, -29, 35),
      )!;
    const [a, b] = [at(0), at((15.041_068_645 * 600) / 3600)];
    expect(off(a.x * 6000, 3000)).toBeLessThan(1e-3); // px, stated
    expect(off(a.y * 4000, 1912.7247)).toBeLessThan(1e-3);
    expect(off(b.x * 6000, 3191.4417)).toBeLessThan(1e-3);
    expect(off(b.y * 4000, 1914.7557)).toBeLessThan(1e-3);
    const real = Math.hypot((b.x - a.x) * 6000, (b.y - a.y) * 4000);
    expect(off(real, 191.45)).toBeLessThan(0.01); // printed decimals
    const formula = trailLength({ exposureTime: 600, declination: -29, focalLengthMm: 20, pixelPitchUm: 4 });
    expect(off(formula, 191.33)).toBeLessThan(0.01); // printed decimals; 0.3 % below the real one by design
  },
  'B-OA-1': (row) => {
    const wanted = row.expected as [number, number][];
    for (const [i, angle] of [0, 20, 30, 45, 52, 57.1].entries()) {
      const { radial, tangential } = offAxisStretch(angle);
      expect(off(radial, wanted[i]![0])).toBeLessThan(1e-3); // stated
      expect(off(tangential, wanted[i]![1])).toBeLessThan(1e-3);
    }
    expect(off(cornerAngle(14, 36, 24), 57.1)).toBeLessThan(0.05); // printed decimals
  },
  'B-NPF-D': () => {
    expect(off(206.265 / 15.041, 13.713)).toBeLessThan(1e-3); // stated: 1 px of trail
    expect(off(1.5 / 15.041, 0.0997)).toBeLessThan(1e-3); // 1.5 arcsec of seeing
    // The p term of the full rule alone is a trail of 1 px.
    const strict = npfFull({ focalLengthMm: 100, pixelPitchUm: 5, fNumber: 1e-9 }, 0)! - 0.0997;
    const trail = trailLength({ exposureTime: strict, declination: 0, focalLengthMm: 100, pixelPitchUm: 5 });
    expect(off(trail, 1)).toBeLessThan(1e-3);
  },
};

for (const row of rows.values()) {
  if (/^B-500-\d/.test(row.id)) {
    computed[row.id] = () => {
      const got = rule500(part(row, /f=([\d.]+)/), part(row, /crop=([\d.]+)/));
      expect(off(got, row.expected as number)).toBeLessThan(1e-4); // the printed decimals; stated 0.001 s
    };
  } else if (/^B-TR-\d/.test(row.id)) {
    computed[row.id] = () => {
      const input = {
        exposureTime: part(row, /t=([\d.]+)/),
        declination: part(row, /dec=(-?[\d.]+)/),
        pixelPitchUm: part(row, /p=([\d.]+)/),
        focalLengthMm: part(row, /f=([\d.]+)/),
      };
      const wanted = row.expected as number;
      expect(off(trailLength(input), wanted)).toBeLessThan(Math.max(0.0002, wanted * 1e-5)); // printed decimals; stated 0.01 px
      const longest = longestExposure({ ...input, tolerance: 2 });
      if (input.declination === 90) expect(longest).toBeUndefined();
      else expect(trailLength({ ...input, exposureTime: longest! })).toBeCloseTo(2, 9); // its own inverse
    };
  } else if (/^B-NPF-\d/.test(row.id)) {
    computed[row.id] = () => {
      const optics = {
        fNumber: part(row, /N=([\d.]+)/),
        pixelPitchUm: part(row, /p=([\d.]+)/),
        focalLengthMm: part(row, /f=([\d.]+)/),
      };
      const declination = part(row, /dec=(-?[\d.]+)/);
      const wanted = row.expected as Record<string, number>;
      const simple = npfSimple(optics);
      const full = npfFull(optics, declination, 1)!;
      expect(off(simple, wanted.simple!)).toBeLessThan(1e-4); // the printed decimals; stated 0.5 %
      expect(off(full, wanted.full_k1!)).toBeLessThan(1e-4);
      expect(off(npfFull(optics, declination, 2)!, wanted.full_k2!)).toBeLessThan(1e-4);
      const trail = (exposureTime: number) => trailLength({ ...optics, declination, exposureTime });
      expect(off(trail(simple), wanted.trail_px_simple!)).toBeLessThan(1e-3); // printed decimals
      expect(off(trail(full), wanted.trail_px_full_k1!)).toBeLessThan(1e-3);
    };
  }
}

describe('shutter rules (P01)', () => {
  it('has an answer for every row', () => {
    expect(Object.keys(computed).sort()).toEqual([...rows.keys()].sort());
  });
  it.each([...rows.keys()])('%s', (id) => computed[id]!(rows.get(id)!));
});

describe('realShutter', () => {
  it('doubles from 1 s: 15 is 16 and 30 is 32', () => {
    for (const [label, real] of [
      [1, 1],
      [2, 2],
      [4, 4],
      [8, 8],
      [15, 16],
      [30, 32],
      [60, 64],
    ] as const) {
      expect(realShutter(label)).toBe(real); // powers of two, exact
    }
    expect(realShutter(20)).toBeCloseTo(20.16, 2); // a third of a stop above 16
    expect(realShutter(13)).toBeCloseTo(12.7, 2);
    expect(realShutter(0.5)).toBe(0.5);
  });
  it('leaves a freely set time alone', () => {
    expect(realShutter(12)).toBe(12);
    expect(realShutter(240)).toBe(240);
    expect(realShutter(0.01)).toBe(0.01);
  });
});

describe('impossible optics (L26)', () => {
  const optics = { focalLengthMm: 24, pixelPitchUm: 4.3, fNumber: 2.8 };
  it.each([0, -1, Number.NaN, Number.POSITIVE_INFINITY])(
    'refuses %s as focal length, pitch, f-number, crop',
    (bad) => {
      const refusal = expect.objectContaining({ code: 'VALUE_OUT_OF_RANGE' });
      expect(() => rule500(bad)).toThrow(refusal);
      expect(() => rule500(24, bad)).toThrow(refusal);
      expect(() => npfSimple({ ...optics, fNumber: bad })).toThrow(refusal);
      expect(() => npfFull({ ...optics, pixelPitchUm: bad }, 0)).toThrow(refusal);
      expect(() => npfFull({ ...optics, focalLengthMm: bad }, 0)).toThrow(refusal);
      expect(() => trailLength({ ...optics, declination: 0, exposureTime: bad })).toThrow(refusal);
    },
  );
  it('refuses a declination beyond the poles', () => {
    expect(() => npfFull(optics, 91)).toThrow(/a declination from -90 to 90 deg but received 91/);
  });
  it('has no limit at the poles and never Infinity', () => {
    for (const declination of [90, -90]) {
      expect(npfFull(optics, declination)).toBeUndefined();
      expect(longestExposure({ ...optics, declination, tolerance: 1 })).toBeUndefined();
      expect(trailLength({ ...optics, declination, exposureTime: 30 })).toBe(0);
    }
    expect(Number.isFinite(npfFull(optics, 89.9999)!)).toBe(true);
  });
});
