import { describe, expect, it } from 'vitest';
import { frameTable, runPlots } from '../../src/cli/_run-plots.js';
import type { SessionView } from '../../src/workflow/index.js';

type Sequence = SessionView['sequences'][number];

/** A run of frames, clear but for those told; the fifth cannot be read. */
function made(count: number, light: Readonly<Record<number, number>> = {}): Sequence {
  const frames = Array.from({ length: count }, (_, i) => ({
    id: `f${i}`,
    file: `/card/NGT_${String(i).padStart(4, '0')}.DNG`,
    takenAt: new Date(Date.parse('2026-08-12T20:00:00Z') + 16_000 * i).toISOString(),
    ...(i === 4
      ? { verdict: 'drop' }
      : {
          ...{ transparency: light[i] ?? 1, fwhm: 2.5, trailLength: 1, predictedTrail: 1.1, background: 130 },
          ...{ cloudCover: 0, starCount: 700, verdict: light[i] === undefined ? 'keep' : 'drop' },
        }),
  }));
  return { id: 'night/1', frames } as unknown as Sequence;
}

const row = (text: string, name: string) => text.split('\n').find((line) => line.startsWith(`  ${name}`))!;

describe('runPlots', () => {
  it('draws a column a frame, lower for less light, empty where nothing is known', () => {
    const text = runPlots(made(12, { 7: 0.3 }), 'UTC');
    expect(row(text, 'starlight')).toContain('30 to 100 %');
    expect(row(text, 'starlight').slice(34)).toBe('████ ██▃████');
    expect(row(text, 'verdict').slice(34)).toBe('····x··x····');
    expect(text).toContain('20:00');
    expect(text).not.toContain('at the target');
  });

  it('shows the worst of several frames in a column of a long run, within 80 columns', () => {
    const text = runPlots(made(400, { 203: 0.05 }), 'UTC');
    for (const line of text.split('\n')) expect(line.length).toBeLessThanOrEqual(80);
    expect(text).toContain('A column is 9 frames');
    expect(row(text, 'starlight').slice(34)[22]).toBe('▁'); // frames 198 to 206
    expect([...row(text, 'verdict').slice(34)].filter((mark) => mark === 'x')).toHaveLength(2);
  });
});

describe('frameTable', () => {
  it('has a row for every frame, also for one that cannot be read', () => {
    const lines = frameTable(made(6), 'UTC').split('\n');
    expect(lines.filter((line) => line.includes('NGT_'))).toHaveLength(6);
    expect(lines[1]).toMatch(/^20:00 {2}NGT_0000\.DNG {2}keep +100 +0 +2\.50 +1\.0 +1\.1 +130 +700$/);
    expect(lines[5]).toMatch(/^20:01 {2}NGT_0004\.DNG {2}drop$/);
    for (const line of lines) expect(line.length).toBeLessThanOrEqual(80);
  });
});
