import { join, posix } from 'node:path';
import { type Progress, StorageError, throwIfCancelled } from '../core/index.js';
import { number, rows, run } from './_rows.js';
import { hashFile, SourceError } from './card-copy.js';
import { inTransaction, type Library } from './library.js';
import { SCHEMA_VERSION, schemaVersion } from './migrate.js';
import { finishMoves } from './night-store.js';
import { insideLibrary, LAYOUT } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** A file that is not as the catalogue says. */
export interface Finding {
  /** Relative to the library. */
  readonly path: string;
  readonly message: string;
}

/** What a check found. */
export interface CheckReport {
  readonly filesChecked: number;
  readonly bytesChecked: number;
  /** Catalogued files that are not there. */
  readonly missing: readonly Finding[];
  /** Files whose bytes are no longer those that were copied. */
  readonly changed: readonly Finding[];
  /** Files among the originals that the catalogue does not know. */
  readonly unknown: readonly Finding[];
  /** Files that were found under another name by their content and linked again (`repair` only). */
  readonly relinked: readonly { readonly from: string; readonly to: string }[];
  /** What the database says of itself; empty when sound. */
  readonly database: readonly string[];
  readonly schema: number;
  /** True when nothing is missing or changed and the database is sound. */
  readonly sound: boolean;
}

interface Entry {
  readonly id: number;
  readonly path: string;
  readonly sha256: Buffer;
  readonly size: number;
}

/**
 * Re-hashes every file of the library against the catalogue and checks the database itself. With `repair`,
 * missing files are looked for by content among the unknown ones and linked again; nothing is ever deleted.
 * The caller holds the library when `repair` is set.
 *
 * @throws {Cancelled}
 */
export async function checkLibrary(
  library: Library,
  options: {
    readonly repair: boolean;
    readonly progress: Progress;
    readonly signal?: AbortSignal | undefined;
  },
): Promise<CheckReport> {
  if (options.repair) await finishMoves(library);
  const database = checkDatabase(library);
  const entries = rows(library, 'SELECT id, path, pending_path, sha256, size FROM files ORDER BY path').map(
    (cells): Entry & { readonly pending: string | undefined } => ({
      id: number(cells.id)!,
      path: String(cells.path),
      pending: typeof cells.pending_path === 'string' ? cells.pending_path : undefined,
      sha256: Buffer.from(cells.sha256 as Uint8Array),
      size: number(cells.size)!,
    }),
  );
  const missing: Entry[] = [];
  const changed: Finding[] = [];
  let bytes = 0;
  const total = entries.reduce((sum, { size }) => sum + size, 0);
  const tell = (n: number) =>
    options.progress({
      task: 'checking',
      done: bytes,
      total,
      unit: 'bytes',
      note: `${n} of ${entries.length} files`,
    });
  for (const [n, entry] of entries.entries()) {
    throwIfCancelled(options.signal);
    tell(n);
    const found =
      (await compare(library, entry, options.signal)) ??
      (entry.pending === undefined
        ? undefined
        : await compare(library, { ...entry, path: entry.pending }, options.signal));
    if (found === undefined) missing.push(entry);
    else if (found !== 'same') changed.push({ path: entry.path, message: found });
    bytes += entry.size;
  }
  if (entries.length > 0) tell(entries.length);
  const known = new Set(
    entries.flatMap(({ path, pending }) => (pending === undefined ? [path] : [path, pending])),
  );
  const unknown = (await originals(library)).filter((path) => !known.has(path));
  const relinked = options.repair ? await relink(library, { missing, unknown, signal: options.signal }) : [];
  const back = new Set(relinked.map(({ from }) => from));
  const used = new Set(relinked.map(({ to }) => to));
  const stillMissing = missing.filter(({ path }) => !back.has(path));
  return {
    filesChecked: entries.length,
    bytesChecked: bytes,
    missing: stillMissing.map(({ path }) => ({
      path,
      message: `${path} is not in the library; put it back, or run check --repair if it was moved or renamed.`,
    })),
    changed,
    unknown: unknown
      .filter((path) => !used.has(path))
      .map((path) => ({
        path,
        message: `${path} is not in the catalogue; import its folder if it holds frames of yours.`,
      })),
    relinked,
    database,
    schema: schemaVersion(library.database),
    sound: stillMissing.length === 0 && changed.length === 0 && database.length === 0,
  };
}

