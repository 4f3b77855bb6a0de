import { cpSync, existsSync, mkdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Sqlite from 'better-sqlite3';
import { describe, expect, it } from 'vitest';
import {
  attachmentsOf,
  framesOf,
  notesOf,
  openLibrary,
  saveMaster,
  saveMeasurements,
  savePlan,
  saveStack,
  searchLibrary,
  sequencesOf,
  sessions,
  setNotes,
  setTags,
  sites,
  stacksOf,
  toFrames,
  toSequence,
  toSession,
  toStack,
} from '../../src/library/index.js';
import { loadMaster, saveMasterFile } from '../../src/workflow/_master-file.js';
import { check } from '../../src/workflow/check.js';
import { drop } from '../../src/workflow/decide.js';
import { importCard } from '../../src/workflow/import.js';
import { moveLibrary, removeSession, restoreSession, trashed } from '../../src/workflow/library-places.js';
import { mergeLibraries } from '../../src/workflow/merge-libraries.js';
import { frameBytes, put, scratch, treeOf } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

/** Hash and size of every file below a folder. */
const filesIn = (folder: string) =>
  Object.fromEntries(
    Object.entries(treeOf(folder)).flatMap(([path, facts]) => {
      const [hash, size] = facts.split(' ');
      return hash === 'folder' ? [] : [[path, `${hash} ${size}`]];
    }),
  );

const SITE = { site: 'Sandpiper Flat', at: { latitude: -30.62, longitude: 25.13 } };

/** A library with one night of `count` frames, a stack, a master, notes, tags, a plan and a choice of its owner. */
async function libraryOf(base: string, night: string, seed: number, count = 4) {
  const dir = join(base, `library ${seed}`);
  const context = contextOf(dir);
  for (let i = 0; i < count; i++)
    put(
      join(base, `card ${seed}`, `A${seed}_${i}.DNG`),
      frameBytes(
        { wallTime: `${night}T22:0${i}:00`, exposureTime: 10, iso: 3200, camera: 'Skua 7' },
        seed * 100 + i,
      ),
    );
  put(join(base, `card ${seed}`, `A${seed}_2.XMP`), Buffer.from(`said of a frame of ${seed}`));
  const imported = await importCard(context, { card: join(base, `card ${seed}`), ...SITE }, fakeTools);
  const { id, folder } = imported.session!;
  const library = openLibrary(dir, { mode: 'write' });
  const stackFolder = `${folder}/stacks/run-1-abc`;
  put(join(dir, ...stackFolder.split('/'), 'picture.jpg'), Buffer.from(`picture ${seed}`));
  await saveMasterFile(join(dir, 'masters', `dark-${seed}.fits`), {
    ...{ kind: 'dark', width: 4, height: 2, planes: 1, frames: 8, data: new Float32Array(8).fill(seed) },
  } as never);
  saveStack(library, {
    sequenceId: `${id}/1`,
    folder: stackFolder,
    framesUsed: 3,
    body: { files: { pictureJpeg: `${stackFolder}/picture.jpg` } },
  });
  saveMaster(library, {
    ...{ id: `dark-${seed}`, kind: 'dark', camera: 'Skua 7', iso: 3200, exposureTime: 10, frameCount: 8 },
    ...{ path: `masters/dark-${seed}.fits`, decoder: 'x', body: {} },
  });
  saveMeasurements(
    library,
    framesOf(library, id).map((frame, i) => ({
      frameId: frame.id,
      verdict: 'keep' as const,
      fwhm: 2 + i / 10,
    })),
  );
  setNotes(library, { kind: 'session', id }, `wind from the pass, night ${seed}`);
  setTags(library, { kind: 'session', id }, ['owls']);
  setNotes(library, { kind: 'sequence', id: `${id}/1` }, `run of ${seed}`);
  setTags(library, { kind: 'sequence', id: `${id}/1` }, [`run ${seed}`]);
  savePlan(library, { night, notes: `plan ${seed}`, siteId: sites(library)[0]!.id } as never);
  library.close();
  drop(context, [`A${seed}_1.DNG`]);
  return { dir, context, id, folder };
}

/** Everything that a library says of its nights, without the place it lies in. */
function said(dir: string) {
  const library = openLibrary(dir, { mode: 'read' });
  try {
    return JSON.parse(
      JSON.stringify(
        sessions(library).map((session) => ({
          session: toSession(session),
          notes: notesOf(library, 'session', session.id),
          found: searchLibrary(library, { text: 'wind' }).sessions.length,
          sequences: sequencesOf(library, session.id).map((sequence) => ({
            ...toSequence(sequence),
            frames: toFrames(library, sequence, framesOf(library, sequence.id)),
          })),
          stacks: stacksOf(library, session.id).map((stack) => toStack(library, stack)),
        })),
      ).replaceAll(JSON.stringify(dir).slice(1, -1), 'LIBRARY'),
    );
  } finally {
    library.close();
  }
}

describe('library remove and restore', () => {
  it('takes a night away without deleting a byte, and brings it back as it was', async () => {
    const base = scratch();
    const { dir, context, id } = await libraryOf(base, '2026-08-13', 1);
    const before = { said: said(dir), files: filesIn(join(dir, 'nights')) };
    const gone = await removeSession(context, id);
    expect(said(dir)).toEqual([]);
    expect(existsSync(join(dir, 'nights', '2026-08-13 sandpiper-flat'))).toBe(false);
    expect(trashed(context)).toMatchObject([{ id, night: '2026-08-13', frameCount: 4 }]);
    expect(filesIn(join(gone.folder, 'nights'))).toEqual(before.files);
    expect(await check(context)).toMatchObject({ sound: true, filesChecked: 0 });
    expect(await restoreSession(context, id)).toEqual({ sessionId: id });
    expect(said(dir)).toEqual(before.said);
    expect(filesIn(join(dir, 'nights'))).toEqual(before.files);
    expect(trashed(context)).toEqual([]);
    expect(await check(context)).toMatchObject({ sound: true, filesChecked: 5, unknown: [] });
  });

  it('goes on where it was stopped, on the way there and back', async () => {
    const base = scratch();
    const { dir, context, id } = await libraryOf(base, '2026-08-13', 1);
    const before = { said: said(dir), files: filesIn(join(dir, 'nights')) };
    // Stopped after each file in turn, as by Ctrl-C.
    const stopped = async (work: (stop: typeof context) => Promise<unknown>) => {
      for (let after = 1; ; after++) {
        const controller = new AbortController();
        let steps = 0;
        const progress = () => {
          if (++steps > 1) controller.abort();
        };
        try {
          await work({ ...context, progress, signal: controller.signal });
          return after;
        } catch (error) {
          expect(error).toMatchObject({ code: 'CANCELLED' });
        }
      }
    };
    expect(await stopped((stop) => removeSession(stop, id))).toBeGreaterThan(2);
    expect(said(dir)).toEqual([]);
    expect(await stopped((stop) => restoreSession(stop, id))).toBeGreaterThan(2);
    expect(said(dir)).toEqual(before.said);
    expect(filesIn(join(dir, 'nights'))).toEqual(before.files);
  });

  it('leaves what its owner laid into the trash when the night comes back', async () => {
    const { context, id } = await libraryOf(scratch(), '2026-08-13', 1);
    const { folder } = await removeSession(context, id);
    put(join(folder, 'why.txt'), Buffer.from('too windy'));
    await restoreSession(context, id);
    expect(Object.keys(filesIn(folder))).toEqual(['why.txt']);
    expect(trashed(context)).toEqual([]);
    // Gone again, with that file still there.
    expect((await removeSession(context, id)).frameCount).toBe(4);
    expect(readFileSync(join(folder, 'why.txt'), 'utf8')).toBe('too windy');
  });

  it('keeps a second removal apart, and does not bring back what is here again', async () => {
    const base = scratch();
    const { context, id } = await libraryOf(base, '2026-08-13', 1);
    await removeSession(context, id);
    await importCard(context, { card: join(base, 'card 1'), ...SITE }, fakeTools);
    await expect(restoreSession(context, id)).rejects.toMatchObject({ code: 'VALUE_OUT_OF_RANGE' });
    expect(await removeSession(context, id)).toMatchObject({ id: `${id}~2` });
    expect(trashed(context).map((each) => each.id)).toEqual([id, `${id}~2`]);
    await expect(restoreSession(context, 'nothing')).rejects.toMatchObject({ code: 'UNKNOWN_ID' });
    expect(await restoreSession(context, id)).toEqual({ sessionId: id });
  });
});

describe('check', () => {
  it('looks at masters and at the trash too', async () => {
    const base = scratch();
    const { dir, context, id } = await libraryOf(base, '2026-08-13', 1);
    const path = join(dir, 'masters', 'dark-1.fits');
    const sound = readFileSync(path);
    writeFileSync(path, 'no master');
    expect(await check(context)).toMatchObject({
      sound: false,
      masters: { checked: 1, missing: [], damaged: [{ path: 'masters/dark-1.fits' }] },
    });
    writeFileSync(path, sound);
    expect(await check(context)).toMatchObject({ sound: true, masters: { checked: 1, damaged: [] } });
    rmSync(path);
    expect(await check(context)).toMatchObject({
      sound: true, // it can be made again
      masters: { checked: 1, missing: [{ path: 'masters/dark-1.fits' }] },
    });
    const { folder } = await removeSession(context, id);
    expect(await check(context)).toMatchObject({ sound: true, trash: [{ id, filesChecked: 5 }] });
    const frame = join(folder, 'nights', '2026-08-13 sandpiper-flat', 'frames', 'A1_2.DNG');
    writeFileSync(frame, readFileSync(frame).fill(7, 20));
    expect(await check(context)).toMatchObject({
      sound: false,
      changed: [],
      trash: [{ changed: [{ path: `trash/${id}/nights/2026-08-13 sandpiper-flat/frames/A1_2.DNG` }] }],
    });
  });
});

describe('library merge', () => {
  it('brings nights whole, with measurements, choices, stacks, notes, plans and masters; again it brings nothing', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-09-10', 2);
    const other = {
      said: said(b.dir),
      tree: [filesIn(join(b.dir, 'nights')), filesIn(join(b.dir, 'masters'))],
    };
    const merged = await mergeLibraries(a.context, b.dir, fakeTools);
    expect(merged).toMatchObject({
      sessions: [{ from: b.id, id: b.id, how: 'brought', frameCount: 4 }],
      masters: 1,
    });
    const both = said(a.dir);
    expect(both).toHaveLength(2);
    const clean = (list: unknown) => JSON.parse(JSON.stringify(list).replaceAll(/"found":\d/g, '"found":0'));
    expect(clean(both.find(({ session }: { session: { id: string } }) => session.id === b.id))).toEqual(
      clean(other.said[0]),
    );
    // With the file beside it, without which a master cannot be read.
    expect((await loadMaster(join(a.dir, 'masters', 'dark-2.fits'))).data).toEqual(
      new Float32Array(8).fill(2),
    );
    expect([filesIn(join(b.dir, 'nights')), filesIn(join(b.dir, 'masters'))]).toEqual(other.tree); // the other library is only read
    expect(await mergeLibraries(a.context, b.dir, fakeTools)).toMatchObject({
      sessions: [{ from: b.id, id: b.id, how: 'here' }],
      masters: 0,
    });
    expect(said(a.dir)).toEqual(both);
    expect(await check(a.context)).toMatchObject({ sound: true, filesChecked: 10, unknown: [] });
  });

  it('leaves the other library as it is to the byte even when an older version wrote it', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-09-10', 2);
    const file = join(b.dir, 'catalogue.sqlite');
    const older = new Sqlite(file);
    for (const index of ['sequences_by_keep_rate', 'sequences_without_stack', 'sessions_without_plan'])
      older.exec(`DROP INDEX ${index}`);
    older.pragma('user_version = 4');
    older.pragma('wal_checkpoint(TRUNCATE)');
    older.close();
    const before = filesIn(b.dir);
    const merged = await mergeLibraries(a.context, b.dir, fakeTools);
    expect(merged.sessions).toMatchObject([{ how: 'brought', frameCount: 4 }]);
    const { 'catalogue.sqlite-wal': _w, 'catalogue.sqlite-shm': _s, ...after } = filesIn(b.dir);
    expect(after).toEqual(before);
    expect(await check(a.context)).toMatchObject({ sound: true, filesChecked: 10 });
  });

  it('joins two cameras of one night, and carries over what their owner chose', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-08-13', 2);
    expect(b.id).toBe(a.id);
    const merged = await mergeLibraries(a.context, b.dir, fakeTools);
    expect(merged.sessions).toMatchObject([{ from: b.id, id: a.id, how: 'joined' }]);
    const [session] = said(a.dir);
    expect(session.notes).toBe('wind from the pass, night 1\nwind from the pass, night 2');
    const frames = session.sequences.flatMap(
      ({ frames }: { frames: { file: string; verdict: string; verdictBy: string }[] }) => frames,
    );
    expect(frames).toHaveLength(8);
    expect(
      frames
        .filter((frame: { verdictBy: string }) => frame.verdictBy === 'person')
        .map((frame: { file: string; verdict: string }) => [frame.file.split('/').at(-1), frame.verdict])
        .sort(),
    ).toEqual([
      ['A1_1.DNG', 'drop'],
      ['A2_1.DNG', 'drop'],
    ]);
    const library = openLibrary(a.dir, { mode: 'read' });
    const attached = attachmentsOf(
      library,
      frames.map(({ id }: { id: string }) => id),
    ).map(({ path }) => readFileSync(join(a.dir, path), 'utf8'));
    const runs = sequencesOf(library, a.id)
      .map(({ id }) => notesOf(library, 'sequence', id))
      .join('\n');
    library.close();
    expect(attached.sort()).toEqual(['said of a frame of 1', 'said of a frame of 2']);
    expect(runs.split('\n').sort()).toEqual(['run of 1', 'run of 2']);
    expect(await mergeLibraries(a.context, b.dir, fakeTools)).toMatchObject({ sessions: [{ how: 'here' }] });
    expect(await check(a.context)).toMatchObject({ sound: true, filesChecked: 10, unknown: [] });
  });

  it('carries over what their owner chose even when it was stopped between the frames and the words', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-08-13', 2);
    const stop = new AbortController();
    const tools = {
      ...fakeTools,
      group: (...of: Parameters<typeof fakeTools.group>) => {
        queueMicrotask(() => stop.abort());
        return fakeTools.group(...of);
      },
    };
    await expect(mergeLibraries({ ...a.context, signal: stop.signal }, b.dir, tools)).rejects.toMatchObject({
      name: 'Cancelled',
    });
    expect((await check(a.context)).filesChecked).toBe(9); // the frames are in, the attachment of the other is not
    const again = await mergeLibraries(a.context, b.dir, fakeTools);
    expect(again.sessions).toMatchObject([{ from: b.id, id: a.id, how: 'joined' }]);
    expect(said(a.dir)[0].notes).toBe('wind from the pass, night 1\nwind from the pass, night 2');
    expect(await check(a.context)).toMatchObject({ sound: true, filesChecked: 10, unknown: [] });
    expect(await mergeLibraries(a.context, b.dir, fakeTools)).toMatchObject({ sessions: [{ how: 'here' }] });
  });

  it('never takes in originals that have changed in the other library', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-09-10', 2);
    const spoiled = join(b.dir, ...b.folder.split('/'), 'frames', 'A2_2.DNG');
    const bytes = readFileSync(spoiled);
    bytes[bytes.length - 5]! ^= 1;
    writeFileSync(spoiled, bytes);
    const before = said(a.dir);
    await expect(mergeLibraries(a.context, b.dir, fakeTools)).rejects.toMatchObject({
      code: 'COPY_MISMATCH',
    });
    expect(said(a.dir)).toEqual(before);
  });

  it('never takes in changed originals where it joins a night either, and says which are missing', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1);
    const b = await libraryOf(base, '2026-08-13', 2);
    const frames = join(b.dir, ...b.folder.split('/'), 'frames');
    const sound = readFileSync(join(frames, 'A2_2.DNG'));
    const bytes = Buffer.from(sound);
    bytes[bytes.length - 5]! ^= 1;
    writeFileSync(join(frames, 'A2_2.DNG'), bytes);
    const before = said(a.dir);
    await expect(mergeLibraries(a.context, b.dir, fakeTools)).rejects.toMatchObject({
      code: 'COPY_MISMATCH',
    });
    expect(said(a.dir)).toEqual(before);
    writeFileSync(join(frames, 'A2_2.DNG'), sound);
    rmSync(join(frames, 'A2_0.DNG'));
    const merged = await mergeLibraries(a.context, b.dir, fakeTools);
    expect(merged.notes).toContain(
      `${b.folder}/frames/A2_0.DNG is missing from the other library and could not come along.`,
    );
    expect(await check(a.context)).toMatchObject({ sound: true, filesChecked: 9, missing: [] });
  });

  it('wants another library', async () => {
    const base = scratch();
    const a = await libraryOf(base, '2026-08-13', 1, 1).catch(() => undefined);
    const context = a?.context ?? contextOf(join(base, 'library 1'));
    await expect(mergeLibraries(context, base)).rejects.toMatchObject({ code: 'VALUE_OUT_OF_RANGE' });
    await expect(mergeLibraries(context, context.libraryDir)).rejects.toMatchObject({
      code: 'VALUE_OUT_OF_RANGE',
    });
  });
});

