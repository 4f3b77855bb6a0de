import { describe, expect, it } from 'vitest';
import { judgeRun } from '../../src/verdicts/index.js';
import { judgeMade, type MadeFrame, madeRun } from './_made-run.js';

const clearRun = (count: number, change: Record<number, MadeFrame> = {}): MadeFrame[] =>
  Array.from({ length: count }, (_, i) => change[i] ?? {});

const said = (frames: readonly MadeFrame[], i: number) => {
  const found = judgeMade(frames).frames[i]!;
  return [found.verdict, ...found.reasons.map((reason) => reason.code)];
};

describe('the scale', () => {
  it.each<[string, MadeFrame, string[]]>([
    ['a clear frame', {}, ['keep']],
    ['a breath of haze', { clear: 0.96 }, ['keep']],
    ['thin cloud', { clear: 0.85 }, ['doubt', 'cloud']],
    ['cloud', { clear: 0.6 }, ['drop', 'cloud']],
    ['slightly wider stars', { wide: 1.12 }, ['keep']],
    ['soft stars', { wide: 1.4 }, ['doubt', 'soft']],
    ['stars out of focus', { wide: 1.9 }, ['drop', 'soft']],
    ['a small swing', { smear: 2 }, ['keep']],
    ['a shaken camera', { smear: 6 }, ['drop', 'shaken', 'shaken']],
    ['stray light over the sky', { sky: 1.3 }, ['doubt', 'glare']],
    ['headlights on the land (P37)', { land: 2.5 }, ['doubt', 'glare']],
    ['sun near, sky brighter (P38)', { sunAltitude: -16, sky: 1.11 }, ['doubt', 'twilight']],
    ['a knocked frame', { fitted: false }, ['drop', 'moved']],
    ['few stars through cloud', { fitted: false, stars: 6 }, ['drop', 'cloud']],
    ['a file without a picture', { unreadable: true }, ['drop', 'unreadable']],
    [
      'cloud and a shake, the gravest first',
      { clear: 0.85, smear: 6 },
      ['drop', 'shaken', 'cloud', 'shaken'],
    ],
  ])('%s', (_, frame, expected) => {
    const [verdict, ...codes] = said(clearRun(20, { 7: frame }), 7);
    expect(verdict).toBe(expected[0]);
    expect(new Set(codes)).toEqual(new Set(expected.slice(1)));
    expect(codes[0]).toBe(expected[1]);
  });

  it('does not call the rising moon or dawn stray light, but a lamp under the moon is (P37, P38)', () => {
    const moonrise = Array.from({ length: 16 }, (_, i) =>
      i < 11 ? {} : { moonAltitude: 2 * (i - 10.5), sky: 3 + 0.1 * i, land: 3 + 0.1 * i },
    );
    const verdicts = (frames: readonly MadeFrame[]) => judgeMade(frames).frames.map((frame) => frame.verdict);
    expect(verdicts(moonrise)).toEqual(moonrise.map(() => 'keep'));
    const lamp = moonrise.map((frame, i) => (i === 13 ? { ...frame, sky: 9 } : frame));
    expect(verdicts(lamp)).toEqual(moonrise.map((_, i) => (i === 13 ? 'doubt' : 'keep')));
    const dawn = Array.from({ length: 16 }, (_, i) => ({
      sunAltitude: -21 + 0.5 * i,
      sky: 1 + Math.max(0, 0.02 * (i - 5) ** 3),
    }));
    const codes = judgeMade(dawn).frames.flatMap((frame) => frame.reasons.map((reason) => reason.code));
    expect(new Set(codes)).toEqual(new Set(['twilight']));
  });

  it('never speaks of infinitely bright land where the land around is black', () => {
    const judged = judgeMade(
      clearRun(12, Object.fromEntries(Array.from({ length: 12 }, (_, i) => [i, { land: i === 5 ? 2 : 0 }]))),
    );
    const { verdict, reasons } = judged.frames[5]!;
    expect(verdict).toBe('doubt');
    expect(Number.isFinite(reasons[0]!.value)).toBe(true);
    expect(judged.frames.filter((frame) => frame.verdict === 'keep')).toHaveLength(11);
  });

  it('judges the other frames of such a run as if nothing had happened', () => {
    const { frames } = judgeMade(
      clearRun(20, { 3: { clear: 0.4 }, 7: { smear: 8 }, 11: { wide: 2 }, 15: { fitted: false } }),
    );
    const other = frames.filter((_, i) => ![3, 7, 11, 15].includes(i));
    expect(other.map((frame) => frame.verdict)).toEqual(other.map(() => 'keep'));
  });

  it('does not take soft frames for clearer ones, though wide apertures catch more light', () => {
    const soft = { wide: 1.45, clear: 1.1 };
    const judged = judgeMade(clearRun(16, { 11: soft, 12: soft }));
    expect(judged.frames.map((frame) => frame.verdict)).toEqual(
      Array.from({ length: 16 }, (_, i) => (i === 11 || i === 12 ? 'doubt' : 'keep')),
    );
  });

  it.each([2, 3, 4, 5])('a clear run of %i frames is kept, and its clouded frame is told', (count) => {
    expect(judgeMade(clearRun(count)).frames.map((frame) => frame.verdict)).toEqual(
      Array.from({ length: count }, () => 'keep'),
    );
    const clouded = judgeMade(clearRun(count, { 1: { clear: 0.5 } })).frames;
    expect(clouded.map((frame) => frame.verdict)).toEqual(
      Array.from({ length: count }, (_, i) => (i === 1 ? 'drop' : 'keep')),
    );
  });

  it('one frame alone is kept: nothing speaks against it', () => {
    expect(judgeMade([{}]).frames[0]!.verdict).toBe('keep');
  });

  it('finds the few clear frames of a run that is cloudy nearly everywhere, and says so (P28, P32)', () => {
    const judged = judgeMade(
      Array.from({ length: 30 }, (_, i) => (i === 12 || i === 13 || i === 14 ? {} : { clear: 0.5 })),
    );
    expect(judged.frames.flatMap((frame, i) => (frame.verdict === 'keep' ? [i] : []))).toEqual([12, 13, 14]);
    expect(judged.frames.filter((frame) => frame.verdict === 'drop')).toHaveLength(27);
    expect(judged.remarks.join(' ')).toMatch(/Cloud for most of the run/);
  });

  it('compares a bracket at equal exposure, sky and land too', () => {
    const judged = judgeMade(Array.from({ length: 16 }, (_, i) => ({ exposureTime: i % 2 ? 5 : 10 })));
    expect(judged.frames.map((frame) => frame.verdict)).toEqual(judged.frames.map(() => 'keep'));
  });

  it('drops a frame longer than the photographer wants only when asked', () => {
    const input = madeRun(clearRun(8, { 3: { smear: 2 } }));
    expect(judgeRun(input).frames[3]!.verdict).toBe('keep');
    const strict = judgeRun({ ...input, limits: { maxTrail: 1.5 } }).frames[3]!;
    expect([strict.verdict, strict.reasons[0]!.code, strict.reasons[0]!.limit]).toEqual([
      'drop',
      'trailed',
      1.5,
    ]);
  });

  it('says of stars that are wide in every frame that they are (P28)', () => {
    const judged = judgeMade(Array.from({ length: 8 }, () => ({ wide: 2.5 })));
    expect(judged.frames.every((frame) => frame.verdict === 'keep')).toBe(true);
    expect(judged.remarks.join(' ')).toMatch(/px wide even in ordinary frames/);
  });
});
