import { spawnSync } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { silent } from '../../src/core/index.js';
import {
  checkLibrary,
  copyVerified,
  type FileSystem,
  framesOf,
  nodeFileSystem,
  type OpenFile,
  openLibrary,
  SourceError,
} from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';
import { filesBelow, makeCard, put, scratch, sha, treeOf } from './_card.js';

const failure = (code: string) => Object.assign(new Error(`${code}: injected`), { code });

/** A file system in which `decide` may make any step fail; steps are counted over all of them. */
function faulty(decide: (step: { n: number; what: string; path: string }) => Error | undefined): FileSystem {
  let n = 0;
  const guard = (what: string, path: string) => {
    const error = decide({ n: n++, what, path });
    if (error) throw error;
  };
  const file = (open: OpenFile, path: string): OpenFile => ({
    ...open,
    read: async (...args) => {
      guard('read', path);
      return open.read(...args);
    },
    write: async (...args) => {
      guard('write', path);
      return open.write(...args);
    },
    sync: async () => {
      guard('sync', path);
      return open.sync();
    },
  });
  return {
    ...nodeFileSystem,
    openRead: async (path) => {
      guard('openRead', path);
      return file(await nodeFileSystem.openRead(path), path);
    },
    openNew: async (path) => {
      guard('openNew', path);
      return file(await nodeFileSystem.openNew(path), path);
    },
    rename: async (from, to) => {
      guard('rename', to);
      return nodeFileSystem.rename(from, to);
    },
    makeFolder: async (path) => {
      guard('makeFolder', path);
      return nodeFileSystem.makeFolder(path);
    },
    syncFolder: async (path) => {
      guard('syncFolder', path);
      return nodeFileSystem.syncFolder(path);
    },
  };
}

const room = () => {
  const base = scratch();
  return { base, card: join(base, 'card'), dir: join(base, 'library') };
};

const importWith = (dir: string, card: string, fileSystem?: FileSystem, more: object = {}) =>
  importCard(
    contextOf(dir),
    { card, site: 'Flat', at: { latitude: -31.25, longitude: 20.5 }, ...more },
    fileSystem ? { ...fakeTools, fileSystem } : fakeTools,
  );

async function expectWhole(dir: string, count: number): Promise<void> {
  const library = openLibrary(dir, { mode: 'read' });
  expect(await checkLibrary(library, { repair: false, progress: silent })).toMatchObject({
    sound: true,
    filesChecked: count,
    unknown: [],
  });
  expect(framesOf(library, '2026-08-13-flat')).toHaveLength(count);
  library.close();
  expect(filesBelow(dir).filter((name) => name.endsWith('.part'))).toEqual([]);
}

describe('copyVerified', () => {
  it('copies any size exactly, around its own block sizes (L37, L38)', async () => {
    const base = scratch();
    const block = 4 * 1024 * 1024;
    for (const size of [0, 1, 65_535, 65_537, 131_072, block - 1, block, block + 1, 2 * block + 17]) {
      const bytes = Buffer.alloc(size, 7);
      bytes.fill(9, size >> 1);
      put(join(base, 'a'), bytes);
      const facts = await copyVerified(nodeFileSystem, join(base, 'a'), join(base, `b${size}`));
      expect(facts.sha256.toString('hex')).toBe(sha(bytes));
      expect(facts.size).toBe(size);
      expect(readFileSync(join(base, `b${size}`)).equals(bytes)).toBe(true);
    }
  });

  it('leaves nothing behind when stopped, and says CANCELLED', async () => {
    const base = scratch();
    put(join(base, 'a'), Buffer.alloc(9_000_000, 3));
    const stop = new AbortController();
    const copy = copyVerified(nodeFileSystem, join(base, 'a'), join(base, 'b'), {
      signal: stop.signal,
      onBytes: () => stop.abort(),
    });
    await expect(copy).rejects.toMatchObject({ code: 'CANCELLED' });
    expect(existsSync(join(base, 'b'))).toBe(false);
  });

  it('notices a copy that reads back differently (L36)', async () => {
    const base = scratch();
    put(join(base, 'a'), Buffer.alloc(100_000, 3));
    const lying: FileSystem = {
      ...nodeFileSystem,
      openNew: async (path) => {
        const open = await nodeFileSystem.openNew(path);
        // Right size, but a hole of zeros where data should be.
        return {
          ...open,
          write: (buffer, length, at) => open.write(Buffer.alloc(buffer.length), length, at),
        };
      },
    };
    await expect(copyVerified(lying, join(base, 'a'), join(base, 'b'))).rejects.toMatchObject({
      name: 'StorageError',
      code: 'COPY_MISMATCH',
    });
    expect(existsSync(join(base, 'b'))).toBe(false);
  });

  it('notices a source that ends before its size (L37)', async () => {
    const base = scratch();
    put(join(base, 'a'), Buffer.alloc(100_000, 3));
    const short: FileSystem = {
      ...nodeFileSystem,
      openRead: async (path) => {
        const open = await nodeFileSystem.openRead(path);
        return {
          ...open,
          read: (buffer, length, at) =>
            at >= 50_000 ? Promise.resolve(0) : open.read(buffer, Math.min(length, 50_000), at),
        };
      },
    };
    await expect(copyVerified(short, join(base, 'a'), join(base, 'b'))).rejects.toBeInstanceOf(SourceError);
    expect(existsSync(join(base, 'b'))).toBe(false);
  });
});

