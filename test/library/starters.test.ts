import { spawn, spawnSync } from 'node:child_process';
import { readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { openLibrary } from '../../src/library/index.js';
import { scratch } from './_card.js';

const BIN = fileURLToPath(new URL('../../bin/', import.meta.url));
const posix = process.platform !== 'win32';

/** Starts a starter as a double-click without a desktop would; with `until`, Ctrl-C is pressed once it says so. */
function start(
  file: string,
  args: readonly string[],
  options: { readonly library: string; readonly until?: string },
): Promise<{ status: number | null; out: string; err: string }> {
  const { DISPLAY: _, WAYLAND_DISPLAY: __, ...rest } = process.env;
  return new Promise((done) => {
    // A group of its own, so that Ctrl-C reaches the shell and the program as on a terminal.
    const child = spawn(join(BIN, file), args, {
      env: { ...rest, NIGHTCAIRN_LIBRARY: options.library },
      stdio: ['ignore', 'pipe', 'pipe'],
      detached: true,
    });
    let out = '';
    let err = '';
    child.stdout.on('data', (data: Buffer) => {
      out += data;
    });
    child.stderr.on('data', (data: Buffer) => {
      err += data;
      if (options.until !== undefined && err.includes(options.until)) process.kill(-child.pid!, 'SIGINT');
    });
    child.on('close', (status) => done({ status, out, err }));
  });
}

describe('the starters for a double-click', () => {
  for (const file of ['nightcairn.sh', 'Nightcairn.command']) {
    it.runIf(posix)(`${file} says how to begin where there is no library, and writes nothing`, async () => {
      const library = join(scratch(), 'my nights');
      const { status, out, err } = await start(file, [], { library });
      expect([status, err]).toEqual([0, '']);
      expect(out).toContain(`Your library will be ${library}`);
      expect(out).toContain('nightcairn night PATH-OF-THE-CARD');
      expect(() => statSync(library)).toThrow(/ENOENT/);
    });

    it.runIf(posix)(`${file} waits for cards where there is one, until Ctrl-C`, async () => {
      const library = join(scratch(), 'my nights');
      openLibrary(library, { mode: 'write' }).close();
      const folder = scratch();
      const waiting = `Waiting for a card in ${folder}. Press Ctrl-C to end.`;
      const { err } = await start(file, [folder], { library, until: 'waiting for a card' });
      expect(err).toContain(waiting);
      expect(err).toContain('Stopping cleanly');
    });

    it.runIf(posix)(`${file} may be run, and says what is missing without Node.js`, () => {
      expect(statSync(join(BIN, file)).mode & 0o111).toBe(0o111);
      const bare = scratch();
      for (const tool of ['dirname', 'sh']) {
        spawnSync('ln', ['-s', spawnSync('which', [tool]).stdout.toString().trim(), join(bare, tool)]);
      }
      const done = spawnSync('/bin/sh', [join(BIN, file)], {
        env: { PATH: bare, HOME: bare },
        stdio: ['ignore', 'pipe', 'pipe'],
      });
      if (file.endsWith('.sh')) {
        expect(done.stdout.toString()).toContain('Nightcairn needs Node.js 20 or newer.');
      } else {
        // This one looks in the usual macOS places as well, where Node.js may be.
        expect(done.stdout.toString()).toMatch(
          /Nightcairn needs Node\.js 20 or newer|Nightcairn takes a night/,
        );
      }
    });
  }

  it('for Windows has the line ends that its command processor wants, and keeps the window open', () => {
    const text = readFileSync(join(BIN, 'Nightcairn.bat'), 'latin1');
    expect(text.replaceAll('\r\n', '')).not.toMatch(/[\r\n]/);
    expect(text).toContain('node "%~dp0start.js" %*');
    expect(text.trimEnd().endsWith('pause')).toBe(true);
  });

  it('are in the package', () => {
    const { files } = JSON.parse(readFileSync(join(BIN, '..', 'package.json'), 'utf8')) as {
      files: string[];
    };
    expect(files).toContain('bin');
  });
});
