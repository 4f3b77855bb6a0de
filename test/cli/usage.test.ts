import { spawnSync } from 'node:child_process';
import { chmodSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { afterAll, describe, expect, it } from 'vitest';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));
const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-cli-'));
afterAll(() => rmSync(scratch, { recursive: true, force: true }));

function run(...args: string[]) {
  const done = spawnSync(process.execPath, [PROGRAM, ...args], {
    env: { ...process.env, NIGHTCAIRN_LIBRARY: join(scratch, 'library') },
  });
  return { status: done.status, out: done.stdout.toString(), err: done.stderr.toString() };
}

describe('the command line', () => {
  it('says in one sentence what is wrong, with the right exit code', () => {
    const cases: readonly (readonly [number, RegExp, ...string[]])[] = [
      [1, /card|folder/i, 'night', join(scratch, 'no-such-card')],
      [2, /unknown command/i, 'bogus'],
      [2, /unknown option/i, 'night', scratch, '--sharpest'],
      [2, /date that exists/, 'plan', 'new', '--night', '2026-02-30', '--at=1,1'],
      [2, /signed decimals/, 'plan', 'new', '--night', '2026-08-12', '--at', 'somewhere'],
      [2, /time zone/, 'plan', 'new', '--night', '2026-08-12', '--at=1,1', '--zone', 'Moon/Tycho'],
      [2, /Allowed choices/, 'stack', '--combine', 'guess'],
      [1, /library/, 'show', 'latest'],
      [1, /plan/i, 'plan', 'show', 'none'],
      [2, /missing|required/i, 'night'],
    ];
    for (const [status, sentence, ...args] of cases) {
      const done = run(...args);
      expect([args.join(' '), done.status]).toEqual([args.join(' '), status]);
      expect(done.err.trim().split('\n')).toHaveLength(1);
      expect(done.err).toMatch(sentence);
      expect(done.out).toBe('');
    }
  });

  it('prints the error as JSON too when asked', () => {
    const done = run('night', join(scratch, 'no-such-card'), '--json');
    expect(done.status).toBe(1);
    expect(JSON.parse(done.out)).toMatchObject({ error: { code: 'CARD_MISSING' } });
  });

  it('says that a folder holds no frames', () => {
    const empty = join(scratch, 'empty');
    mkdirSync(empty);
    writeFileSync(join(empty, 'notes.txt'), 'nothing here');
    const done = run('night', empty, '--json');
    expect(done.status).toBe(1);
    expect(JSON.parse(done.out)).toMatchObject({ error: { code: 'NO_FRAMES' } });
  });

  it('finds nothing in an empty library without an error', () => {
    const done = run('search', '--json');
    expect(done.status).toBe(0);
    expect(JSON.parse(done.out)).toEqual({ count: 0, sessions: [] });
  });

  it.skipIf(process.getuid?.() === 0)('says that a library folder may not be written', () => {
    const locked = join(scratch, 'locked');
    mkdirSync(locked);
    chmodSync(locked, 0o500);
    const done = run('site', 'add', 'Here', '--library', join(locked, 'library'));
    expect(done.status).toBe(1);
    expect(done.err).toMatch(/write/i);
  });

  it('says that a file cannot be the library', () => {
    const file = join(scratch, 'file');
    writeFileSync(file, 'x');
    const done = run('site', 'add', 'Here', '--library', file);
    expect(done.status).toBe(1);
    expect(done.err.trim().split('\n')).toHaveLength(1);
  });

  it('says how to start when nothing was asked', () => {
    const done = run();
    expect(done.status).toBe(0);
    expect(done.out).toContain(join(scratch, 'library'));
    expect(done.out).toContain('nightcairn night');
  });

  it('writes a plan and reads it back by the names of the contract', () => {
    const made = run(
      'plan',
      'new',
      '--night',
      '2026-08-12',
      '--at=-30.62,25.13',
      '--site',
      'Here',
      '--focal',
      '24',
      '--crop',
      '1.6',
      '--pitch',
      '4.3',
      '--aperture',
      '2.8',
      '--iso',
      '3200',
      '--shutter',
      '10',
      '--frames',
      '40',
      '--json',
    );
    expect(made.status).toBe(0);
    const document = JSON.parse(made.out);
    for (const key of [
      'rule500',
      'npfSimple',
      'npfFull',
      'npfFull2',
      'trailAtPlanned',
      'longestForTolerance',
    ]) {
      expect(typeof document.shutter[key], key).toBe('number');
    }
    expect(Object.keys(document.darkness)).toEqual(expect.arrayContaining(['dusk', 'dawn', 'hours']));
    expect(Object.keys(document.moon)).toEqual(expect.arrayContaining(['illumination', 'maxAltitude']));
    expect(document.target.altitudes[0]).toHaveProperty('apparentAltitude');
    const shown = run('plan', 'show', document.plan.id, '--json');
    expect(JSON.parse(shown.out)).toEqual(document);
  });
});
