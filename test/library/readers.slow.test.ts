import { spawn } from 'node:child_process';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { openLibrary } from '../../src/library/index.js';
import { importCard } from '../../src/workflow/import.js';
import { contextOf, fakeTools } from '../workflow/_fake-intake.js';
import { frameBytes, put, scratch, wallAt } from './_card.js';

const WORKFLOW = new URL('../../dist/src/workflow/index.js', import.meta.url).href;

/** Searches and shows over and over until told to stop; says how often, and what did not fit together. */
const READER = `
const { searchFor, show, stats } = await import(${JSON.stringify(WORKFLOW)});
let stop = false;
process.stdin.on('data', () => { stop = true; });
const said = { reads: 0, seen: 0, wrong: [] };
const context = { libraryDir: process.argv[1] };
process.stdout.write('ready\\n');
while (!stop) {
  try {
    const found = searchFor(context, { role: 'light' });
    for (const { session, match } of found.sessions) {
      // Each card of the writer holds twelve frames and arrives whole.
      if (match.frames % 12 !== 0) said.wrong.push('found ' + match.frames + ' frames');
      const { view } = show(context, session.id);
      let frames = 0;
      for (const run of view.sequences) {
        frames += run.frames.length;
        if (run.frames.length !== run.frameCount) said.wrong.push([run.id, run.frames.length, run.frameCount]);
        if (run.frames.some((frame) => frame.files.length === 0)) said.wrong.push('a frame without files');
      }
      if (frames % 12 !== 0 || frames < match.frames) said.wrong.push('shown ' + frames + ' after ' + match.frames);
      said.seen = Math.max(said.seen, frames);
    }
    const [sites, isos] = [stats(context).site, stats(context).iso];
    if (sites.concat(isos).some((row) => row.frames % 12 !== 0)) said.wrong.push('counted part of a card');
    said.reads++;
  } catch (error) {
    said.wrong.push(String(error));
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