describe('library move', () => {
  it('is found again at the new place with everything, on the same disk', async () => {
    const base = scratch();
    const { dir, context } = await libraryOf(base, '2026-08-13', 1);
    const before = said(dir);
    const to = join(base, 'new place', 'sky');
    mkdirSync(to, { recursive: true });
    expect(await moveLibrary(context, to)).toMatchObject({ how: 'renamed' });
    expect(existsSync(dir)).toBe(false);
    expect(said(to)).toEqual(before);
    expect(await check(contextOf(to))).toMatchObject({ sound: true, filesChecked: 5 });
  });

  it('to another disk is copied and compared, goes on after a stop, and leaves the old one alone', async ({
    skip,
  }) => {
    const base = scratch();
    const elsewhere = [tmpdir(), '/dev/shm', '/var/tmp'].find(
      (place) => existsSync(place) && statSync(place).dev !== statSync(base).dev,
    );
    if (elsewhere === undefined) return skip('there is no second file system here');
    const { dir, context } = await libraryOf(base, '2026-08-13', 1);
    const before = { said: said(dir), tree: filesIn(join(dir, 'nights')) };
    const to = join(elsewhere, `nightcairn-move-${process.pid}`);
    try {
      const controller = new AbortController();
      let steps = 0;
      const half = {
        ...context,
        signal: controller.signal,
        progress: () => {
          if (++steps === 4) controller.abort();
        },
      };
      await expect(moveLibrary(half, to)).rejects.toMatchObject({ code: 'CANCELLED' });
      expect(await moveLibrary(context, to)).toMatchObject({ how: 'copied' });
      expect(said(to)).toEqual(before.said);
      expect(said(dir)).toEqual(before.said);
      expect(filesIn(join(to, 'nights'))).toEqual(before.tree);
      expect(await check(contextOf(to))).toMatchObject({ sound: true, filesChecked: 5 });
    } finally {
      rmSync(to, { recursive: true, force: true });
    }
  });

  it('never into itself, nor into a folder that holds something', async () => {
    const base = scratch();
    const { dir, context } = await libraryOf(base, '2026-08-13', 1);
    for (const to of [dir, join(dir, 'deeper')])
      await expect(moveLibrary(context, to)).rejects.toMatchObject({ code: 'VALUE_OUT_OF_RANGE' });
    cpSync(join(base, 'card 1'), join(base, 'full'), { recursive: true });
    await expect(moveLibrary(context, join(base, 'full'))).rejects.toMatchObject({
      code: 'VALUE_OUT_OF_RANGE',
    });
  });
});
