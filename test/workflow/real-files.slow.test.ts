import { spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, describe, expect, it } from 'vitest';
import { REAL } from '../support/shared.js';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));
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
  it('tripod-sequences: runs by time, brackets kept together, at least ten of twelve aligned', () => {
    const { json } = run('tripod', 'night', join(REAL, 'tripod-sequences'), '--zone', 'America/Santiago');
    const runs = json.sequences.filter((s: Json) => s.role === 'light' && s.frameCount >= 3);
    expect(runs).toHaveLength(12);
    // Within a run the shutters differ by up to a factor of two, shot within half a minute.
    expect(runs.filter((s: Json) => s.bracketed).length).toBeGreaterThanOrEqual(10);
    const aligned = json.stacks.filter(
      (s: Json) => runs.some((r: Json) => r.id === s.sequenceId) && s.alignment.rms < 0.35,
    );
    expect(aligned.length).toBeGreaterThanOrEqual(10);
    for (const stack of aligned) expect(existsSync(stack.files.pictureJpeg)).toBe(true);
    expect(existsSync(json.report)).toBe(true);
  });

  it('darks are darks', () => {
    const { json } = run('darks', 'import', join(REAL, 'darks'));
    const darks = json.sequences.filter((s: Json) => s.role === 'dark');
    expect(darks.reduce((sum: number, s: Json) => sum + s.frameCount, 0)).toBeGreaterThanOrEqual(20);
  });

  // The observatory's files say nothing of a tripod night and take minutes: on request only.
  const more =
    process.env.NIGHTCAIRN_FULL === '1' ? ['cloud-fits', 'turning-sky-fits', 'starfields-tiff'] : [];
  it.each(['darks-sky', 'phone-milky-way', 'raw/whole', ...more])(
    '%s goes through the whole night, to a picture or to a sentence that says why not',
    (folder) => {
      const { json } = run(folder.replace('/', '-'), 'night', join(REAL, folder));
      expect(json.import.copied).toBe(json.import.found);
      for (const left of json.notStacked) expect(left.reason).toMatch(/^[A-Z].*\.$/);
      for (const stack of json.stacks) expect(existsSync(stack.files.pictureJpeg)).toBe(true);
      if (json.session) expect(existsSync(json.report)).toBe(true);
    },
  );

  it.each(['raw/cut', 'raw/malformed', 'raw/small', 'headers'])(
    '%s: every file is copied faithfully and read or refused in a sentence',
    (folder) => {
      // The headers are forty nights of one small frame each: the whole job on all of them on request only.
      const job = folder === 'headers' && process.env.NIGHTCAIRN_FULL !== '1' ? 'import' : 'night';
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
