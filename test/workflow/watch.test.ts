import { appendFileSync, mkdirSync, renameSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { nodeFileSystem, openLibrary, sessions } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { watch } from '../../src/workflow/watch.js';
import { frameBytes, makeCard, put, scratch, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));
/** Waits until something holds, or 20 s have gone. */
async function until(holds: () => boolean): Promise<void> {
  for (let i = 0; i < 400 && !holds(); i++) await pause(50);
  expect(holds()).toBe(true);
}

const frame = (i: number, size = 4000) =>
  frameBytes({ wallTime: wallAt(i), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, 300 + i, size);

describe('watch', () => {
  it('waits for files dribbled in out of order, never reads early, survives a pulled card, and makes one session (L33, L34)', async () => {
    const base = scratch();
    const mounts = join(base, 'mounts');
    const card = join(mounts, 'CARD');
    const away = join(base, 'pocket');
    const folder = join(card, 'DCIM', '100NIGHT');
    mkdirSync(mounts, { recursive: true });
    const stop = new AbortController();
    const context = contextOf(join(base, 'library'), { signal: stop.signal });
    const reads: number[] = [];
    let writing = true;
    let pull = false;
    const watching = watch(context, { folders: [mounts], intervalMs: 60, steadyMs: 500 }, async (found) => {
      expect(found).toBe(card);
      expect(writing).toBe(false); // nothing is read while files still arrive
      if (pull) {
        pull = false;
        renameSync(card, away);
      }
      const result = await importCard(context, { card: found, zone: 'UTC' }, fakeTools);
      reads.push(result.import.found);
      return {};
    });
    // One file grows in pieces; others arrive meanwhile, out of order.
    const slow = frame(0, 9000);
    put(join(folder, 'A.DNG'), slow.subarray(0, 3000));
    for (const i of [3, 1, 2]) {
      await pause(150);
      put(join(folder, `${'ABCDEF'[i]}.DNG`), frame(i));
      appendFileSync(join(folder, 'A.DNG'), slow.subarray(3000 + (3 - i) * 100, 3000 + (4 - i) * 100));
    }
    await pause(150);
    put(join(folder, 'A.DNG'), slow);
    writing = false;
    await until(() => reads.length === 1);
    expect(reads).toEqual([4]);
    // Two more after a pause, then the card is pulled just as it is read.
    writing = true;
    put(join(folder, 'E.DNG'), frame(4));
    await pause(100);
    put(join(folder, 'F.DNG'), frame(5));
    pull = true;
    writing = false;
    await until(() => !pull);
    await pause(300);
    renameSync(away, card);
    await until(() => reads.length === 2);
    expect(reads).toEqual([4, 6]);
    // Put in again unchanged, it is left alone.
    renameSync(card, away);
    await pause(200);
    renameSync(away, card);
    await pause(900);
    stop.abort();
    const { runs } = await watching;
    expect(runs.map(({ error }) => error?.code)).toEqual([undefined, 'CARD_MISSING', undefined]);
    const library = openLibrary(join(base, 'library'), { mode: 'read' });
    expect(sessions(library)).toMatchObject([{ frameCount: 6 }]);
    library.close();
  });

  it('fetches the rest of a card that was pulled in the middle of the copy, once it is put in again (P49)', async () => {
    const base = scratch();
    const card = join(base, 'mounts', 'CARD');
    const away = join(base, 'pocket');
    makeCard(card, 8);
    const stop = new AbortController();
    const context = contextOf(join(base, 'library'), { signal: stop.signal });
    let opened = 0;
    const fileSystem: typeof nodeFileSystem = {
      ...nodeFileSystem,
      openRead: async (path) => {
        if (path.startsWith(card) && ++opened === 4) renameSync(card, away);
        return nodeFileSystem.openRead(path);
      },
    };
    const came: [number, number, boolean][] = [];
    const watching = watch(
      context,
      { folders: [join(base, 'mounts')], intervalMs: 30, steadyMs: 90 },
      async (found) => {
        const { import: done } = await importCard(
          context,
          { card: found, zone: 'UTC' },
          { ...fakeTools, fileSystem },
        );
        came.push([done.copied, done.alreadyInLibrary, done.cardMayBeReused]);
        return { again: !done.cardMayBeReused };
      },
    );
    await until(() => came.length === 1);
    await pause(200);
    renameSync(away, card);
    await until(() => came.length === 2);
    await pause(400);
    stop.abort();
    expect((await watching).runs).toEqual([{ card, again: true }, { card }]);
    expect(came).toEqual([
      [3, 0, false],
      [5, 3, true],
    ]);
    const library = openLibrary(join(base, 'library'), { mode: 'read' });
    expect(sessions(library)).toMatchObject([{ frameCount: 8 }]);
    library.close();
  });

  it('ends after one card with once, and takes a folder that is the card itself', async () => {
    const base = scratch();
    const card = join(base, 'loose');
    makeCard(card, 2);
    const tries: string[] = [];
    const result = await watch(
      contextOf(join(base, 'library')),
      { folders: [card], once: true, intervalMs: 20, steadyMs: 60 },
      async (found) => {
        tries.push(found);
        return {};
      },
    );
    expect(result.runs).toEqual([{ card }]);
    expect(tries).toEqual([card]);
  });

  it('needs no event at all, nor that its folders exist', async () => {
    const base = scratch();
    const stop = new AbortController();
    const later = join(base, 'not', 'there', 'yet');
    let seen = 0;
    const watching = watch(
      contextOf(join(base, 'library'), { signal: stop.signal }),
      { folders: [later], intervalMs: 30, steadyMs: 90 },
      async () => {
        seen++;
        if (seen === 1) throw new Error('first try fails');
        return {};
      },
    );
    await pause(100);
    makeCard(later, 1);
    await until(() => seen === 1);
    put(join(later, 'DCIM', '100NIGHT', 'NEW.DNG'), frame(7));
    await until(() => seen === 2);
    rmSync(later, { recursive: true });
    await pause(100);
    stop.abort();
    expect((await watching).runs.map(({ error }) => error?.message)).toEqual(['first try fails', undefined]);
  });
});