describe('an import on a disk that fills up', () => {
  it('stops cleanly at whichever write finds no room, and resumes afterwards', async () => {
    const { base, card } = room();
    makeCard(card, 4);
    const before = treeOf(card);
    // How many steps a whole import has, so that each of them can be the one that fails.
    let steps = 0;
    const writing = (what: string) =>
      ['openNew', 'write', 'sync', 'rename', 'makeFolder', 'syncFolder'].includes(what);
    await importWith(
      join(base, 'count'),
      card,
      faulty(({ what }) => {
        steps += Number(writing(what));
        return undefined;
      }),
    );
    expect(steps).toBeGreaterThan(20);
    for (let failing = 0; failing < steps; failing++) {
      const dir = join(base, `full${failing}`);
      let at = 0;
      const full = faulty(({ what }) => (writing(what) && at++ >= failing ? failure('ENOSPC') : undefined));
      await expect(importWith(dir, card, full)).rejects.toMatchObject({
        name: 'StorageError',
        code: 'DISK_FULL',
      });
      expect(filesBelow(dir).filter((name) => name.endsWith('.part'))).toEqual([]);
      const again = await importWith(dir, card);
      expect(again.import).toMatchObject({ found: 4, failed: [], cardMayBeReused: true });
      await expectWhole(dir, 4);
    }
    expect(treeOf(card)).toEqual(before);
  });

  it('stops cleanly on a disk that is really full, catalogue and all, and resumes after space is made', async ({
    skip,
  }) => {
    const disk = scratch();
    const mount = (...options: string[]) =>
      spawnSync('mount', ['-t', 'tmpfs', ...options, 'tmpfs', disk], { stdio: 'ignore' }).status === 0;
    if (process.platform !== 'linux' || !mount('-o', 'size=256k')) skip('no small disk can be mounted here');
    try {
      const { card } = room();
      makeCard(card, 30, { size: 20_000 });
      // The look at free space is told a lie, so that the full disk is met in the middle of things.
      const fileSystem: FileSystem = { ...nodeFileSystem, freeSpace: async () => 1e12 };
      const codes: string[] = [];
      for (let size = 256; size <= 1600; size += 64) {
        expect(mount('-o', `remount,size=${size}k`)).toBe(true);
        await importWith(join(disk, 'library'), card, fileSystem).then(
          () => codes.push('done'),
          (error: { code?: string }) => codes.push(error.code ?? String(error)),
        );
      }
      // Every stop is the same clean one; once there is room the import is complete.
      expect(new Set(codes)).toEqual(new Set(['DISK_FULL', 'done']));
      expect(codes.at(-1)).toBe('done');
      expect(codes.indexOf('done')).toBe(codes.lastIndexOf('DISK_FULL') + 1);
      await expectWhole(join(disk, 'library'), 30);
    } finally {
      spawnSync('umount', [disk]);
    }
  });

  it('says before it begins when the card cannot fit, and copies nothing', async () => {
    const { card, dir } = room();
    makeCard(card, 3);
    const small: FileSystem = { ...nodeFileSystem, freeSpace: async () => 1000 };
    await expect(importWith(dir, card, small)).rejects.toMatchObject({
      code: 'DISK_FULL',
      details: { free: 1000 },
    });
    expect(filesBelow(dir)).toEqual([]);
    // A card that is here already needs no room.
    await importWith(dir, card);
    expect((await importWith(dir, card, small)).import.alreadyInLibrary).toBe(3);
  });

  it('refuses a library that may not be written, naming the place', async () => {
    const { card, dir } = room();
    makeCard(card, 1);
    const closed = faulty(({ what }) => (what === 'openNew' ? failure('EROFS') : undefined));
    await expect(importWith(dir, card, closed)).rejects.toMatchObject({
      code: 'NOT_WRITABLE',
      message: expect.stringContaining(dir),
    });
  });
});

