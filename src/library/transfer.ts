import { join, posix } from 'node:path';
import { type Progress, StorageError, throwIfCancelled } from '../core/index.js';
import { row, rows } from './_rows.js';
import {
  copyGear,
  copyMasterRow,
  copySessionRows,
  planAcross,
  type SessionName,
  siteAcross,
} from './_session-rows.js';
import { copyVerified, hashFile, moveDurably, SourceError, temporaryName } from './card-copy.js';
import { inTransaction, type Library } from './library.js';
import { insideLibrary, LAYOUT } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** What a transfer of files needs besides the two libraries. */
export interface TransferWork {
  /** Rename instead of copying: both libraries lie on one disk, and the first gives the session up. */
  readonly move: boolean;
  readonly progress: Progress;
  readonly signal?: AbortSignal | undefined;
}

interface Listed {
  /** Relative to the session's folder, `/` between parts. */
  readonly path: string;
  readonly size: number;
}

/** A library's folder and the file system it lies on; its catalogue need not be open. */
export type Place = Pick<Library, 'dir' | 'fileSystem'>;

/** Every file below a folder of the library, in alphabetical order; links are left alone. */
async function filesBelow(library: Place, folder: string): Promise<Listed[]> {
  const found: Listed[] = [];
  const visit = async (below: string): Promise<void> => {
    const at = insideLibrary(library.dir, posix.join(folder, below));
    let entries: Awaited<ReturnType<Library['fileSystem']['list']>>;
    try {
      entries = await library.fileSystem.list(at);
    } catch (error) {
      if (isMissing(error)) return;
      throw storageError(error, at, 'read the library');
    }
    for (const { name, kind } of entries) {
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

/**
 * Brings a session with all its files into another library under a name of its own: originals held against
 * their hashes, measurements, stacks and report beside them, then the rows in one transaction. The caller
 * holds `to` (and `from` when moving). Rows of `from` stay; see `deleteSessionRows`.
 *
 * @returns how many files and bytes the session has, and which of its originals are not there, relative to `from`
 * @throws {StorageError} DISK_FULL, COPY_MISMATCH, NOT_READABLE, NOT_WRITABLE
 * @throws {Cancelled}
 */
export async function transferSession(
  from: Library,
  to: Library,
  sessionId: string,
  work: TransferWork & { readonly name: SessionName },
): Promise<{ readonly files: number; readonly bytes: number; readonly missing: readonly string[] }> {
  const folder = String(row(from, 'SELECT folder FROM sessions WHERE id = ?', sessionId)!.folder);
  const known = new Map(
    rows(
      from,
      'SELECT path, sha256 FROM files WHERE frame_id IN (SELECT id FROM frames WHERE session_id = ?)',
      sessionId,
    ).map((cells) => [String(cells.path), Buffer.from(cells.sha256 as Uint8Array)]),
  );
  const files = await filesBelow(from, folder);
  const total = files.reduce((sum, { size }) => sum + size, 0);
  if (!work.move) await mustFit(to, total);
  let bytes = 0;
  for (const [n, file] of files.entries()) {
    throwIfCancelled(work.signal);
    work.progress({
      task: `${work.move ? 'moving' : 'copying'} ${sessionId}`,
      done: bytes,
      total,
      unit: 'bytes',
      note: `${n} of ${files.length} files`,
    });
    await bringFile(
      from,
      to,
      {
        source: insideLibrary(from.dir, posix.join(folder, file.path)),
        target: insideLibrary(to.dir, posix.join(work.name.folder, file.path)),
        expected: known.get(posix.join(folder, file.path)),
      },
      work,
    );
    bytes += file.size;
  }
  copySessionRows(from, to, sessionId, work.name);
  const there = new Set(files.map(({ path }) => posix.join(folder, path)));
  return { files: files.length, bytes, missing: [...known.keys()].filter((path) => !there.has(path)).sort() };
}

async function mustFit(to: Place, bytes: number): Promise<void> {
  const free = await to.fileSystem.freeSpace(to.dir);
  if (bytes > free) {
    throw new StorageError(
      'DISK_FULL',
      `Expected ${(bytes / 1e9).toFixed(2)} GB of free space at ${to.dir} but there are ${(free / 1e9).toFixed(2)} GB; make room and run the same command again.`,
      { path: to.dir },
    );
  }
}

/** How many of a session's files the other library holds already, by content. */
export function filesInCommon(
  from: Library,
  to: Library,
  sessionId: string,
): { readonly files: number; readonly held: number } {
  const hashes = rows(
    from,
    `SELECT sha256 FROM files WHERE kind = 'frame' AND frame_id IN (SELECT id FROM frames WHERE session_id = ?)`,
    sessionId,
  );
  const held = hashes.filter(({ sha256 }) => row(to, 'SELECT 1 FROM files WHERE sha256 = ?', sha256));
  return { files: hashes.length, held: held.length };
}

/**
 * Brings what belongs to no night: sites, plans, masters with their files, and what bodies and lenses were
 * measured to be. What the other library knows already stays as it is there.
 *
 * @returns how many masters were new
 */
export async function transferGear(from: Library, to: Library, work: TransferWork): Promise<number> {
  inTransaction(to, () => {
    for (const { id } of rows(from, 'SELECT id FROM sites ORDER BY id')) siteAcross(from, to, Number(id));
    for (const { id } of rows(from, 'SELECT id FROM plans ORDER BY id')) planAcross(from, to, String(id));
  });
  copyGear(from, to);
  let brought = 0;
  for (const cells of rows(from, 'SELECT id, path FROM masters ORDER BY id')) {
    const [id, path] = [String(cells.id), String(cells.path)];
    if (row(to, 'SELECT 1 FROM masters WHERE id = ? OR path = ?', id, path)) continue;
    throwIfCancelled(work.signal);
    const source = insideLibrary(from.dir, path);
    if ((await hashAt(from, source, work.signal)) === undefined) continue; // made again when it is wanted
    // What FITS has no words for lies beside it under the same name; without it the master cannot be read.
    for (const beside of await filesOfMaster(from, path)) {
      const places = { source: insideLibrary(from.dir, beside), target: insideLibrary(to.dir, beside) };
      await bringFile(from, to, places, work);
    }
    copyMasterRow(from, to, id);
    brought++;
  }
  return brought;
}

/** A master's files, itself last: whatever lies beside it under its name. */
async function filesOfMaster(library: Library, path: string): Promise<string[]> {
  const folder = posix.dirname(path);
  const stem = posix.basename(path, posix.extname(path));
  return (await filesBelow(library, folder))
    .map(({ path: below }) => posix.join(folder, below))
    .filter((each) => posix.dirname(each) === folder && posix.basename(each, posix.extname(each)) === stem)
    .sort((a, b) => Number(a === path) - Number(b === path));
}

/**
 * Holds the originals and attachments of a session against the hashes of its own catalogue.
 *
 * @returns those that are not there, relative to the library
 * @throws {StorageError} COPY_MISMATCH when one has other bytes than came off the card
 * @throws {Cancelled}
 */
export async function verifySession(
  library: Library,
  sessionId: string,
  signal: AbortSignal | undefined,
): Promise<string[]> {
  const missing: string[] = [];
  for (const cells of rows(
    library,
    'SELECT path, pending_path, sha256 FROM files WHERE frame_id IN (SELECT id FROM frames WHERE session_id = ?) ORDER BY path',
    sessionId,
  )) {
    throwIfCancelled(signal);
    const path = insideLibrary(library.dir, String(cells.path));
    const found =
      (await hashAt(library, path, signal)) ??
      (typeof cells.pending_path === 'string'
        ? await hashAt(library, insideLibrary(library.dir, cells.pending_path), signal)
        : undefined);
    if (found === undefined) missing.push(String(cells.path));
    else if (!found.equals(Buffer.from(cells.sha256 as Uint8Array))) throw changed(path);
  }
  return missing;
}

const changed = (path: string): StorageError =>
  new StorageError(
    'COPY_MISMATCH',
    `Expected ${path} to hold the bytes that came off the card but they have changed since; run check on that library.`,
    { path },
  );

/** Names at the top of a library that belong to the running program, not to the library. */
const OF_THE_MOMENT = /^(\.lock|\.moving|incoming)(\/|$)|^catalogue\.sqlite-(wal|shm)$/;

/**
 * Copies a whole library to another folder, verified, the catalogue last; files that are there already with
 * the same bytes stay. The caller holds the library and has closed its catalogue.
 *
 * @returns how many files it has
 * @throws {StorageError | Cancelled}
 */
export async function copyTree(
  from: Place,
  dir: string,
  options: { readonly progress: Progress; readonly signal?: AbortSignal | undefined },
): Promise<number> {
  const to: Place = { dir, fileSystem: from.fileSystem };
  const files = (await filesBelow(from, '')).filter(({ path }) => !OF_THE_MOMENT.test(path));
  const ordered = [
    ...files.filter(({ path }) => path !== LAYOUT.catalogue),
    ...files.filter(({ path }) => path === LAYOUT.catalogue),
  ];
  const total = files.reduce((sum, { size }) => sum + size, 0);
  await mustFit(to, total);
  let bytes = 0;
  for (const [n, { path, size }] of ordered.entries()) {
    throwIfCancelled(options.signal);
    options.progress({
      ...{ task: 'copying the library', done: bytes, total, unit: 'bytes' as const },
      note: `${n} of ${files.length} files`,
    });
    const file = { source: insideLibrary(from.dir, path), target: insideLibrary(dir, path) };
    await bringFile(from, to, file, { ...options, move: false });
    bytes += size;
  }
  await to.fileSystem.removeEmptyFolder(join(dir, LAYOUT.incoming)).catch(() => {});
  return files.length;
}

/** Removes a folder of the library and what is below it as far as nothing lies in it. */
export async function removeEmptyFolders(library: Place, folder: string): Promise<void> {
  const at = insideLibrary(library.dir, folder);
  let entries: Awaited<ReturnType<Library['fileSystem']['list']>>;
  try {
    entries = await library.fileSystem.list(at);
  } catch (error) {
    if (isMissing(error)) return;
    throw storageError(error, at, 'tidy the library');
  }
  for (const { name, kind } of entries)
    if (kind === 'folder') await removeEmptyFolders(library, `${folder}/${name}`);
  await library.fileSystem.removeEmptyFolder(at).catch((error: unknown) => {
    const { code } = error as { code?: string };
    if (code !== 'ENOTEMPTY' && code !== 'EEXIST' && !isMissing(error))
      throw storageError(error, at, 'tidy the library');
  });
}
