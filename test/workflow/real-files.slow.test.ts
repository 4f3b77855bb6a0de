import { spawnSync } from 'node:child_process';
import { copyFileSync, existsSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, describe, expect, it } from 'vitest';
import { REAL } from '../support/shared.js';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));
const FULL = process.env.NIGHTCAIRN_FULL === '1';
const present = existsSync(REAL);
if (!present) process.stderr.write('Skipping the real files: ../shared/real is not beside this folder.\n');

// biome-ignore lint/suspicious/noExplicitAny: a JSON document of the command line, held by the assertions below
type Json = any;

const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-real-'));
afterAll(() => rmSync(scratch, { recursive: true, force: true }));

/** Runs a command on real files; a hang ends the test, a crash shows as exit code 70 or none. */
function run(library: string, ...args: string[]): { status: number | null; json: Json } {
  const done = spawnSync(
    process.execPath,
    [PROGRAM, ...args, '--json', '--quiet', '--library', join(scratch, library)],
    {
      maxBuffer: 1 << 28,
      timeout: 600_000,
    },
  );
  const text = done.stdout.toString('utf8');
  expect([0, 1, 3], `${args.join(' ')}: ${done.stderr.toString('utf8').slice(0, 600)}`).toContain(
    done.status,
  );
  return { status: done.status, json: JSON.parse(text) };
}

describe.skipIf(!present)('the whole job on real files', { timeout: 600_000 }, () => {
  it('tripod-sequences: runs by time, brackets kept together', () => {
    const { json } = run('tripod', 'import', join(REAL, 'tripod-sequences'), '--zone', 'America/Santiago');
    const runs = json.sequences.filter((s: Json) => s.role === 'light' && s.frameCount >= 3);
    expect(runs).toHaveLength(12);
    // Within a run the shutters differ by up to a factor of two, shot within half a minute.
    expect(runs.filter((s: Json) => s.bracketed).length).toBeGreaterThanOrEqual(10);
    // Each run takes ten seconds to measure and stack: three of them here, all twelve on request.
    const chosen = FULL ? runs : [runs[0], runs[6], runs[7]];
    const stacks = chosen.flatMap(({ id }: Json) => {
      run('tripod', 'measure', id);
      return run('tripod', 'stack', id).json.stacks;
    });
    const aligned = stacks.filter((s: Json) => s.alignment.rms < 0.35);
    expect(aligned).toHaveLength(chosen.length);
    for (const stack of aligned) expect(existsSync(stack.files.pictureJpeg)).toBe(true);
  });

  it('darks are darks', () => {
    const { json } = run('darks', 'import', join(REAL, 'darks'));
    const darks = json.sequences.filter((s: Json) => s.role === 'dark');
    expect(darks.reduce((sum: number, s: Json) => sum + s.frameCount, 0)).toBeGreaterThanOrEqual(20);
  });

  // Whole folders take minutes each: a few files of the first two here, all on request.
  it.each([
    ['darks-sky', 4],
    ['phone-milky-way', 2],
    ['raw/whole', 9],
    ...(FULL
      ? ([
          ['cloud-fits', 9],
          ['turning-sky-fits', 9],
          ['starfields-tiff', 9],
        ] as const)
      : []),
  ] as const)(
    '%s goes through the whole night, to a picture or to a sentence that says why not',
    (folder, few) => {
      let source = join(REAL, folder);
      if (!FULL) {
        const names = readdirSync(source).sort().slice(0, few);
        source = mkdtempSync(join(scratch, 'card-'));
        for (const name of names) copyFileSync(join(REAL, folder, name), join(source, name));
      }
      const { json } = run(folder.replace('/', '-'), 'night', source);
      expect(json.import.copied).toBe(json.import.found);
      expect(json.import.found).toBeGreaterThan(0);
      for (const left of json.notStacked) expect(left.reason).toMatch(/^[A-Z].*\.$/);
      for (const stack of json.stacks) expect(existsSync(stack.files.pictureJpeg)).toBe(true);
      if (json.session) expect(existsSync(json.report)).toBe(true);
    },
  );

  it.each(['raw/cut', 'raw/malformed', 'raw/small', 'headers'])(
    '%s: every file is copied faithfully and read or refused in a sentence',
    (folder) => {
      // The headers are forty nights of one small frame each: the whole job on all of them on request only.
      const job = folder === 'headers' && !FULL ? 'import' : 'night';
      const { json } = run(folder.replace('/', '-'), job, join(REAL, folder));
      expect(json.import.copied).toBe(json.import.found);
      for (const failure of json.import.failed) {
        expect(failure.copied).toBe(true);
        expect(failure.message).toMatch(/^[A-Z].*\.$/s);
        expect(failure.code).toMatch(/^[A-Z_]+$/);
      }
    },
  );
});
