import { spawn, spawnSync } from 'node:child_process';
import { closeSync, existsSync, mkdirSync, openSync, readdirSync, rmSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { writeDng } from '../../src/frames/index.js';
import { put, scratch, treeOf, wallAt } from './_card.js';

const PROGRAM = fileURLToPath(new URL('../../bin/nightcairn.js', import.meta.url));
const FRAMES = 40;

/** Small mosaics with noise of their own, 2 MB each. */
function fillCard(card: string): void {
  const random = seededRandom(41);
  for (let i = 0; i < FRAMES; i++) {
    const data = Uint16Array.from({ length: 1200 * 840 }, () => 600 + Math.floor(200 * random()));
    put(
      join(card, 'DCIM', '100NIGHT', `NGT_${String(i).padStart(4, '0')}.DNG`),
      writeDng({
        width: 1200,
        height: 840,
        data,
        cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] },
        blackLevel: 512,
        whiteLevel: 16_383,
        colorMatrix: [1, 0, 0, 0, 1, 0, 0, 0, 1],
        asShotNeutral: [0.5, 1, 0.6],
        exif: { cameraModel: 'Skua 7', exposureTime: 10, iso: 3200, wallTime: wallAt(i) },
      }),
    );
  }
}

/** Runs `import` at the command line; `meanwhile` is called every few ms while it works. */
function runImport(
  library: string,
  card: string,
  meanwhile: () => void = () => {},
): Promise<{ status: number | null; err: string; out: string }> {
  return new Promise((done) => {
    const child = spawn(process.execPath, [
      PROGRAM,
      'import',
      card,
      '--zone',
      'UTC',
      '--library',
      library,
      '--quiet',
    ]);
    let err = '';
    let out = '';
    child.stderr.on('data', (data: Buffer) => {
      err += data;
    });
    child.stdout.on('data', (data: Buffer) => {
      out += data;
    });
    const timer = setInterval(meanwhile, 2);
    child.on('close', (status) => {
      clearInterval(timer);
      done({ status, err, out });
    });
  });
}

/** Takes all the room that is left on a disk. */
function fillUp(path: string): void {
  const file = openSync(path, 'a');
  const block = Buffer.alloc(1 << 20, 1);
  try {
    for (;;) writeSync(file, block);
  } catch (error) {
    if ((error as { code?: string }).code !== 'ENOSPC') throw error;
  } finally {
    closeSync(file);
  }
}

describe('import at the command line on a disk that is full', () => {
  it('ends with exit code 3 and one sentence, before and in the middle of the work, and resumes', {
    timeout: 180_000,
  }, async ({ skip }) => {
    const base = scratch();
    const disk = join(base, 'disk');
    const card = join(base, 'card');
    mkdirSync(disk);
    const mount = (options: string) =>
      spawnSync('mount', ['-t', 'tmpfs', '-o', options, 'tmpfs', disk], { stdio: 'ignore' }).status === 0;
    if (process.platform !== 'linux' || !mount('size=20m')) {
      skip('skipped: no small disk can be mounted here (needs Linux and root)');
    }
    try {
      fillCard(card);
      const before = treeOf(card);
      const library = join(disk, 'library');

      const small = await runImport(library, card);
      expect(small.status).toBe(3);
      expect(small.err.trim().split('\n')).toHaveLength(1);
      expect(small.err).toMatch(/make space/);
      expect(small.out).toBe('');

      // Room enough at first; another program takes it once the first file has come.
      expect(mount('remount,size=220m')).toBe(true);
      let filled = false;
      const middle = await runImport(library, card, () => {
        const incoming = join(library, 'incoming');
        if (filled || !existsSync(incoming) || !readdirSync(incoming).some((name) => name.endsWith('.dng')))
          return;
        filled = true;
        fillUp(join(disk, 'other-program'));
      });
      expect(filled).toBe(true);
      expect(middle.status).toBe(3);
      expect(middle.err.trim().split('\n')).toHaveLength(1);
      expect(middle.err).toMatch(/full at .*goes on where it stopped/);
      const arrived = readdirSync(join(library, 'incoming'));
      expect(arrived.filter((name) => name.endsWith('.part'))).toEqual([]);
      expect(arrived.length).toBeGreaterThan(0);
      expect(arrived.length).toBeLessThan(FRAMES);

      rmSync(join(disk, 'other-program'));
      const last = await runImport(library, card);
      expect(last.err).toBe('');
      expect(last.status).toBe(0);
      expect(last.out).toContain(
        `All ${FRAMES} files are in the library and verified; the card may be re-used.`,
      );
      expect(treeOf(card)).toEqual(before);
      const checked = spawnSync(process.execPath, [PROGRAM, 'check', '--library', library, '--quiet']);
      expect(checked.stdout.toString()).toContain('Decoders: self-test passed (');
      expect(checked.stdout.toString()).toContain('Catalogue: sound');
      expect(checked.status).toBe(0);
    } finally {
      spawnSync('umount', [disk]);
    }
  });
});
