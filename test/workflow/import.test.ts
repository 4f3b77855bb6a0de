import { existsSync, readFileSync, rmSync, symlinkSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { framesOf, openLibrary, saveSite, sequencesOf, setVerdict, sites } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { filesBelow, frameBytes, makeCard, put, scratch, sha, treeOf, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const place = { site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 } };

function room() {
  const base = scratch();
  return { base, card: join(base, 'card'), library: join(base, 'library') };
}

const run = (libraryDir: string, card: string, more: object = {}, tools = fakeTools) =>
  importCard(contextOf(libraryDir), { card, ...place, ...more }, tools);

/** Calls with an open library and closes it. */
function look<T>(dir: string, see: (library: ReturnType<typeof openLibrary>) => T): T {
  const library = openLibrary(dir, { mode: 'read' });
  try {
    return see(library);
  } finally {
    library.close();
  }
}

describe('importCard', () => {
  it('copies every frame byte for byte, leaves the card untouched and says that it may be re-used (P49)', async () => {
    const { card, library } = room();
    const paths = makeCard(card, 6);
    const before = treeOf(card);
    const result = await run(library, card);
    expect(treeOf(card)).toEqual(before);
    expect(result.import).toMatchObject({
      found: 6,
      copied: 6,
      alreadyInLibrary: 0,
      failed: [],
      cardMayBeReused: true,
    });
    expect(result.summary).toBe('All 6 files are in the library and verified; the card may be re-used.');
    expect(result.session?.id).toBe('2026-08-13-sandpiper-flat');
    const folder = join(library, 'nights', '2026-08-13 sandpiper-flat', 'frames');
    for (const path of paths) {
      expect(sha(readFileSync(join(folder, path.split('/').at(-1)!)))).toBe(sha(readFileSync(path)));
    }
    expect(existsSync(join(library, 'incoming'))).toBe(false);
    const sequence = result.sequences[0]!;
    expect(sequence).toMatchObject({
      id: '2026-08-13-sandpiper-flat/1',
      role: 'light',
      frameCount: 6,
      iso: 3200,
    });
    // 22:00 in South Africa is 20:00 UTC.
    expect(new Date(sequence.startMs!).toISOString()).toBe('2026-08-13T20:00:00.000Z');
    expect(sequence.moonlight).toBeDefined();
  });

  it('copies nothing the second time and gives the same library (P51)', async () => {
    const { card, library } = room();
    makeCard(card, 5);
    await run(library, card);
    const before = {
      files: filesBelow(library),
      frames: look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat')),
    };
    const again = await run(library, card);
    expect(again.import).toMatchObject({ found: 5, copied: 0, alreadyInLibrary: 5, failed: [] });
    expect(again.summary).toContain('already in the library');
    expect(again.session?.id).toBe('2026-08-13-sandpiper-flat');
    expect(filesBelow(library)).toEqual(before.files);
    expect(look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat'))).toEqual(before.frames);
  });

  it('knows a card again after its times were changed by a copy, by content (P51)', async () => {
    const { card, library } = room();
    const paths = makeCard(card, 3);
    await run(library, card);
    for (const path of paths) put(path, readFileSync(path), Date.UTC(2027, 0, 1));
    expect((await run(library, card)).import).toMatchObject({ copied: 0, alreadyInLibrary: 3 });
  });

  it('joins a second card of the same night to the session, keeping ids and choices (P47, P48, C-DC-6)', async () => {
    const { base, card, library } = room();
    makeCard(card, 4);
    await run(library, card);
    const first = look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat').map(({ id }) => id));
    const opened = openLibrary(library, { mode: 'write' });
    setVerdict(opened, first[1]!, 'drop', 'person');
    opened.close();
    const second = join(base, 'card2');
    for (let i = 4; i < 8; i++) {
      // The numbering began again on the second card: same names, other pictures.
      put(
        join(second, 'DCIM', '100NIGHT', `NGT_${String(i - 3).padStart(4, '0')}.DNG`),
        frameBytes({ wallTime: wallAt(i), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 50 + i),
      );
    }
    const result = await importCard(contextOf(library), { card: second }, fakeTools);
    expect(result.sessions.map(({ id }) => id)).toEqual(['2026-08-13-sandpiper-flat']);
    const frames = look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat/1'));
    expect(frames).toHaveLength(8);
    expect(frames.slice(0, 4).map(({ id }) => id)).toEqual(first);
    expect(frames[1]!.measurement).toMatchObject({ verdict: 'drop', verdictBy: 'person' });
    const names = frames.map((frame) => frame.files[0]!.path.split('/').at(-1));
    expect(names).toEqual([
      ...[1, 2, 3, 4].map((n) => `NGT_000${n}.DNG`),
      ...[1, 2, 3, 4].map((n) => `NGT_000${n}~2.DNG`),
    ]);
  });

  it('makes one session a night of a card with three nights', async () => {
    const { card, library } = room();
    for (let night = 0; night < 3; night++) {
      for (let i = 0; i < 3; i++) {
        const wallTime = wallAt(i, 12, `2026-08-${13 + night}T23:59:50Z`);
        put(
          join(card, 'DCIM', '100NIGHT', `N${night}${i}.DNG`),
          frameBytes({ wallTime, exposureTime: 10 }, night * 10 + i),
        );
      }
    }
    const result = await run(library, card);
    expect(result.sessions.map(({ night }) => night)).toEqual(['2026-08-15', '2026-08-14', '2026-08-13']);
    expect(result.sequences.map(({ frameCount }) => frameCount)).toEqual([3, 3, 3]);
  });

  it('keeps RAW and JPEG of a shot as one frame, also when the JPEG comes later (P52)', async () => {
    const { base, card, library } = room();
    const shot = { wallTime: wallAt(0), exposureTime: 10 };
    put(join(card, 'DCIM', 'A', 'X1.DNG'), frameBytes(shot, 1));
    put(join(card, 'DCIM', 'A', 'X1.JPG'), frameBytes(shot, 2));
    put(join(card, 'DCIM', 'A', 'X2.DNG'), frameBytes({ ...shot, wallTime: wallAt(1) }, 3));
    await run(library, card);
    const later = join(base, 'later');
    put(join(later, 'X2.JPG'), frameBytes({ ...shot, wallTime: wallAt(1) }, 4));
    const result = await run(library, later);
    expect(result.import).toMatchObject({ found: 1, copied: 1 });
    const frames = look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat/1'));
    expect(frames.map(({ files }) => files.map(({ name }) => name))).toEqual([
      ['X1.DNG', 'X1.JPG'],
      ['X2.DNG', 'X2.JPG'],
    ]);
  });

  it('copies damaged files faithfully, lists them and never counts them as good (P49, P50)', async () => {
    const { card, library } = room();
    makeCard(card, 3);
    const folder = join(card, 'DCIM', '100NIGHT');
    put(join(folder, 'ZERO_A.DNG'), Buffer.alloc(3000));
    put(join(folder, 'ZERO_B.DNG'), Buffer.alloc(3000));
    put(join(folder, 'EMPTY.DNG'), '');
    put(
      join(folder, 'CUT.DNG'),
      frameBytes({ wallTime: wallAt(3), exposureTime: 10, iso: 3200, camera: 'Skua 7', damage: 'pixels' }, 9),
    );
    put(join(folder, 'GARBAGE.DNG'), 'hello');
    const result = await run(library, card);
    expect(result.import).toMatchObject({ found: 8, copied: 8, cardMayBeReused: true });
    expect(
      result.import.failed.map(({ file, copied, code }) => [file.split('/').at(-1), copied, code]).sort(),
    ).toEqual([
      ['CUT.DNG', true, 'CORRUPT'],
      ['EMPTY.DNG', true, 'EMPTY_FILE'],
      ['GARBAGE.DNG', true, 'CORRUPT'],
      ['ZERO_A.DNG', true, 'ALL_ZERO'],
      ['ZERO_B.DNG', true, 'ALL_ZERO'],
    ]);
    const frames = join(library, 'nights', '2026-08-13 sandpiper-flat', 'frames');
    for (const name of ['ZERO_A.DNG', 'ZERO_B.DNG', 'EMPTY.DNG', 'CUT.DNG', 'GARBAGE.DNG']) {
      expect(sha(readFileSync(join(frames, name)))).toBe(sha(readFileSync(join(folder, name))));
    }
    const cut = look(library, (l) => framesOf(l, '2026-08-13-sandpiper-flat')).find(
      ({ files }) => files[0]!.name === 'CUT.DNG',
    )!;
    expect(cut).toMatchObject({
      sound: false,
      measurement: { verdict: 'drop', reasons: [{ code: 'unreadable' }] },
    });
    const again = await run(library, card);
    expect(again.import).toMatchObject({ copied: 0, alreadyInLibrary: 8 });
    expect(again.import.failed).toHaveLength(5);
  });

  it('links side-cars to their frame, tracks to the nearest in time, and lists what it leaves (P51)', async () => {
    const { card, library } = room();
    makeCard(card, 3);
    const folder = join(card, 'DCIM', '100NIGHT');
    put(join(folder, 'NGT_0002.xmp'), '<x/>', 0);
    put(join(folder, 'NGT_0003.DNG.XMP'), '<y/>', 0);
    put(join(card, 'GPS', 'track.gpx'), '<gpx/>', Date.UTC(2026, 7, 13, 20) + 13000);
    put(join(folder, 'README.TXT'), 'hi');
    const result = await run(library, card);
    expect(result.import).toMatchObject({ attachments: 3, leftOnCard: ['DCIM/100NIGHT/README.TXT'] });
    const opened = openLibrary(library, { mode: 'read' });
    const of = opened.database
      .prepare(
        "SELECT a.name, p.name AS frame FROM files a JOIN files p ON p.frame_id = a.frame_id AND p.kind = 'frame' WHERE a.kind = 'attachment' ORDER BY a.name",
      )
      .all();
    opened.close();
    expect(of).toEqual([
      { name: 'NGT_0002.xmp', frame: 'NGT_0002.DNG' },
      { name: 'NGT_0003.DNG.XMP', frame: 'NGT_0003.DNG' },
      { name: 'track.gpx', frame: 'NGT_0002.DNG' },
    ]);
  });

  it('makes a second verified copy in the same pass, and only what is missing the next time', async () => {
    const { base, card, library } = room();
    makeCard(card, 4);
    const second = join(base, 'second');
    const result = await run(library, card, { second });
    expect(result.import.second).toMatchObject({ copied: 4, alreadyThere: 0, failed: [] });
    expect(result.summary).toContain('and in the second folder');
    const name = join('DCIM', '100NIGHT', 'NGT_0002.DNG');
    expect(sha(readFileSync(join(second, name)))).toBe(sha(readFileSync(join(card, name))));
    rmSync(join(second, name));
    expect((await run(library, card, { second })).import.second).toMatchObject({
      copied: 1,
      alreadyThere: 3,
    });
    writeFileSync(join(second, name), 'something else');
    expect((await run(library, card, { second })).import.second).toMatchObject({
      copied: 1,
      alreadyThere: 3,
    });
    expect(readFileSync(join(second, name), 'utf8')).toBe('something else');
  });

  it('puts a file back that went missing from the library', async () => {
    const { card, library } = room();
    makeCard(card, 3);
    await run(library, card);
    const lost = join(library, 'nights', '2026-08-13 sandpiper-flat', 'frames', 'NGT_0002.DNG');
    rmSync(lost);
    expect((await run(library, card)).import).toMatchObject({ copied: 1, alreadyInLibrary: 2 });
    expect(sha(readFileSync(lost))).toBe(sha(readFileSync(join(card, 'DCIM', '100NIGHT', 'NGT_0002.DNG'))));
  });

  it('refuses a missing card and a folder without frames, and makes no library for them', async () => {
    const { base, card, library } = room();
    await expect(run(library, card)).rejects.toMatchObject({ name: 'StorageError', code: 'CARD_MISSING' });
    put(join(card, 'a.txt'), 'x');
    await expect(run(library, card)).rejects.toMatchObject({ name: 'InputError', code: 'NO_FRAMES' });
    await expect(run(library, join(card, 'a.txt'))).rejects.toMatchObject({ code: 'CARD_MISSING' });
    expect(existsSync(library)).toBe(false);
    expect(base).toBeTruthy();
  });

  it('refuses a library or a second copy on the card itself, also through a link', async () => {
    const { base, card, library } = room();
    makeCard(card, 1);
    const before = treeOf(card);
    symlinkSync(card, join(base, 'link'));
    for (const [dir, second] of [
      [card],
      [join(card, 'x', 'y')],
      [join(base, 'link', 'z')],
      [library, join(card, 'b')],
    ]) {
      await expect(run(dir!, card, { second })).rejects.toMatchObject({
        name: 'InputError',
        code: 'VALUE_OUT_OF_RANGE',
      });
    }
    expect(treeOf(card)).toEqual(before);
  });

  it('does not follow links on the card', async () => {
    const { base, card, library } = room();
    makeCard(card, 1);
    put(join(base, 'private', 'secret.DNG'), frameBytes({}, 77));
    symlinkSync(join(base, 'private'), join(card, 'DCIM', 'LINK'));
    symlinkSync(join(base, 'private', 'secret.DNG'), join(card, 'DCIM', 'link.DNG'));
    const result = await run(library, card);
    expect(result.import.found).toBe(1);
    expect(result.import.leftOnCard).toEqual([
      'DCIM/LINK (a link, which is not followed)',
      'DCIM/link.DNG (a link, which is not followed)',
    ]);
  });

  it('keeps names with accents, emoji and 255 bytes, and tells names apart that differ in case only', async () => {
    const { card, library } = room();
    const long = `${'é'.repeat(125)}x.DNG`; // 255 bytes
    const names = ['Nuit étoilée.DNG', '🌌 one.DNG', long, 'same.DNG', 'SAME.DNG'];
    names.forEach((name, i) => {
      put(join(card, `f${i}`, name), frameBytes({ wallTime: wallAt(i) }, i));
    });
    put(join(card, 'g', long), frameBytes({ wallTime: wallAt(9) }, 99));
    const result = await run(library, card);
    expect(result.import).toMatchObject({ found: 6, copied: 6, failed: [] });
    const kept = filesBelow(join(library, 'nights', '2026-08-13 sandpiper-flat', 'frames'));
    expect(kept).toHaveLength(6);
    for (const name of names.slice(0, 3)) expect(kept).toContain(name);
    expect(new Set(kept.map((name) => name.toLowerCase())).size).toBe(6);
    for (const name of kept) expect(Buffer.byteLength(name)).toBeLessThanOrEqual(255);
  });

  it('takes the site from the header, then the default, then says that none is named', async () => {
    const { base, library } = room();
    const bare = async (seed: number, extra: object = {}) => {
      const card = join(base, `card${seed}`);
      put(
        join(card, 'a.DNG'),
        frameBytes({ wallTime: `2026-0${seed}-13T22:00:00`, exposureTime: 10, ...extra }, seed),
      );
      return importCard(contextOf(library), { card }, fakeTools);
    };
    const unnamed = await bare(1);
    expect(unnamed.session).toMatchObject({ id: '2026-01-13-site-not-named' });
    expect(unnamed.notes.join()).toContain('Site not named');
    const opened = openLibrary(library, { mode: 'write' });
    saveSite(opened, { name: 'Home Ridge', zone: 'America/Lima', isDefault: true });
    opened.close();
    expect((await bare(2)).session).toMatchObject({ id: '2026-02-13-home-ridge', zone: 'America/Lima' });
    const header = await bare(3, { gps: { latitude: -31.25, longitude: 20.5 } });
    expect(header.session).toMatchObject({ id: '2026-03-13-31-25-s-20-50-e', zone: 'Africa/Johannesburg' });
    expect(look(library, sites)).toHaveLength(2);
    await run(library, join(base, 'card1'));
    await expect(
      importCard(
        contextOf(library),
        { card: join(base, 'card1'), ...place, at: { latitude: 10, longitude: 10 } },
        fakeTools,
      ),
    ).rejects.toMatchObject({ name: 'InputError', code: 'VALUE_OUT_OF_RANGE' });
  });

  it('makes two sessions of a night that was shot at two sites, by the positions in the frames', async () => {
    const { base, library } = room();
    const card = join(base, 'card');
    const [valley, pass] = [
      { latitude: -31.25, longitude: 20.5 },
      { latitude: -31.4, longitude: 20.9 },
    ];
    for (let i = 0; i < 8; i++) {
      const gps = i === 2 ? undefined : i < 4 ? valley : pass;
      put(
        join(card, `N${i}.DNG`),
        frameBytes(
          {
            wallTime: wallAt(i * 20),
            exposureTime: 10,
            iso: 3200,
            camera: 'Skua 7',
            ...(gps ? { gps } : {}),
          },
          900 + i,
        ),
      );
    }
    const result = await importCard(contextOf(library), { card }, fakeTools);
    expect(result.sessions.map(({ site, frameCount }) => [site!.latitude, frameCount]).sort()).toEqual([
      [-31.25, 4],
      [-31.4, 4],
    ]);
    expect(new Set(result.sessions.map(({ night }) => night)).size).toBe(1);
    // The same card again changes nothing; a site that is said holds for all of it.
    const again = await importCard(contextOf(library), { card }, fakeTools);
    expect(again.sessions.map(({ id }) => id)).toEqual(result.sessions.map(({ id }) => id));
    const said = await importCard(
      contextOf(join(base, 'other')),
      { card, site: 'Both Sides', at: valley },
      fakeTools,
    );
    expect(said.sessions.map(({ frameCount }) => frameCount)).toEqual([8]);
  });

  it('separates two cameras of one night and applies a clock offset (P54)', async () => {
    const { card, library } = room();
    for (let i = 0; i < 4; i++) {
      put(
        join(card, `a${i}.DNG`),
        frameBytes({ wallTime: wallAt(i), exposureTime: 10, camera: 'Skua 7' }, i),
      );
      put(
        join(card, `b${i}.DNG`),
        frameBytes({ wallTime: wallAt(i), exposureTime: 10, camera: 'Petrel 2' }, 20 + i),
      );
    }
    const result = await run(library, card, { clockOffset: -90 });
    expect(result.sequences.map(({ camera, frameCount }) => [camera, frameCount]).sort()).toEqual([
      ['Petrel 2', 4],
      ['Skua 7', 4],
    ]);
    expect(new Date(result.sequences[0]!.startMs!).toISOString()).toBe('2026-08-13T19:58:30.000Z');
    look(library, (l) => {
      for (const { id } of sequencesOf(l, result.session!.id)) expect(framesOf(l, id)).toHaveLength(4);
    });
  });
});
