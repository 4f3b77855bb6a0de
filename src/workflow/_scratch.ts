import { mkdir, rm, statfs } from 'node:fs/promises';
import { join } from 'node:path';
import { NightcairnError, StorageError } from '../core/index.js';
import { insideLibrary, type Library, nightFolders, type SessionRecord } from '../library/index.js';

/**
 * Gives `work` an empty folder for its working files, beside the night's stacks, and takes it away again
 * whether the work ends well, fails or is stopped.
 *
 * @param name told in its name, so that two stages of one night do not meet
 * @throws {StorageError} DISK_FULL in our words when the disk fills up meanwhile
 */
export async function withScratch<T>(
  place: { readonly library: Library; readonly session: SessionRecord; readonly command: string },
  name: string,
  work: (dir: string) => Promise<T>,
): Promise<T> {
  const { library, session, command } = place;
  const dir = join(insideLibrary(library.dir, nightFolders(session.folder).stacks), `.work-${name}`);
  const clear = () => rm(dir, { recursive: true, force: true, maxRetries: 5, retryDelay: 50 });
  try {
    await clear();
    await mkdir(dir, { recursive: true });
    return await work(dir);
  } catch (error) {
    throw diskError(error, dir, command);
  } finally {
    await clear();
  }
}

/** A full disk says so in our words. */
export function diskError(error: unknown, path: string, command: string): unknown {
  if (error instanceof NightcairnError) return error;
  if (error instanceof Error && 'code' in error && error.code === 'ENOSPC') {
    return new StorageError(
      'DISK_FULL',
      `Expected room for the results of "${command}" beside ${path} but the disk is full; make room and run it again.`,
      { path, cause: error },
    );
  }
  return error;
}

/**
 * Checks, before anything is written, that the disk has the room that a stage needs.
 *
 * @param need bytes of working files and of results
 * @throws {StorageError} DISK_FULL
 */
export async function checkRoom(
  path: string,
  need: { readonly working: number; readonly results: number },
  command: string,
): Promise<void> {
  const disk = await statfs(path);
  const free = disk.bavail * disk.bsize;
  const whole = need.working + need.results;
  if (free < whole * 1.05 + 50e6) {
    const mb = (bytes: number) => Math.ceil(bytes / 1e6);
    throw new StorageError(
      'DISK_FULL',
      `Expected ${mb(whole)} MB of free space beside ${path} (${mb(need.working)} MB of them for working files that go again) but found ${Math.floor(free / 1e6)} MB; make room and run "${command}" again.`,
      { path },
    );
  }
}
