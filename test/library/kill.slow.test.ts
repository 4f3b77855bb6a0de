import { spawn } from 'node:child_process';
import { existsSync, readFileSync, rmSync } from 'node:fs';
import { basename, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { seededRandom, silent } from '../../src/core/index.js';
import { checkLibrary, framesOf, openLibrary, sequencesOf, sessions } from '../../src/library/index.js';
import { filesBelow, makeCard, scratch, sha, treeOf } from './_card.js';

const CHILD = fileURLToPath(new URL('./_import-child.mjs', import.meta.url));
const KILLS = process.env.NIGHTCAIRN_FULL === '1' ? 200 : 20;
const FILES = 60;

/** Runs an import in a process of its own; with a delay (ms from its start of work) it is killed then. */
function runChild(
  args: readonly string[],
  killAfter?: number,
): Promise<{ finished: boolean; ms: number; said: string }> {
  return new Promise((done, fail) => {
    const child = spawn(process.execPath, [CHILD, ...args], { stdio: ['ignore', 'pipe', 'pipe'] });
    let said = '';
    let trouble = '';
    let began = 0;
    child.stdout.on('data', (data: Buffer) => {
      said += data;
      if (began === 0 && said.startsWith('ready')) {
        began = performance.now();
        if (killAfter !== undefined) setTimeout(() => child.kill('SIGKILL'), killAfter);
      }
    });
    child.stderr.on('data', (data: Buffer) => {
      trouble += data;
    });
    child.on('close', (code, signal) => {
      if (code !== 0 && signal !== 'SIGKILL') fail(new Error(`the import ended with ${code}: ${trouble}`));
      else done({ finished: code === 0, ms: performance.now() - began, said: said.split('\n')[1] ?? '' });
    });
  });
}

/** The library holds every file of the card once, byte for byte, catalogued, and nothing else. */
async function expectComplete(dir: string, paths: readonly string[]): Promise<void> {
  const frames = join(dir, 'nights', '2026-08-13 sandpiper-flat', 'frames');
  expect(filesBelow(dir).filter((name) => !name.endsWith('.glimpse'))).toEqual(
    paths.map((path) => join('nights', '2026-08-13 sandpiper-flat', 'frames', basename(path))).sort(),
  );
  for (const path of paths)
    expect(sha(readFileSync(join(frames, basename(path))))).toBe(sha(readFileSync(path)));
  expect(existsSync(join(dir, 'incoming'))).toBe(false);
  const library = openLibrary(dir, { mode: 'read' });
  try {
    expect(await checkLibrary(library, { repair: false, progress: silent })).toMatchObject({
      sound: true,
      filesChecked: paths.length,
      unknown: [],
    });
    expect(sessions(library)).toMatchObject([{ id: '2026-08-13-sandpiper-flat', frameCount: paths.length }]);
    expect(sequencesOf(library, '2026-08-13-sandpiper-flat')).toMatchObject([{ frameCount: paths.length }]);
    expect(framesOf(library, '2026-08-13-sandpiper-flat/1')).toHaveLength(paths.length);
  } finally {
    library.close();
  }
}

describe('an import that is killed', () => {
  it(`resumes to a complete library after ${KILLS} kills at random moments (P49, L36)`, {
    timeout: 1_800_000,
  }, async () => {
    const base = scratch();
    const card = join(base, 'card');
    const second = join(base, 'second');
    const paths = makeCard(card, FILES, { size: 20_000 });
    const before = treeOf(card);
    const random = seededRandom(20260813);
    // How long a whole import takes here and now: kills fall all over it.
    const whole = await runChild([join(base, 'whole'), card]);
    expect(JSON.parse(whole.said)).toMatchObject({ found: FILES, copied: FILES, failed: [] });
    await expectComplete(join(base, 'whole'), paths);
    let round = 0;
    let killed = 0;
    let dir = join(base, 'round0');
    let touched = false;
    while (killed < KILLS) {
      const run = await runChild([dir, card], random() * whole.ms * 1.05);
      if (!run.finished) {
        killed++;
        touched = true;
        // Let no library be killed for ever: one time in four the next run may finish.
        if (random() < 0.75) continue;
        await runChild([dir, card]);
      }
      if (touched) await expectComplete(dir, paths);
      touched = false;
      rmSync(dir, { recursive: true, force: true });
      dir = join(base, `round${++round}`);
    }
    expect(round).toBeGreaterThan(1);
    expect(treeOf(card)).toEqual(before);
    // The second directory survives a kill as well: its own temporary file is replaced, never taken for a copy.
    for (const share of [0.3, 0.5, 0.7])
      await runChild([join(base, 'with-second'), card, second], whole.ms * share);
    const last = await runChild([join(base, 'with-second'), card, second]);
    expect(JSON.parse(last.said)).toMatchObject({
      failed: [],
      second: { failed: [] },
      cardMayBeReused: true,
    });
    for (const path of paths) {
      expect(sha(readFileSync(join(second, path.slice(card.length + 1))))).toBe(sha(readFileSync(path)));
    }
    expect(filesBelow(second)).toHaveLength(FILES);
  });
});
