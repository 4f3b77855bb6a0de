import { join, posix } from 'node:path';
import { type Progress, throwIfCancelled } from '../core/index.js';
import { row, rows } from './_rows.js';
import {
  copyGear,
  copyMasterRow,
  copySessionRows,
  planAcross,
  type SessionName,
  siteAcross,
} from './_session-rows.js';
import {
  bringFile,
  changed,
  filesBelow,
  hashAt,
  mustFit,
  type Place,
  type TransferWork,
} from './bring-file.js';
import { inTransaction, type Library } from './library.js';
import { insideLibrary, LAYOUT } from './paths.js';

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

/** Names at the top of a library that belong to the running program, not to the library. */
const OF_THE_MOMENT = /^(\.lock|\.moving|\.joining|incoming)(\/|$)|^catalogue\.sqlite-(wal|shm)$/;

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
