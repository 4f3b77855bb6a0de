import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { groupFrames } from '../../src/nights/index.js';
import { nightOf } from '../../src/sky/index.js';
import { run } from './_frames.js';

interface Row {
  readonly id: string;
  readonly zone: string;
  readonly wall: string;
  readonly instants: readonly string[];
  readonly night: string;
}

const { rows } = JSON.parse(
  readFileSync(new URL('../golden/nights-zones.json', import.meta.url), 'utf8'),
) as { rows: Row[] };

describe('groupFrames assigns nights', () => {
  it.each(rows)('by local noon to local noon: $id', ({ zone, instants, night }) => {
    const frames = instants.flatMap((instant, i) =>
      run({ name: `f${i}`, start: instant, count: 1, iso: 800 * (i + 1) }),
    );
    const { sessions } = groupFrames(frames, { nightOf: (ms) => nightOf(new Date(ms), zone) });
    // Exact: a civil rule. Both passes of a repeated hour and both readings of a skipped one are one night.
    expect(sessions.map((session) => session.night)).toEqual([night]);
  });

  it('keeps a run over midnight and over a clock change in one sequence', () => {
    // 01:40 summer time to 01:20 winter time: the wall clock runs backwards in the middle.
    const frames = run({ name: 'f', start: '2026-11-01T08:40:00Z', count: 120, every: 20 });
    const { sessions } = groupFrames(frames, {
      nightOf: (ms) => nightOf(new Date(ms), 'America/Los_Angeles'),
    });
    expect(sessions).toHaveLength(1);
    expect(sessions[0]!.night).toBe('2026-10-31');
    expect(sessions[0]!.sequences).toHaveLength(1);
  });

  it('tells the two nights east and west of the date line apart', () => {
    const instant = '2026-07-13T10:00:00Z';
    const night = (zone: string) =>
      groupFrames(run({ name: 'f', start: instant, count: 3 }), {
        nightOf: (ms) => nightOf(new Date(ms), zone),
      }).sessions[0]!.night;
    expect(night('Pacific/Apia')).toBe('2026-07-13');
    expect(night('Pacific/Pago_Pago')).toBe('2026-07-12');
  });

  it('ends a polar night at noon and begins the next', () => {
    const frames = run({ name: 'f', start: '2026-12-10T10:55:00Z', count: 40, every: 20 });
    const { sessions } = groupFrames(frames, {
      nightOf: (ms) => nightOf(new Date(ms), 'Arctic/Longyearbyen'),
    });
    // Local noon is 11:00 UTC: frames at 0, 20, ... 280 s come before it.
    expect(sessions.map(({ night, sequences }) => [night, sequences[0]!.frameIds.length])).toEqual([
      ['2026-12-09', 15],
      ['2026-12-10', 25],
    ]);
  });

  it('parts one night by site when the positions in the headers say so', () => {
    const here = { latitude: -31.25, longitude: 20.5 };
    const there = { latitude: -31.6, longitude: 20.9 };
    const frames = [
      ...run({ name: 'a', start: '2026-06-14T18:00:00Z', count: 5, header: { gps: here } }),
      ...run({ name: 'b', start: '2026-06-14T18:10:00Z', count: 5 }),
      ...run({ name: 'c', start: '2026-06-14T20:00:00Z', count: 5, header: { gps: there } }),
    ];
    const { sessions } = groupFrames(frames, { nightOf: () => '2026-06-14' });
    expect(sessions.map(({ place, sequences }) => [place, sequences.length])).toEqual([
      [here, 2],
      [there, 1],
    ]);
  });

  it('puts frames without any time in a session without a night, in order of folder and number', () => {
    const frames = run({ name: 'f', start: '2026-06-14T18:00:00Z', count: 6 }).map(
      ({ startMs: _, ...frame }) => frame,
    );
    const { sessions } = groupFrames([...frames].reverse(), { nightOf: () => '2026-06-14' });
    expect(sessions).toHaveLength(1);
    expect(sessions[0]!.night).toBe('');
    expect(sessions[0]!.sequences[0]!.frameIds).toEqual(frames.map(({ id }) => id));
  });
});
