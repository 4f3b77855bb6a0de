import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  Cancelled,
  cfaColor,
  DataError,
  ERROR_CODES,
  type ErrorCode,
  FormatError,
  fromPlainError,
  gaussian,
  InputError,
  madSigma,
  makeStarTable,
  median,
  packStarTable,
  plateScale,
  poisson,
  quantile,
  SIDEREAL_RATE,
  StorageError,
  seededRandom,
  selectKth,
  selectStars,
  toPlainError,
  unpackStarTable,
  withArticle,
} from '../../src/core/index.js';

describe('median, quantile, madSigma', () => {
  it('agree with sorting, whatever the order and with NaN left out', () => {
    fc.assert(
      fc.property(
        fc.array(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { minLength: 1, maxLength: 60 }),
        (values) => {
          const sorted = [...values].sort((a, b) => a - b);
          const n = sorted.length;
          const expected = n % 2 ? sorted[(n - 1) / 2]! : (sorted[n / 2 - 1]! + sorted[n / 2]!) / 2;
          expect(median([...values, Number.NaN])).toBe(expected);
          expect(quantile(values, 0)).toBe(sorted[0]);
          expect(quantile(values, 1)).toBe(sorted[n - 1]);
          expect(selectKth(Float64Array.from(values), n >> 1)).toBe(sorted[n >> 1]);
        },
      ),
    );
  });

  it('turn a normal deviation into its sigma (1.4826 = 1/Phi^-1(3/4))', () => {
    const random = seededRandom(3);
    const values = Array.from({ length: 40_000 }, () => 5 * gaussian(random));
    expect(madSigma(values)).toBeCloseTo(5, 0); // error of a MAD sigma here is 5*1.17/sqrt(40000) = 0.03
    expect(Number.isNaN(median([]))).toBe(true);
  });
});

describe('poisson', () => {
  it('has the mean and variance it should, small and large', () => {
    const random = seededRandom(11);
    for (const mean of [0.3, 7, 400]) {
      const values = Array.from({ length: 20_000 }, () => poisson(random, mean));
      const found = values.reduce((a, b) => a + b, 0) / values.length;
      const variance = values.reduce((a, b) => a + (b - found) ** 2, 0) / values.length;
      expect(Math.abs(found / mean - 1)).toBeLessThan(5 / Math.sqrt(mean * 20_000)); // 5 sigma of the mean
      expect(Math.abs(variance / mean - 1)).toBeLessThan(0.08); // 5 sigma of the variance, worst for the small mean
    }
  });
});

describe('errors', () => {
  it('cross a thread with class, code, place and stack', () => {
    for (const error of [
      new FormatError('TRUNCATED', 'cut', { path: '/a', byteOffset: 7 }),
      new InputError('USAGE', 'no'),
      new DataError('NO_STARS', 'none', { details: { stars: 2 } }),
      new StorageError('DISK_FULL', 'full', { path: '/b' }),
      new Cancelled(),
    ]) {
      const back = fromPlainError(structuredClone(toPlainError(error)));
      expect(back).toBeInstanceOf(error.constructor);
      expect(toPlainError(back)).toEqual(toPlainError(error));
    }
    expect(toPlainError(new TypeError('bug')).code).toBe('INTERNAL');
  });

  it('refuse a code that is not in the table', () => {
    expect(() => new InputError('NO_SUCH' as ErrorCode, 'x')).toThrow(TypeError);
    expect(Object.keys(ERROR_CODES).every((code) => /^[A-Z_]+$/.test(code))).toBe(true);
  });
});

describe('star tables', () => {
  it('come back from bytes as they were, and nothing else is taken for one', () => {
    const table = makeStarTable(3);
    table.x.set([1.25, 2.5, 3.75]);
    table.flux.set([10, Number.NaN, 30]);
    table.flags.set([1, 2, 65]);
    const bytes = packStarTable(table);
    expect(unpackStarTable(bytes)).toEqual(table);
    expect(unpackStarTable(bytes.subarray(0, bytes.length - 1))).toBeUndefined();
    expect(unpackStarTable(new Uint8Array(40))).toBeUndefined();
  });

  it('pick rows in the order asked', () => {
    const table = makeStarTable(3);
    table.x.set([1, 2, 3]);
    expect([...selectStars(table, [2, 0]).x]).toEqual([3, 1]);
  });
});

describe('units', () => {
  it('give the plate scale of the check row B-PS-1 and the sidereal rate', () => {
    expect(plateScale(4.3, 24)).toBeCloseTo(36.95578, 3); // B-PS-1: small-angle, 1e-4
    expect(SIDEREAL_RATE).toBeCloseTo((360 * 3600) / 86164.0905, 5); // definition of the sidereal day
  });
});

describe('cfaColor', () => {
  it('repeats the pattern over the frame', () => {
    const cfa = { width: 2, height: 2, colors: [0, 1, 1, 2] as const };
    expect([cfaColor(cfa, 0, 0), cfaColor(cfa, 3, 0), cfaColor(cfa, 5, 7)]).toEqual([0, 1, 2]);
  });
});

describe('withArticle', () => {
  it('goes by the first letter', () => {
    expect(['Nikon NEF', 'Olympus ORF', 'Epson ERF'].map(withArticle)).toEqual([
      'a Nikon NEF',
      'an Olympus ORF',
      'an Epson ERF',
    ]);
  });
});
