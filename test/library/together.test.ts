import { spawn, spawnSync } from 'node:child_process';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { silent } from '../../src/core/index.js';
import { checkLibrary, holdLibrary, openLibrary, sessions } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';
import { makeCard, scratch, treeOf } from './_card.js';

const CHILD = fileURLToPath(new URL('./_import-child.mjs', import.meta.url));

/** An import in a process of its own. */
function start(library: string, card: string) {
  const child = spawn(process.execPath, [CHILD, library, card], { stdio: ['ignore', 'pipe', 'pipe'] });
  let out = '';
  let err = '';
  const heard: (() => void)[] = [];
  child.stdout.on('data', (data: Buffer) => {
    out += data;
  });
  child.stderr.on('data', (data: Buffer) => {
    err += data;
    for (const each of heard) each();
  });
  return {
    /** Resolves with what it says on stderr first. */
    said: new Promise<string>((done) => heard.push(() => done(err))),
    result: new Promise<{ copied: number; alreadyInLibrary: number; failed: unknown[] }>((done, fail) =>
      child.on('close', (code) =>
        code === 0 ? done(JSON.parse(out.split('\n')[1]!)) : fail(new Error(`ended with ${code}: ${err}`)),
      ),
    ),
  };
}

async function expectSound(dir: string, frameCount: number): Promise<void> {
  const library = openLibrary(dir, { mode: 'read' });
  try {
    expect(sessions(library)).toMatchObject([{ frameCount }]);
    expect(await checkLibrary(library, { repair: false, progress: silent })).toMatchObject({
      sound: true,
      filesChecked: frameCount,
      unknown: [],
    });
  } finally {
    library.close();
  }
}

describe('two processes on one library', () => {
  it('the second says who holds it, waits, and then does its work', async () => {
    const base = scratch();
    makeCard(join(base, 'card'), 4);
    const dir = join(base, 'library');
    const library = openLibrary(dir, { mode: 'write' });
    const release = await holdLibrary(library, { task: 'amending a session' });
    const second = start(dir, join(base, 'card'));
    expect(await second.said).toContain(`waiting for the library: process ${process.pid} on `);
    expect(await second.said).toContain('is amending a session');
    release();
    library.close();
    expect(await second.result).toMatchObject({ copied: 4, failed: [] });
    await expectSound(dir, 4);
  });

  it('that start at the same moment bring in every file once', async () => {
    const base = scratch();
    makeCard(join(base, 'one'), 25);
    makeCard(join(base, 'two'), 25); // the same content
    const results = await Promise.all([
      start(join(base, 'library'), join(base, 'one')).result,
      start(join(base, 'library'), join(base, 'two')).result,
    ]);
    expect(results.map(({ copied }) => copied).sort((a, b) => a - b)).toEqual([0, 25]);
    expect(results.flatMap(({ failed }) => failed)).toEqual([]);
    await expectSound(join(base, 'library'), 25);
  });
});

describe('a card that is mounted read-only', () => {
  it('is imported in full, with its attachments, and stays as it was', async ({ skip }) => {
    const base = scratch();
    const card = join(base, 'card');
    mkdirSync(card);
    const mount = (...options: string[]) =>
      spawnSync('mount', ['-t', 'tmpfs', ...options, 'tmpfs', card], { stdio: 'ignore' }).status === 0;
    if (process.platform !== 'linux' || !mount('-o', 'size=8m')) {
      skip('skipped: nothing can be mounted here (needs Linux and root)');
    }
    try {
      const paths = makeCard(card, 12, { size: 20_000 });
      writeFileSync(join(card, 'DCIM', '100NIGHT', 'NGT_0001.XMP'), '<x/>');
      expect(mount('-o', 'remount,ro')).toBe(true);
      expect(() => writeFileSync(join(card, 'probe'), 'x')).toThrow(/EROFS/);
      const before = treeOf(card);
      const run = () => importCard(contextOf(join(base, 'library')), { card }, fakeTools);
      expect((await run()).import).toMatchObject({
        found: 12,
        copied: 12,
        attachments: 1,
        failed: [],
        cardMayBeReused: true,
      });
      expect((await run()).import).toMatchObject({ copied: 0, alreadyInLibrary: 12 });
      expect(treeOf(card)).toEqual(before);
      expect(readFileSync(paths[0]!)).toHaveLength(20_000);
    } finally {
      spawnSync('umount', [card]);
    }
  });
});
