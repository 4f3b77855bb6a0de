import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { nightText } from '../../src/cli/_night-text.js';
import { openLibrary, saveMaster } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { show } from '../../src/workflow/show.js';
import { frameBytes, put, scratch, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const body = { iso: 3200, camera: 'Skua 7' };

async function nightWith(darks: readonly { exposureTime: number; iso: number; count: number }[]) {
  const base = scratch();
  const context = contextOf(join(base, 'library'));
  for (let i = 0; i < 6; i++)
    put(join(base, 'card', `L${i}.DNG`), frameBytes({ wallTime: wallAt(i), exposureTime: 10, ...body }, i));
  await importCard(context, { card: join(base, 'card'), zone: 'UTC' }, fakeTools);
  for (const [n, { count, ...settings }] of darks.entries()) {
    for (let i = 0; i < count; i++)
      put(
        join(base, `darks${n}`, `D${n}${i}.DNG`),
        frameBytes({ wallTime: wallAt(60 + 30 * n + i), ...body, ...settings }, 500 + 20 * n + i),
      );
    await importCard(context, { card: join(base, `darks${n}`), zone: 'UTC', role: 'dark' }, fakeTools);
  }
  const shown = () => {
    const found = show(context, 'latest');
    if (found.kind !== 'session') throw new RangeError('a session was meant');
    return found.view;
  };
  return { base, context, shown };
}

describe('show, of what there is to calibrate with', () => {
  it('says which darks of the night fit, what they add to the noise, and why others do not (P13, P15)', async () => {
    const { shown } = await nightWith([
      { exposureTime: 10, iso: 3200, count: 8 },
      { exposureTime: 10, iso: 800, count: 5 },
    ]);
    const view = shown();
    const masters = view.sequences.find(({ role }) => role === 'light')!.masters!;
    expect(masters).toMatchObject([
      { kind: 'dark', frameCount: 8, quality: 'fair', sequenceId: expect.stringMatching(/\/2$/) },
      { kind: 'dark', frameCount: 5, quality: 'refused', reason: 'Its ISO is 800, that of the lights 3200.' },
    ]);
    // sqrt(1 + 1/8) - 1 = 6.07 % (checks P15)
    expect(masters[0]!.addedNoise).toBeCloseTo(Math.sqrt(1 + 1 / 8) - 1, 12);
    const text = nightText(view);
    expect(text).toContain(
      'The 8 darks of /2 fit, but the temperature is not known. They add 6 % to the noise',
    );
    expect(text).toContain('The 5 darks of /3 will not be used: their ISO is 800, that of the lights 3200.');
  });

  it('offers the best master of an earlier night where the night has none that fits (P59)', async () => {
    const { context, shown } = await nightWith([{ exposureTime: 30, iso: 3200, count: 6 }]);
    const library = openLibrary(context.libraryDir, { mode: 'write' });
    const { width, height } = { width: 64, height: 48 };
    for (const [id, night, frameCount] of [
      ['dark-a', '2026-06-02', 4],
      ['dark-b', '2026-06-09', 20],
    ] as const)
      saveMaster(library, {
        ...{ id, kind: 'dark', camera: 'Skua 7', iso: 3200, exposureTime: 10, night, frameCount },
        ...{ width, height, decoder: 'x', path: `masters/${id}.fits`, body: {} },
      });
    library.close();
    const view = shown();
    expect(view.sequences.find(({ role }) => role === 'light')!.masters).toMatchObject([
      { kind: 'dark', masterId: 'dark-b', night: '2026-06-09', frameCount: 20, quality: 'fair' },
      { kind: 'dark', frameCount: 6, quality: 'refused' },
    ]);
    expect(nightText(view)).toContain('The 20 darks of 2026-06-09 fit, but');
  });

  it('says nothing where there is nothing', async () => {
    const { base, shown } = await nightWith([]);
    expect(shown().sequences[0]!.masters).toEqual([]);
    rmSync(base, { recursive: true });
  });
});
