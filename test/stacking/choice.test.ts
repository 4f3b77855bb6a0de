import { describe, expect, it } from 'vitest';
import { chooseMethod } from '../../src/stacking/index.js';

describe('the way to combine', () => {
  it('is a plain mean for few frames and a clipped mean from four on, unless one is asked for (P45)', () => {
    expect([1, 2, 3, 4, 5, 30, 200].map((frames) => chooseMethod(frames))).toEqual([
      'mean',
      'mean',
      'mean',
      'clipped-mean',
      'clipped-mean',
      'clipped-mean',
      'clipped-mean',
    ]);
    for (const wanted of ['mean', 'median', 'clipped-mean'] as const)
      for (const frames of [2, 30]) expect(chooseMethod(frames, wanted)).toBe(wanted);
  });
});