function checkDatabase(library: Library): string[] {
  const said: string[] = [];
  for (const cells of rows(library, 'PRAGMA integrity_check(20)')) {
    const text = String(cells.integrity_check);
    if (text !== 'ok') said.push(text);
  }
  for (const cells of rows(library, 'PRAGMA foreign_key_check')) {
    said.push(`table ${cells.table} row ${cells.rowid} points to a missing row of ${cells.parent}`);
  }
  if (schemaVersion(library.database) !== SCHEMA_VERSION)
    said.push('the schema is not the one of this version');
  return said;
}

/** `same`, a sentence, or undefined when the file is not there. */
async function compare(
  library: Library,
  entry: Entry,
  signal: AbortSignal | undefined,
): Promise<'same' | string | undefined> {
  const path = insideLibrary(library.dir, entry.path);
  try {
    const facts = await library.fileSystem.facts(path);
    if (facts.kind !== 'file') return `${entry.path} is no longer a file.`;
    if (facts.size !== entry.size) {
      return `${entry.path} has ${facts.size} bytes instead of ${entry.size}; put back a copy.`;
    }
    const { sha256 } = await hashFile(library.fileSystem, path, signal);
    return sha256.equals(entry.sha256)
      ? 'same'
      : `${entry.path} has other bytes than were copied; put back a copy.`;
  } catch (error) {
    if (isMissing(error) || (error instanceof SourceError && isMissing(error.cause))) return undefined;
    if (error instanceof SourceError) return `${entry.path} cannot be read: ${error.message}.`;
    throw error instanceof StorageError ? error : storageError(error, path, 'read the library');
  }
}

/** Every file among the originals and attachments, relative to the library. */
async function originals(library: Library): Promise<string[]> {
  const found: string[] = [];
  const list = async (folder: string) => {
    try {
      return await library.fileSystem.list(insideLibrary(library.dir, folder));
    } catch (error) {
      if (isMissing(error)) return [];
      throw storageError(error, join(library.dir, folder), 'read the library');
    }
  };
  const visit = async (folder: string): Promise<void> => {
    for (const { name, kind } of await list(folder)) {
      const path = posix.join(folder, name);
      if (kind === 'folder') await visit(path);
      else if (kind === 'file' && !/^(\.DS_Store|Thumbs\.db|desktop\.ini|\._.*)$/i.test(name))
        found.push(path);
    }
  };
  for (const night of await list(LAYOUT.nights)) {
    if (night.kind !== 'folder') continue;
    for (const part of ['frames', 'attachments']) await visit(`${LAYOUT.nights}/${night.name}/${part}`);
  }
  await visit(LAYOUT.incoming);
  return found.sort();
}

/** Links missing files to unknown ones of the same bytes. */
async function relink(
  library: Library,
  parts: {
    readonly missing: readonly Entry[];
    readonly unknown: readonly string[];
    readonly signal: AbortSignal | undefined;
  },
): Promise<{ from: string; to: string }[]> {
  const sizes = new Set(parts.missing.map(({ size }) => size));
  const byHash = new Map(parts.missing.map((entry) => [entry.sha256.toString('hex'), entry]));
  const relinked: { from: string; to: string }[] = [];
  for (const path of parts.unknown) {
    throwIfCancelled(parts.signal);
    const absolute = insideLibrary(library.dir, path);
    const { size } = await library.fileSystem.facts(absolute);
    if (!sizes.has(size)) continue;
    const hash = (await hashFile(library.fileSystem, absolute, parts.signal)).sha256.toString('hex');
    const entry = byHash.get(hash);
    if (!entry) continue;
    byHash.delete(hash);
    inTransaction(library, () => run(library, 'UPDATE files SET path = ? WHERE id = ?', path, entry.id));
    relinked.push({ from: entry.path, to: path });
  }
  return relinked;
}
