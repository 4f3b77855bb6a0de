import { mkdirSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { watch } from '../../src/workflow/watch.js';
import { scratch } from '../library/_card.js';
import { contextOf } from './_fake-intake.js';

/** How many places this process asks the kernel to watch. @source proc(5), fdinfo of inotify: a line a watch */
function watchedPlaces(): number {
  let places = 0;
  for (const name of readdirSync('/proc/self/fdinfo')) {
    try {
      const text = readFileSync(`/proc/self/fdinfo/${name}`, 'utf8');
      places += text.split('\n').filter((line) => line.startsWith('inotify ')).length;
    } catch {
      // Closed since the list was made.
    }
  }
  return places;
}

it('watches mount points and cards only, however many folders lie below (L35)', async ({ skip }) => {
  if (process.platform !== 'linux') skip('the count of watched places is read from the Linux kernel');
  const base = scratch();
  const mounts = join(base, 'mounts');
  for (let a = 0; a < 4; a++)
    for (let b = 0; b < 12; b++)
      for (let c = 0; c < 25; c++)
        mkdirSync(join(mounts, `DISK${a}`, `shoot ${b}`, `part ${c}`), { recursive: true });
  const stop = new AbortController();
  const before = watchedPlaces();
  const watching = watch(
    contextOf(join(base, 'library'), { signal: stop.signal }),
    { folders: [mounts], intervalMs: 50, steadyMs: 100 },
    async () => ({}),
  );
  let most = 0;
  for (let i = 0; i < 12; i++) {
    await new Promise((done) => setTimeout(done, 50));
    most = Math.max(most, watchedPlaces() - before);
  }
  stop.abort();
  await watching;
  // 1,253 folders; the mount folder, its 4 disks and at most the 48 folders at their top are enough.
  expect(most).toBeGreaterThan(0);
  expect(most).toBeLessThanOrEqual(1 + 4 + 48);
});
