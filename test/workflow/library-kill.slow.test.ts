import { spawn } from 'node:child_process';
import { cpSync, existsSync, mkdtempSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { writeDng } from '../../src/frames/index.js';
import { framesOf, notesOf, openLibrary, saveStack, sessions, setNotes } from '../../src/library/index.js';
import { check } from '../../src/workflow/check.js';
import { importCard } from '../../src/workflow/import.js';
import { trashed } from '../../src/workflow/library-places.js';
import { frameBytes, put, scratch, treeOf, wallAt } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const CHILD = fileURLToPath(new URL('./_places-child.mjs', import.meta.url));
const random = seededRandom(20260814);
const ROUNDS = process.env.NIGHTCAIRN_FULL === '1' ? 40 : 3;
const JOINS = Math.ceil(ROUNDS / 3); // joining reads every frame anew: a round takes long
const FRAMES = 40;
const NIGHT = 'nights/2026-08-13 sandpiper-flat';
const ID = '2026-08-13-sandpiper-flat';

/** Hash of every file below a folder by its path. */
const hashes = (folder: string) =>
  Object.fromEntries(
    Object.entries(treeOf(folder)).flatMap(([path, facts]) =>
      facts.startsWith('folder') ? [] : [[path, facts.split(' ')[0]]],
    ),
  );

/** A library with one night of frames, a stack and a note. */
async function libraryAt(dir: string, cards: string): Promise<void> {
  for (let i = 0; i < FRAMES; i++)
    put(
      join(cards, `K_${i}.DNG`),
      Buffer.concat([
        frameBytes({ wallTime: wallAt(i), exposureTime: 10, iso: 3200, camera: 'Skua 7' }, i),
        Buffer.alloc(200_000, i + 1),
      ]),
    );
  const where = { site: 'Sandpiper Flat', at: { latitude: -30.62, longitude: 25.13 } };
  await importCard(contextOf(dir), { card: cards, ...where }, fakeTools);
  const library = openLibrary(dir, { mode: 'write' });
  const folder = `${NIGHT}/stacks/run-1-abc`;
  put(join(dir, folder, 'picture.jpg'), Buffer.from('a picture'));
  saveStack(library, { sequenceId: `${ID}/1`, folder, framesUsed: 3, body: { files: {} } });
  setNotes(library, { kind: 'session', id: ID }, 'wind');
  library.close();
}

/** A library with one night of small frames that the real readers read: joining imports them anew. */
async function realLibraryAt(dir: string, cards: string, camera: string, note: string): Promise<void> {
  const [width, height] = [64, 48];
  for (let i = 0; i < FRAMES; i++) {
    const dng = writeDng({
      ...{ width, height, cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] }, blackLevel: 512 },
      ...{ whiteLevel: 16_383, colorMatrix: [1, 0, 0, 0, 1, 0, 0, 0, 1], asShotNeutral: [0.5, 1, 0.6] },
      data: Uint16Array.from({ length: width * height }, () => 700 + Math.floor(200 * random())),
      exif: { cameraModel: camera, wallTime: wallAt(i), exposureTime: 10, iso: 3200 },
    });
    put(join(cards, `K_${i}.DNG`), Buffer.from(dng));
  }
  await run(['import', dir, cards]);
  const library = openLibrary(dir, { mode: 'write' });
  setNotes(library, { kind: 'session', id: ID }, note);
  library.close();
}

/** Runs one of the commands in a process; with a delay (ms from its start of work) it is killed then. */
function run(args: readonly string[], killAfter?: number): Promise<{ finished: boolean; ms: number }> {
  return new Promise((done, fail) => {
    const child = spawn(process.execPath, [CHILD, ...args], { stdio: ['ignore', 'pipe', 'pipe'] });
    let began = 0;
    let trouble = '';
    child.stdout.on('data', () => {
      if (began > 0) return;
      began = performance.now();
      if (killAfter !== undefined) setTimeout(() => child.kill('SIGKILL'), killAfter);
    });
    child.stderr.on('data', (data) => {
      trouble += data;
    });
    child.on('close', (code, signal) => {
      if (code !== 0 && signal !== 'SIGKILL') fail(new Error(`${args[0]} ended with ${code}: ${trouble}`));
      else done({ finished: code === 0, ms: performance.now() - began });
    });
  });
}

/** Kills a command at random moments of its work, so often at most, then lets it finish. Says how often. */
async function killed(
  args: readonly string[],
  how: { readonly kills: number; readonly ms: number; readonly done: () => boolean },
): Promise<number> {
  for (let n = 0; n < how.kills; n++) {
    if ((await run(args, random() * how.ms)).finished) return n;
    // A process may die with its work done; to ask again would be answered by "there is none of that name".
    if (how.done()) return n + 1;
  }
  await run(args);
  return how.kills;
}

/** The night is here with all its files and all that is known of it. */
async function expectWhole(dir: string, files: ReturnType<typeof hashes>): Promise<void> {
  expect(hashes(join(dir, NIGHT))).toEqual(files);
  const library = openLibrary(dir, { mode: 'read' });
  expect(sessions(library).map(({ id }) => id)).toEqual([ID]);
  expect(framesOf(library, ID)).toHaveLength(FRAMES);
  expect(notesOf(library, 'session', ID)).toBe('wind');
  library.close();
  expect(await check(contextOf(dir))).toMatchObject({ sound: true, filesChecked: FRAMES, unknown: [] });
}

