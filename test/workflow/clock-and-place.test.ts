import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { openLibrary, sequencesOf } from '../../src/library/index.js';
import { amend } from '../../src/workflow/amend.js';
import { importCard } from '../../src/workflow/import.js';
import { searchFor } from '../../src/workflow/search.js';
import { addSite, listSites } from '../../src/workflow/sites.js';
import { type FakeFrame, frameBytes, put, scratch } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const HERE = { latitude: -31.25, longitude: 20.5 };

/** Imports frames of the wall times given; the camera's position or name may be added. */
async function imported(wallTimes: readonly string[], more: FakeFrame = {}, site?: string) {
  const base = scratch();
  const context = contextOf(join(base, 'library'));
  for (const [i, wallTime] of wallTimes.entries()) {
    put(
      join(base, 'card', `NGT_000${i + 1}.DNG`),
      frameBytes({ wallTime, exposureTime: 10, iso: 3200, camera: 'Skua 7', ...more }, i + 1),
    );
  }
  const result = await importCard(
    context,
    { card: join(base, 'card'), ...(site === undefined ? {} : { site, at: HERE }) },
    fakeTools,
  );
  return { base, context, result };
}

const startsOf = (libraryDir: string, id: string): string[] => {
  const library = openLibrary(libraryDir, { mode: 'read' });
  try {
    return sequencesOf(library, id).map(({ startMs }) => new Date(startMs!).toISOString());
  } finally {
    library.close();
  }
};

describe('a clock that is plainly wrong', () => {
  const cases = [
    ['a factory date of long ago', '2000-01-01T00:10:00', 'factory date'],
    ['the first of January of a year gone by', '2015-01-01T00:10:00', 'factory date'],
    ['the future', '2031-08-13T22:00:00', 'future'],
  ] as const;
  for (const [name, wallTime, word] of cases) {
    it(`is said, asked for and put right by the first frame's time: ${name} (P53, P55)`, async () => {
      const { context, result } = await imported(
        [wallTime, wallTime.replace(/:00$/, ':40')],
        {},
        'Sandpiper Flat',
      );
      const id = result.session!.id;
      const said = result.notes.find((note) => note.includes(word))!;
      expect(said).toContain(`NGT_0001.DNG says ${wallTime.replace('T', ' ')}`);
      expect(said).toContain('When was it really taken?');
      expect(said).toContain(`amend ${id} --first-frame-at`);
      expect(result.session!.remarks).toContain(said);
      const right = await amend(context, id, { firstFrameAt: '2026-08-13T22:05' }, fakeTools);
      expect(right.session).toMatchObject({ night: '2026-08-13', frameCount: 2, remarks: [] });
      // 22:05 in South Africa is 20:05 UTC.
      expect(startsOf(context.libraryDir, right.session.id)).toEqual(['2026-08-13T20:05:00.000Z']);
    });
  }

  it('is no matter on an ordinary night, nor on the New Year of last year', async () => {
    for (const wallTime of ['2026-08-13T22:00:00', '2026-01-01T00:30:00']) {
      const { result } = await imported([wallTime], {}, 'Sandpiper Flat');
      expect(result.session!.remarks).toEqual([]);
    }
  });

  it('of one of two cameras is put right alone', async () => {
    const { base, context } = await imported(['2026-08-13T22:00:00'], {}, 'Sandpiper Flat');
    put(
      join(base, 'other', 'PET_0001.DNG'),
      frameBytes({ wallTime: '2026-08-13T19:00:00', exposureTime: 10, iso: 1600, camera: 'Petrel 2' }, 9),
    );
    const { session } = await importCard(context, { card: join(base, 'other') }, fakeTools);
    const right = await amend(
      context,
      session!.id,
      { firstFrameAt: '2026-08-13T22:30:10', body: 'Petrel 2' },
      fakeTools,
    );
    expect(right.session.clockOffsets).toEqual({ 'Petrel 2': 3.5 * 3600 + 10 });
    expect(startsOf(context.libraryDir, session!.id).sort()).toEqual([
      '2026-08-13T20:00:00.000Z',
      '2026-08-13T20:30:10.000Z',
    ]);
  });

  it('is not put right by what is no time, or by two answers', async () => {
    const { context, result } = await imported(['2026-08-13T22:00:00'], {}, 'Sandpiper Flat');
    for (const bad of [
      { firstFrameAt: 'yesterday' },
      { firstFrameAt: '2026-08-13' },
      { firstFrameAt: '2026-08-13T22:05', clockOffset: 3 },
      { firstFrameAt: '2026-08-13T22:05', body: 'Nobody' },
    ]) {
      await expect(amend(context, result.session!.id, bad, fakeTools)).rejects.toMatchObject({
        name: 'InputError',
      });
    }
  });
});

describe('a place that only the frames knew', () => {
  it('takes the name that site add gives it, with its nights and the words to find them by', async () => {
    const { context, result } = await imported(['2026-08-13T22:00:00'], { gps: HERE });
    expect(result.session!.site).toMatchObject({ name: '31.25 S 20.50 E' });
    const near = { latitude: -31.254, longitude: 20.5 }; // 0.44 km away
    expect(await addSite(context, { name: 'Sandpiper Flat', at: near })).toMatchObject({
      id: result.session!.site!.id,
      name: 'Sandpiper Flat',
    });
    expect(listSites(context)).toHaveLength(1);
    expect(searchFor(context, { site: 'sandpiper' }).count).toBe(1);
  });

  it('takes the name that amend or the next import gives it', async () => {
    const { context, result } = await imported(['2026-08-13T22:00:00'], { gps: HERE });
    const named = await amend(context, result.session!.id, { site: 'Heron Pan' }, fakeTools);
    expect(named).toMatchObject({ skyChanged: false, session: { id: result.session!.id } });
    expect(listSites(context)).toMatchObject([{ name: 'Heron Pan', ...HERE }]);

    const other = await imported(['2026-08-13T22:00:00'], { gps: HERE });
    await importCard(
      other.context,
      { card: join(other.base, 'card'), site: 'Tern Bay', at: HERE },
      fakeTools,
    );
    expect(listSites(other.context)).toMatchObject([{ name: 'Tern Bay', ...HERE }]);
  });

  it('keeps its own name where a person gave it one, and beyond a kilometre', async () => {
    const { context } = await imported(['2026-08-13T22:00:00'], { gps: HERE });
    await addSite(context, { name: 'Two Away', at: { latitude: -31.27, longitude: 20.5 } }); // 2.2 km away
    await addSite(context, { name: 'Sandpiper Flat', at: HERE });
    await addSite(context, { name: 'Third', at: HERE });
    expect(listSites(context).map(({ name }) => name)).toEqual(['Sandpiper Flat', 'Third', 'Two Away']);
  });
});
