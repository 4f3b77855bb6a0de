import { join, posix } from 'node:path';
import { type Progress, StorageError } from '../core/index.js';
import { copyVerified, hashFile, moveDurably, SourceError, temporaryName } from './card-copy.js';
import type { Library } from './library.js';
import { insideLibrary, LAYOUT } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** What a transfer of files needs besides the two libraries. */
export interface TransferWork {
  /** Rename instead of copying: both libraries lie on one disk, and the first gives the session up. */
  readonly move: boolean;
  readonly progress: Progress;
  readonly signal?: AbortSignal | undefined;
}

/** A file of a folder. */
export interface Listed {
  /** Relative to the session's folder, `/` between parts. */
  readonly path: string;
  readonly size: number;
}

/** A library's folder and the file system it lies on; its catalogue need not be open. */
export type Place = Pick<Library, 'dir' | 'fileSystem'>;

/** What lies in a folder; undefined where there is none. @param doing what the error says could not be done */
async function entriesAt(library: Place, at: string, doing: string) {
  try {
    return await library.fileSystem.list(at);
  } catch (error) {
    if (isMissing(error)) return undefined;
    throw storageError(error, at, doing);
  }
}

/** Every file below a folder of the library, in alphabetical order; links are left alone. */
export async function filesBelow(library: Place, folder: string): Promise<Listed[]> {
  const found: Listed[] = [];
  const visit = async (below: string): Promise<void> => {
    const at = insideLibrary(library.dir, posix.join(folder, below));
    for (const { name, kind } of (await entriesAt(library, at, 'read the library')) ?? []) {
      const path = below === '' ? name : `${below}/${name}`;
      if (kind === 'folder') await visit(path);
      else if (kind === 'file')
        found.push({ path, size: (await library.fileSystem.facts(join(at, name))).size });
    }
  };
  await visit('');
  return found.sort((a, b) => (a.path < b.path ? -1 : 1));
}

/** SHA-256 of a file, undefined where there is none. */
export async function hashAt(
  library: Place,
  path: string,
  signal: AbortSignal | undefined,
): Promise<Buffer | undefined> {
  try {
    return (await hashFile(library.fileSystem, path, signal)).sha256;
  } catch (error) {
    if (error instanceof SourceError && error.gone) return undefined;
    throw error instanceof SourceError ? storageError(error.cause, path, 'read the library') : error;
  }
}

/**
 * Brings one file to its place in the other library. A file that is there already with the same bytes stays,
 * so that a stopped transfer goes on where it was; other bytes there are never written over.
 *
 * @param expected the hash that the file must have, where the catalogue knows it
 */
export async function bringFile(
  from: Place,
  to: Place,
  file: { readonly source: string; readonly target: string; readonly expected?: Buffer | undefined },
  work: TransferWork,
): Promise<void> {
  const { source, target, expected } = file;
  const there = await hashAt(to, target, work.signal);
  if (there !== undefined) {
    const here = await hashAt(from, source, work.signal);
    if (here === undefined || here.equals(there)) return;
    throw new StorageError(
      'COPY_MISMATCH',
      `Expected ${target} to be free but another file of that name lies there; move it away and run the same command again.`,
      { path: target },
    );
  }
  if (work.move) {
    await moveDurably(to.fileSystem, source, target);
    return;
  }
  const incoming = join(to.dir, LAYOUT.incoming);
  await to.fileSystem.makeFolder(incoming).catch((error: unknown) => {
    throw storageError(error, incoming, 'write to the library');
  });
  const temporary = temporaryName(incoming, 1);
  // A leftover of a stopped transfer; the holder of the library may take it away.
  await to.fileSystem.remove(temporary).catch(() => {});
  let copied: Awaited<ReturnType<typeof copyVerified>>;
  try {
    copied = await copyVerified(to.fileSystem, source, temporary, { signal: work.signal });
  } catch (error) {
    throw error instanceof SourceError ? storageError(error.cause, source, 'read the other library') : error;
  }
  if (expected !== undefined && !copied.sha256.equals(expected)) {
    await to.fileSystem.remove(temporary).catch(() => {});
    throw changed(source);
  }
  const { modifiedMs } = await from.fileSystem.facts(source);
  await to.fileSystem.setTimes(temporary, modifiedMs).catch(() => {}); // a nicety that some disks refuse
  await moveDurably(to.fileSystem, temporary, target);
}

/** Refuses what has no room. @throws {StorageError} DISK_FULL */
export async function mustFit(to: Place, bytes: number): Promise<void> {
  const free = await to.fileSystem.freeSpace(to.dir);
  if (bytes > free) {
    throw new StorageError(
      'DISK_FULL',
      `Expected ${(bytes / 1e9).toFixed(2)} GB of free space at ${to.dir} but there are ${(free / 1e9).toFixed(2)} GB; make room and run the same command again.`,
      { path: to.dir },
    );
  }
}

/** An original that is not what came off the card. */
export const changed = (path: string): StorageError =>
  new StorageError(
    'COPY_MISMATCH',
    `Expected ${path} to hold the bytes that came off the card but they have changed since; run check on that library.`,
    { path },
  );

/** Removes a folder of the library and what is below it as far as nothing lies in it. */
export async function removeEmptyFolders(library: Place, folder: string): Promise<void> {
  const at = insideLibrary(library.dir, folder);
  const entries = await entriesAt(library, at, 'tidy the library');
  if (entries === undefined) return;
  for (const { name, kind } of entries)
    if (kind === 'folder') await removeEmptyFolders(library, `${folder}/${name}`);
  await library.fileSystem.removeEmptyFolder(at).catch((error: unknown) => {
    const { code } = error as { code?: string };
    if (code !== 'ENOTEMPTY' && code !== 'EEXIST' && !isMissing(error))
      throw storageError(error, at, 'tidy the library');
  });
}
