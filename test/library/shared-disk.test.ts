import { join } from 'node:path';
import { describe, expect, it, vi } from 'vitest';
import { openLibrary, sites } from '../../src/library/index.js';
import { scratch } from './_card.js';

/** What the disk says it is; undefined = ask the real one. @source Linux statfs(2), table of f_type */
const disk = vi.hoisted(() => ({ type: undefined as number | undefined }));
vi.mock('node:fs', async (original) => {
  const real = await original<typeof import('node:fs')>();
  return {
    ...real,
    statfsSync: (path: string) =>
      disk.type === undefined ? real.statfsSync(path) : { ...real.statfsSync(path), type: disk.type },
  };
});

describe('a library on a disk that is shared or knows no shared memory (L41)', () => {
  for (const [name, type] of [
    ['exFAT', 0x2011bab0],
    ['FAT', 0x4d44],
    ['NFS', 0x6969],
    ['SMB', 0xff534d42],
    ['FUSE', 0x65735546],
  ] as const) {
    it(`${name}: keeps a plain journal with full sync, and says what to mind`, () => {
      disk.type = type;
      const dir = join(scratch(), 'library');
      const library = openLibrary(dir, { mode: 'write' });
      expect(library.database.pragma('journal_mode', { simple: true })).toBe('delete');
      expect(library.database.pragma('synchronous', { simple: true })).toBe(2); // 2 = FULL
      expect(library.warnings).toEqual([
        `The library lies on a ${name} file system: use it from one program and one computer at a time, or keep it on a local disk.`,
      ]);
      library.close();
    });
  }

  it('moved there from a local disk it changes its journal, and back again, with all that it holds', () => {
    const dir = join(scratch(), 'library');
    disk.type = 0xef53; // a local Linux disk
    const journals: unknown[] = [];
    for (const type of [0xef53, 0x2011bab0, 0xef53]) {
      disk.type = type;
      const library = openLibrary(dir, { mode: 'write' });
      journals.push(library.database.pragma('journal_mode', { simple: true }));
      expect(sites(library)).toEqual([]);
      library.close();
    }
    expect(journals).toEqual(['wal', 'delete', 'wal']);
  });
});
