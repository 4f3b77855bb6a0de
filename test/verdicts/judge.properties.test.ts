import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { judgeLeft, judgeMade, type MadeFrame } from './_made-run.js';

const RANK = { keep: 0, doubt: 1, drop: 2 } as const;

const trouble = fc.record({
  clear: fc.double({ min: 0.05, max: 1, noNaN: true }),
  wide: fc.double({ min: 1, max: 3, noNaN: true }),
  smear: fc.double({ min: 0, max: 12, noNaN: true }),
  sky: fc.double({ min: 1, max: 2, noNaN: true }),
  land: fc.double({ min: 1, max: 4, noNaN: true }),
  sunAltitude: fc.double({ min: -40, max: -8, noNaN: true }),
});

/** Fourteen clear frames with one troubled among them. */
const around = (frame: MadeFrame): MadeFrame[] =>
  Array.from({ length: 15 }, (_, i) => (i === 6 ? frame : {}));

const worse: Readonly<Record<string, (frame: MadeFrame, step: number) => MadeFrame>> = {
  'less light': (frame, step) => ({ ...frame, clear: frame.clear! * (1 - 0.8 * step) }),
  'wider stars': (frame, step) => ({ ...frame, wide: frame.wide! * (1 + step) }),
  'a longer smear': (frame, step) => ({ ...frame, smear: frame.smear! + 8 * step }),
  'a brighter sky': (frame, step) => ({ ...frame, sky: frame.sky! * (1 + step) }),
  'brighter land': (frame, step) => ({ ...frame, land: frame.land! * (1 + step) }),
  'a higher sun': (frame, step) => ({ ...frame, sunAltitude: frame.sunAltitude! + 10 * step }),
};

describe('properties of judgeRun', () => {
  it.each(Object.keys(worse))('%s never makes a verdict better, by all stars or by some', (name) => {
    fc.assert(
      fc.property(
        trouble,
        fc.double({ min: 0.001, max: 1, noNaN: true }),
        fc.boolean(),
        (frame, step, part) => {
          const judge = part ? judgeLeft : judgeMade;
          const before = judge(around(frame)).frames[6]!.verdict;
          const after = judge(around(worse[name]!(frame, step))).frames[6]!.verdict;
          expect(RANK[after]).toBeGreaterThanOrEqual(RANK[before]);
        },
      ),
      { seed: 8, numRuns: 25 },
    );
  });

  it('every drop and doubt has a reason with value and limit, the gravest first; two runs agree', () => {
    fc.assert(
      fc.property(fc.array(trouble, { minLength: 2, maxLength: 12 }), (frames) => {
        const judged = judgeMade(frames);
        expect(judgeMade(frames)).toEqual(judged);
        for (const { verdict, reasons } of judged.frames) {
          expect(reasons.length > 0).toBe(verdict !== 'keep');
          for (const { code, value, limit, text } of reasons) {
            expect(text).toMatch(/^[A-Z].*\.$/);
            expect(Number.isFinite(value) && Number.isFinite(limit), code).toBe(true);
          }
        }
      }),
      { seed: 8, numRuns: 15 },
    );
  });
});