describe('a card that fails', () => {
  it('is read again after a passing error, and the file is then whole (P49)', async () => {
    const { card, dir } = room();
    makeCard(card, 3);
    let failures = 0;
    const shaky = faulty(({ what, path }) =>
      what === 'read' && path.startsWith(card) && path.endsWith('2.DNG') && failures++ < 2
        ? failure('EIO')
        : undefined,
    );
    expect((await importWith(dir, card, shaky)).import).toMatchObject({ copied: 3, failed: [] });
    await expectWhole(dir, 3);
  });

  it('lists a file that cannot be read, brings the others, and gets it another time', {
    timeout: 30_000,
  }, async () => {
    const { card, dir } = room();
    makeCard(card, 3);
    const bad = faulty(({ what, path }) =>
      what === 'read' && path.startsWith(card) && path.endsWith('2.DNG') ? failure('EIO') : undefined,
    );
    const result = await importWith(dir, card, bad);
    expect(result.import).toMatchObject({ found: 3, copied: 2, cardMayBeReused: false });
    expect(result.import.failed).toMatchObject([{ copied: false, code: 'NOT_READABLE' }]);
    expect(result.summary).toBe('1 of 3 files could not be copied: keep the card as it is.');
    expect((await importWith(dir, card)).import).toMatchObject({
      copied: 1,
      alreadyInLibrary: 2,
      failed: [],
    });
    await expectWhole(dir, 3);
  });

  it('may be pulled half-way: what arrived is sorted, the rest is listed, and it goes on later', async () => {
    const { card, dir } = room();
    makeCard(card, 6);
    let pulled = false;
    const loose = faulty(({ what, path }) => {
      if (what === 'openRead' && path.endsWith('4.DNG') && path.startsWith(card)) pulled = true;
      return pulled && path.startsWith(card) ? failure('ENOENT') : undefined;
    });
    const gone: FileSystem = {
      ...loose,
      list: (folder) =>
        pulled && folder.startsWith(card) ? Promise.reject(failure('ENOENT')) : nodeFileSystem.list(folder),
    };
    const result = await importWith(dir, card, gone);
    expect(result.import).toMatchObject({ found: 6, copied: 3, cardMayBeReused: false });
    expect(result.import.failed.map(({ code, copied }) => [code, copied])).toEqual(
      [1, 2, 3].map(() => ['CARD_LOST', false]),
    );
    expect(result.session?.frameCount).toBe(3);
    expect((await importWith(dir, card)).session?.frameCount).toBe(6);
    await expectWhole(dir, 6);
  });

  it('is left alone when the person stops, without a half file', async () => {
    const { card, dir } = room();
    makeCard(card, 5);
    const stop = new AbortController();
    let events = 0;
    const context = contextOf(dir, {
      signal: stop.signal,
      progress: ({ task }) => {
        if (task === 'copying' && ++events === 4) stop.abort();
      },
    });
    await expect(importCard(context, { card }, fakeTools)).rejects.toMatchObject({ code: 'CANCELLED' });
    expect(filesBelow(dir).filter((name) => name.endsWith('.part'))).toEqual([]);
    expect((await importWith(dir, card)).session?.frameCount).toBe(5);
    await expectWhole(dir, 5);
  });

  it('makes a failing second folder known without losing the first copy', async () => {
    const { base, card, dir } = room();
    makeCard(card, 3);
    const second = join(base, 'second');
    const full = faulty(({ what, path }) =>
      what === 'write' && path.startsWith(second) ? failure('ENOSPC') : undefined,
    );
    const result = await importWith(dir, card, full, { second });
    expect(result.import).toMatchObject({ copied: 3, failed: [], cardMayBeReused: false });
    expect(result.import.second!.failed).toHaveLength(3);
    expect(result.summary).toContain('3 files are not in the second folder: keep the card');
    expect(filesBelow(second)).toEqual([]);
    await expectWhole(dir, 3);
  });
});