describe('killed at random moments and run again', () => {
  it(`remove and restore lose nothing in ${ROUNDS} rounds`, { timeout: 900_000 }, async () => {
    const base = scratch();
    const dir = join(base, 'library');
    await libraryAt(dir, join(base, 'card'));
    const files = hashes(join(dir, NIGHT));
    const { ms } = await run(['remove', dir, ID]);
    await run(['restore', dir, ID]);
    await expectWhole(dir, files);
    const here = () => {
      const library = openLibrary(dir, { mode: 'read' });
      try {
        return sessions(library).length > 0;
      } finally {
        library.close();
      }
    };
    let kills = 0;
    for (let round = 0; round < ROUNDS; round++) {
      kills += await killed(['remove', dir, ID], { kills: 2, ms, done: () => !here() });
      expect(trashed(contextOf(dir)).map(({ id }) => id)).toEqual([ID]);
      expect(hashes(join(dir, 'trash', ID, NIGHT))).toEqual(files);
      expect(await check(contextOf(dir))).toMatchObject({ sound: true, filesChecked: 0 });
      const back = () => trashed(contextOf(dir)).length === 0;
      kills += await killed(['restore', dir, ID], { kills: 2, ms, done: back });
      await expectWhole(dir, files);
      expect(trashed(contextOf(dir))).toEqual([]);
      expect(hashes(join(dir, 'trash'))).toEqual({});
    }
    expect(kills).toBeGreaterThan(0);
  });

  it(`merge loses nothing in ${ROUNDS} rounds, and only reads the other library`, {
    timeout: 900_000,
  }, async () => {
    const base = scratch();
    const other = join(base, 'other');
    await libraryAt(other, join(base, 'card'));
    const files = hashes(join(other, NIGHT));
    const { ms } = await run(['merge', join(base, 'first'), other]);
    await expectWhole(join(base, 'first'), files);
    let kills = 0;
    for (let round = 0; round < ROUNDS; round++) {
      const dir = join(base, `into ${round}`);
      kills += await killed(['merge', dir, other], { kills: 3, ms, done: () => false });
      await expectWhole(dir, files);
      rmSync(dir, { recursive: true });
    }
    expect(kills).toBeGreaterThan(0);
    expect(hashes(join(other, NIGHT))).toEqual(files);
    await expectWhole(other, files);
  });

  it(`merge into a night that is here loses neither frames nor words in ${JOINS} rounds`, {
    timeout: 900_000,
  }, async () => {
    const base = scratch();
    const [own, other] = [join(base, 'own'), join(base, 'other')];
    await realLibraryAt(own, join(base, 'card'), 'Skua 7', 'wind');
    await realLibraryAt(other, join(base, 'other card'), 'Petrel 2', 'dew');
    let ms = 0;
    let kills = 0;
    for (let round = 0; round <= JOINS; round++) {
      const dir = join(base, `into ${round}`);
      cpSync(own, dir, { recursive: true });
      // The first round tells how long it takes.
      if (round === 0) ({ ms } = await run(['merge', dir, other]));
      else kills += await killed(['merge', dir, other], { kills: 3, ms, done: () => false });
      const library = openLibrary(dir, { mode: 'read' });
      expect(sessions(library).map(({ id }) => id)).toEqual([ID]);
      expect(framesOf(library, ID)).toHaveLength(2 * FRAMES);
      expect(notesOf(library, 'session', ID)).toBe('wind\ndew');
      library.close();
      expect(await check(contextOf(dir))).toMatchObject({
        ...{ sound: true, filesChecked: 2 * FRAMES, unknown: [] },
      });
      rmSync(dir, { recursive: true });
    }
    expect(kills).toBeGreaterThan(0);
  });

  it(`move to another disk loses nothing in ${ROUNDS} rounds`, { timeout: 900_000 }, async ({ skip }) => {
    const base = scratch();
    const elsewhere = [tmpdir(), '/dev/shm', '/var/tmp'].find(
      (place) => existsSync(place) && statSync(place).dev !== statSync(base).dev,
    );
    if (elsewhere === undefined) return skip('there is no second file system here');
    const dir = join(base, 'library');
    await libraryAt(dir, join(base, 'card'));
    const files = hashes(join(dir, NIGHT));
    const there = mkdtempSync(join(elsewhere, 'cairn-move-'));
    try {
      const { ms } = await run(['move', dir, join(there, 'whole')]);
      let kills = 0;
      for (let round = 0; round < ROUNDS; round++) {
        const to = join(there, `to ${round}`);
        for (let n = 0; n < 3 && !(await run(['move', dir, to], random() * ms)).finished; n++) kills++;
        // Moved already, or half: either is asked for again, and the first says that the place is taken.
        if (!existsSync(join(to, 'catalogue.sqlite')) || existsSync(join(to, '.moving')))
          await run(['move', dir, to]);
        await expectWhole(to, files);
        rmSync(to, { recursive: true });
      }
      expect(kills).toBeGreaterThan(0);
      await expectWhole(dir, files);
    } finally {
      rmSync(there, { recursive: true, force: true });
    }
  });
});
