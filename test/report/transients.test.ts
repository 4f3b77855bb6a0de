import { describe, expect, it } from 'vitest';
import { isSureStreak, nameTransients, shortLines, sureStreaks } from '../../src/report/index.js';
import { goodFrame } from './_night.js';

const long = { x1: 100, y1: 100, x2: 500, y2: 400, width: 3, brightness: 20 };
const bright = { x1: 300, y1: 640, x2: 500, y2: 790, width: 2.4, brightness: 900 };
const short = { x1: 10, y1: 10, x2: 45, y2: 35, width: 4, brightness: 20 };
/** 160 steps of an even light with a flash every `gap` steps. */
const blinking = (gap: number) =>
  Array.from({ length: 160 }, (_, i) => (i % gap === 2 ? 1500 : 200 + (i % 3)));
/** Stars under a faint line, at places without order. */
const starry = Array.from({ length: 160 }, (_, i) =>
  [9, 17, 20, 44, 71, 75, 118, 131].includes(i) ? 900 : 60 + (i % 4),
);
const swelling = Array.from({ length: 80 }, (_, i) => 60 + 1500 * Math.exp(-(((i - 50) / 18) ** 2)));

describe('nameTransients', () => {
  it('calls an evenly flashing line an aircraft (P35)', () => {
    for (const gap of [4, 7, 15]) {
      const [found] = nameTransients([goodFrame(0, { streaks: [long] })], [blinking(gap)]);
      expect(found?.kind).toBe('aircraft');
    }
  });

  it('does not take stars under a line for a lamp', () => {
    const [found] = nameTransients([goodFrame(0, { streaks: [long] })], [starry]);
    expect(found?.kind).toBe('satellite');
  });

  it('calls a bright line that swells and fades inside one frame a meteor (P36)', () => {
    const [found] = nameTransients([goodFrame(0, { streaks: [bright] })], [swelling]);
    expect(found).toMatchObject({ kind: 'meteor', name: 'TWK_0001.DNG', length: 250 });
  });

  it('does not call it a meteor when it goes on in the next frame', () => {
    const on = { ...bright, x1: 540, y1: 820, x2: 700, y2: 940 };
    const [first, second] = nameTransients(
      [goodFrame(0, { streaks: [bright] }), goodFrame(1, { streaks: [on] })],
      [swelling, swelling],
    );
    expect(first?.kind).toBe('satellite');
    expect(first?.why).toContain('TWK_0002.DNG');
    expect(second?.why).toContain('TWK_0001.DNG');
  });

  it('names nothing without the light along the line', () => {
    expect(nameTransients([goodFrame(0, { streaks: [long] })], [])[0]?.kind).toBe('line');
  });
});

describe('isSureStreak', () => {
  it('wants a line both long and thin', () => {
    const frame = goodFrame(0);
    expect(isSureStreak(frame, long)).toBe(true);
    expect(isSureStreak(frame, short)).toBe(false);
    expect(isSureStreak(frame, { ...long, width: 60 })).toBe(false);
    // 4.5 % of the diagonal of a 6000 x 4000 frame is 324 px.
    expect(isSureStreak({ ...frame, width: 6000, height: 4000 }, bright)).toBe(false);
  });

  it('lists sure lines in time order and the others in one sentence', () => {
    const frames = [goodFrame(0, { streaks: [long, short] }), goodFrame(1, { streaks: [bright] })];
    expect(sureStreaks(frames).map(({ frame }) => frame.name)).toEqual(['TWK_0001.DNG', 'TWK_0002.DNG']);
    expect(shortLines(frames)).toContain('One short line of light (43 px) in one frame');
    expect(shortLines([goodFrame(0)])).toBeUndefined();
  });
});
