import { spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { beforeAll, describe, expect, it } from 'vitest';
import { openLibrary } from '../../src/library/index.js';
import { scratch } from './_card.js';
import { manyNights } from './_many-nights.js';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));
const README = readFileSync(new URL('../../README.md', import.meta.url), 'utf8');

describe('the questions of the README', () => {
  const asked = [...README.matchAll(/^\| (.+\?) \| `nightcairn (.+)` \|$/gm)].map((match) => [
    match[1]!,
    match[2]!,
  ]);
  let dir: string;

  beforeAll(() => {
    dir = scratch.lasting();
    const library = openLibrary(dir, { mode: 'write' });
    manyNights(library, 150, { seed: 11 });
    library.close();
  });

  it('are ten', () => {
    expect(asked).toHaveLength(10);
  });

  it.each(asked)('%s', (_, command) => {
    const run = spawnSync(process.execPath, [PROGRAM, ...command.split(' '), '--json', '--library', dir]);
    expect(run.stderr.toString()).toBe('');
    expect(run.status).toBe(0);
    const said = JSON.parse(run.stdout.toString()) as { count?: number; iso?: unknown[] };
    // 150 nights of every kind: each question finds something.
    expect(said.count ?? said.iso?.length).toBeGreaterThan(0);
  });
});
