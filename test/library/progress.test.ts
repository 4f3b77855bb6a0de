import { join } from 'node:path';
import { describe, expect, it, vi } from 'vitest';
import { makeProgress } from '../../src/cli/_progress.js';
import type { ProgressEvent } from '../../src/core/index.js';
import { importCard } from '../../src/workflow/import.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';
import { makeCard, scratch } from './_card.js';

/** What a stream of that kind was given while events came at the times said, s. */
function shown(isTTY: boolean, events: readonly (readonly [number, ProgressEvent])[]): string {
  const written: string[] = [];
  const stream = { isTTY, columns: 120, write: (said: string) => written.push(said) };
  const now = vi.spyOn(performance, 'now');
  try {
    const view = makeProgress({ quiet: false, stream: stream as unknown as NodeJS.WriteStream });
    for (const [seconds, event] of events) {
      now.mockReturnValue(1000 * seconds);
      view.progress(event);
    }
    view.clear();
  } finally {
    now.mockRestore();
  }
  return written.join('');
}

const copying = (done: number, note: string): ProgressEvent => ({
  task: 'copying',
  done,
  total: 1e9,
  unit: 'bytes',
  note,
});

describe('progress', () => {
  it('says bytes, speed, time left, and copied apart from verified files', () => {
    const lines = shown(false, [
      [100, copying(0, '0 of 40 files copied, 0 verified')],
      [106, copying(3e8, '12 of 40 files copied, 11 verified')],
      [107, copying(3.5e8, 'too soon')],
      [120, copying(1e9, '40 of 40 files copied, 40 verified')],
    ]).split('\n');
    expect(lines).toEqual([
      'copying: 0.0 MB of 1000 MB  0 of 40 files copied, 0 verified',
      'copying: 300 MB of 1000 MB, 50 MB/s, 14 s left  12 of 40 files copied, 11 verified',
      'copying: 1000 MB of 1000 MB, 50 MB/s  40 of 40 files copied, 40 verified',
      '',
    ]);
  });

  it('says minutes and hours where seconds would be long', () => {
    const text = shown(false, [
      [0, copying(0, '')],
      [30, copying(1e8, '')],
      [400, copying(1.1e8, '')],
    ]);
    expect(text).toContain('3.3 MB/s, 5 min left'); // 30 s x 9 = 270 s
    expect(text).toContain('54 min left'); // 400 s x 8.09 = 3236 s
  });

  it('draws one bar over itself on a terminal, keeps the last line of what ended and wipes what did not', () => {
    const text = shown(true, [
      [0, copying(0, '')],
      [5, copying(5e8, 'half')],
      [10, copying(1e9, '39 verified')],
      [10.2, copying(1e9, '40 verified')],
      [11, { task: 'waiting for a card', done: 0, note: '/media/ann' }],
    ]);
    expect(text).toContain('############............ copying: 500 MB of 1000 MB, 100 MB/s, 5 s left  half');
    expect(text.split('\n')).toHaveLength(2);
    expect(text).toContain('40 verified\n\r\x1b[2Kwaiting for a card: /media/ann\r\x1b[2K');
  });

  it('of an import counts only what has to be copied, to the end', async () => {
    const base = scratch();
    const events: ProgressEvent[] = [];
    const context = contextOf(join(base, 'library'), { progress: (event) => events.push(event) });
    makeCard(join(base, 'card'), 3);
    const run = () => importCard(context, { card: join(base, 'card'), zone: 'UTC' }, fakeTools);
    await run();
    makeCard(join(base, 'card'), 5);
    events.length = 0;
    await run();
    const copies = events.filter(({ task }) => task === 'copying');
    expect(copies[0]).toMatchObject({ done: 0, total: 4000, note: '0 of 2 files copied, 0 verified' });
    expect(copies.map(({ note }) => note)).toContain('1 of 2 files copied, 0 verified');
    expect(copies.at(-1)).toMatchObject({ done: 4000, note: '2 of 2 files copied, 2 verified' });
    expect(events.filter(({ task }) => task.startsWith('sorting'))).toEqual([
      { task: 'sorting the night of 2026-08-13', done: 1, total: 1, note: '2 new frames' },
    ]);
    events.length = 0;
    await run();
    expect(events.filter(({ task }) => task === 'copying')).toEqual([]);
  });
});
