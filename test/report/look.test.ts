import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { noisePlot, timeLabels, timePlot } from '../../src/report/index.js';
import { STYLE } from '../../src/report/style.js';
import { lanes } from '../../src/report/time-strip.js';

/** Relative luminance of `#rrggbb`. @source WCAG 2.2, definition of relative luminance */
function luminance(color: string): number {
  const [r, g, b] = [1, 3, 5].map((i) => {
    const part = Number.parseInt(color.slice(i, i + 2), 16) / 255;
    return part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r! + 0.7152 * g! + 0.0722 * b!;
}

const contrast = (a: string, b: string): number => {
  const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (high! + 0.05) / (low! + 0.05);
};

/** The colours of one variant by name. */
const palettes = [...STYLE.matchAll(/:root \{([^}]*)\}/g)].map(
  ([, body]) =>
    new Map(
      [...body!.matchAll(/--([a-z]+):(#[0-9a-f]{3,6})/g)].map(([, name, value]) => [
        name!,
        value!.length === 4 ? `#${[...value!.slice(1)].map((c) => c + c).join('')}` : value!,
      ]),
    ),
);

describe('the look', () => {
  it('has a light, a dark and a printed palette', () => {
    expect(palettes).toHaveLength(3);
  });

  it('keeps every text above 4.5:1 on paper and on sheets (WCAG 2.2, 1.4.3)', () => {
    for (const palette of palettes) {
      for (const text of ['ink', 'soft', 'accent', 'good', 'warn', 'bad']) {
        for (const ground of ['paper', 'sheet']) {
          expect(contrast(palette.get(text)!, palette.get(ground)!)).toBeGreaterThanOrEqual(4.5);
        }
      }
    }
  });
});

describe('lanes', () => {
  it('never lets two labels touch in one lane', () => {
    const span = fc
      .tuple(fc.integer({ min: 0, max: 700 }), fc.integer({ min: 1, max: 200 }))
      .map(([left, width]) => ({ left, right: left + width }));
    fc.assert(
      fc.property(fc.array(span, { maxLength: 30 }), (spans) => {
        const sorted = [...spans].sort((a, b) => a.left - b.left);
        const lane = lanes(sorted);
        for (let i = 0; i < sorted.length; i++) {
          for (let j = i + 1; j < sorted.length; j++) {
            if (lane[i] === lane[j]) expect(sorted[j]!.left).toBeGreaterThanOrEqual(sorted[i]!.right + 4);
          }
        }
      }),
    );
  });
});

describe('timePlot', () => {
  const point = (time: number, value: number) => ({ time, value });

  it('draws nothing without a value and leaves unknown ones out', () => {
    const options = { title: 'Height', unit: 'deg', domain: [0, 60_000] as const, zone: 'UTC' };
    expect(timePlot({ ...options, points: [point(0, Number.NaN)] }).text).toBe('');
    const drawn = timePlot({
      ...options,
      points: [point(0, 1), point(1000, Number.NaN), point(2000, 3)],
    }).text;
    expect(drawn.match(/<circle/g)).toHaveLength(2);
  });

  it('gives the same drawing for the same night, and keeps marks inside it', () => {
    const points = Array.from({ length: 50 }, (_, i) => point(i * 1000, Math.sin(i)));
    const options = { title: 'Height', unit: 'deg', points, domain: [0, 49_000] as const, zone: 'UTC' };
    const drawn = timePlot(options).text;
    expect(timePlot(options).text).toBe(drawn);
    for (const [, x, y] of drawn.matchAll(/cx="([\d.]+)" cy="([\d.]+)"/g)) {
      expect(Number(x)).toBeGreaterThanOrEqual(64);
      expect(Number(x)).toBeLessThanOrEqual(748);
      expect(Number(y)).toBeGreaterThanOrEqual(15);
      expect(Number(y)).toBeLessThanOrEqual(115);
    }
  });
});

describe('timeLabels', () => {
  it('never writes the same time twice, in a short run or a long one', () => {
    for (const seconds of [40, 90, 600, 3600, 40_000]) {
      const labels = timeLabels([0, seconds * 1000], 'Africa/Johannesburg').map(({ text }) => text);
      expect(labels.length).toBeGreaterThan(1);
      expect(new Set(labels).size).toBe(labels.length);
    }
  });
});

describe('noisePlot', () => {
  it('writes the measured gain and what more frames would give', () => {
    const drawn = noisePlot({
      frames: 16,
      gain: 3.9,
      ideal: 4,
      more: [
        { frames: 21, gain: 4.47 },
        { frames: 32, gain: 5.52 },
      ],
    }).text;
    for (const text of ['16 frames: 1/3.9', '5 more: 1/4.47', 'twice as many: 1/5.52'])
      expect(drawn).toContain(text);
  });
});
