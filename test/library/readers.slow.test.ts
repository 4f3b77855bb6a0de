import { spawn } from 'node:child_process';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { openLibrary } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';
import { frameBytes, put, scratch, wallAt } from './_card.js';

const LIBRARY = new URL('../../dist/src/library/index.js', import.meta.url).href;

/** Reads the catalogue over and over until told to stop; says how often, and what did not fit together. */
const READER = `
const { openLibrary, searchLibrary, sessions, framesOf, sequencesOf } = await import(${JSON.stringify(LIBRARY)});
let stop = false;
process.stdin.on('data', () => { stop = true; });
const said = { reads: 0, seen: 0, wrong: [] };
process.stdout.write('ready\\n');
while (!stop) {
  const library = openLibrary(process.argv[1], { mode: 'read' });
  try {
    // One look, as a search or a page takes it: everything in it must be of one moment.
    library.database.exec('BEGIN');
    for (const session of sessions(library)) {
      said.seen = Math.max(said.seen, session.frameCount);
      const frames = framesOf(library, session.id);
      const inRuns = sequencesOf(library, session.id).reduce((sum, run) => sum + run.frameCount, 0);
      if (frames.length !== session.frameCount || inRuns !== session.frameCount)
        said.wrong.push([session.frameCount, frames.length, inRuns]);
      if (frames.some((frame) => frame.files.length === 0)) said.wrong.push('a frame without files');
    }
    library.database.exec('COMMIT');
    // And without a transaction of its own, a search is one statement after another, never an error.
    searchLibrary(library, { role: 'light' });
    said.reads++;
  } catch (error) {
    said.wrong.push(String(error));
  } finally {
    library.close();
  }
  await new Promise((done) => setImmediate(done));
}
process.stdout.write(JSON.stringify(said));
process.exit(0);
`;

it('two programs read while a third writes: no error, and never half a session (L39, L40)', {
  timeout: 120_000,
}, async () => {
  const base = scratch();
  const dir = join(base, 'library');
  openLibrary(dir, { mode: 'write' }).close();
  const readers = [0, 1].map(() => {
    const child = spawn(process.execPath, ['--input-type=module', '-e', READER, dir], {
      stdio: ['pipe', 'pipe', 'inherit'],
    });
    let out = '';
    child.stdout.on('data', (piece) => {
      out += String(piece);
    });
    const ended = new Promise<string>((done) => {
      child.on('close', () => done(out));
    });
    return { child, ended, ready: () => out.startsWith('ready') };
  });
  while (!readers.every(({ ready }) => ready())) await new Promise((done) => setTimeout(done, 20));
  for (let card = 0; card < 15; card++) {
    for (let i = 0; i < 12; i++)
      put(
        join(base, `card${card}`, `C${card}_${i}.DNG`),
        frameBytes(
          { wallTime: wallAt(card * 12 + i), exposureTime: 10, iso: 3200, camera: 'Skua 7' },
          card * 100 + i,
        ),
      );
    await importCard(contextOf(dir), { card: join(base, `card${card}`), zone: 'UTC' }, fakeTools);
  }
  for (const { child } of readers) child.stdin.write('stop');
  for (const { ended } of readers) {
    const said = JSON.parse((await ended).replace('ready\n', '')) as {
      reads: number;
      seen: number;
      wrong: unknown[];
    };
    expect(said.wrong).toEqual([]);
    expect(said.reads).toBeGreaterThan(5);
    expect(said.seen).toBeGreaterThan(0);
  }
});
