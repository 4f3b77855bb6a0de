import { existsSync, mkdirSync, readFileSync, statfsSync } from 'node:fs';
import { join, resolve } from 'node:path';
import Sqlite, { type Database } from 'better-sqlite3';
import { StorageError } from '../core/index.js';
import { APPLICATION_ID, MIGRATIONS } from './_schema.js';
import { type FileSystem, nodeFileSystem } from './file-system.js';
import { migrate, SCHEMA_VERSION, schemaVersion } from './migrate.js';
import { LAYOUT } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** An open library: its folder and its catalogue. Close it when done. */
export interface Library {
  /** Absolute path of the library's folder. */
  readonly dir: string;
  readonly mode: 'write' | 'read';
  /** The catalogue. Only code of `src/library` speaks SQL to it. */
  readonly database: Database;
  readonly fileSystem: FileSystem;
  /** Things the person should know about where the library lies, plain sentences. */
  readonly warnings: readonly string[];
  close(): void;
}

/** Options of `openLibrary`. */
export interface OpenLibraryOptions {
  /** `write` makes the folder and the catalogue if needed; `read` never writes anything. */
  readonly mode: 'write' | 'read';
  /**
   * Reads all see the catalogue of one moment, whatever others write meanwhile (L40); for `read` only. Without it
   * each statement sees the newest.
   */
  readonly oneMoment?: boolean;
  /** Never brings an older catalogue up to date on disk: it is read as a copy in memory; for `read` only. */
  readonly untouched?: boolean;
  /** How long to wait for another writer, ms; default 30 s. */
  readonly busyTimeoutMs?: number;
  readonly fileSystem?: FileSystem;
}

/** File systems on which shared-memory logs are unsafe (L41). @source Linux statfs(2), f_type table. */
const UNSAFE_FOR_LOG: ReadonlyMap<number, string> = new Map([
  [0x6969, 'NFS'],
  [0x517b, 'SMB'],
  [0xff534d42, 'SMB'],
  [0xfe534d42, 'SMB'],
  [0x65735546, 'FUSE'],
  [0x2011bab0, 'exFAT'],
  [0x4d44, 'FAT'],
  [0x01021997, '9P'],
]);

/**
 * Opens a library. A reader of a folder without catalogue sees an empty library; a reader of a folder
 * that may not be written (a read-only disk) sees the catalogue as it was last closed.
 *
 * @throws {StorageError} NOT_WRITABLE, CATALOGUE_NEWER, CATALOGUE_DAMAGED, CATALOGUE_BUSY, DISK_FULL
 */
export function openLibrary(dir: string, options: OpenLibraryOptions): Library {
  const folder = resolve(dir);
  const file = join(folder, LAYOUT.catalogue);
  const warnings: string[] = [];
  let database: Database | undefined;
  try {
    database =
      options.mode === 'write'
        ? openToWrite(folder, file, options.busyTimeoutMs ?? 30_000, warnings)
        : openToRead(folder, file, options);
    database.pragma('foreign_keys = ON');
    const opened = database;
    // The moment is taken at the first read and given up when the library is closed.
    if (options.mode === 'read' && options.oneMoment) opened.exec('BEGIN');
    return {
      dir: folder,
      mode: options.mode,
      database: opened,
      fileSystem: options.fileSystem ?? nodeFileSystem,
      warnings,
      close: () => {
        if (opened.open) opened.close();
      },
    };
  } catch (error) {
    database?.close();
    throw storageError(error, file, options.mode === 'write' ? 'open the library' : 'read the library');
  }
}

function openToWrite(folder: string, file: string, timeout: number, warnings: string[]): Database {
  try {
    mkdirSync(folder, { recursive: true });
  } catch (error) {
    throw storageError(error, folder, 'make the library');
  }
  const unsafe = UNSAFE_FOR_LOG.get(statfsSync(folder).type);
  const database = new Sqlite(file, { timeout });
  try {
    assertOurs(database, file);
    const journal = unsafe === undefined ? 'WAL' : 'DELETE';
    const got = database.pragma(`journal_mode = ${journal}`, { simple: true });
    database.pragma('synchronous = FULL');
    if (unsafe !== undefined || got !== 'wal') {
      warnings.push(
        `The library lies on ${unsafe === undefined ? 'a file system without shared memory' : `a ${unsafe} file system`}: use it from one program and one computer at a time, or keep it on a local disk.`,
      );
    }
    migrate(database, folder);
    quickCheck(database, file);
    return database;
  } catch (error) {
    database.close();
    throw error;
  }
}

function openToRead(folder: string, file: string, options: OpenLibraryOptions): Database {
  const timeout = options.busyTimeoutMs ?? 30_000;
  if (!existsSync(file)) return emptyCatalogue();
  let database: Database;
  try {
    database = new Sqlite(file, { readonly: true, fileMustExist: true, timeout });
    schemaVersion(database);
  } catch (error) {
    if (isMissing(error)) return emptyCatalogue();
    // A log needs a shared-memory file beside it; where none can be made, read a private copy instead.
    const bytes = readFileSync(file);
    if (bytes.length < 100 || bytes.toString('latin1', 0, 15) !== 'SQLite format 3') throw error;
    // Bytes 18 and 19 say "log"; 1 says "rollback journal", the only kind a copy in memory can be.
    // @source SQLite file format 1.3.3; sqlite3_deserialize documentation.
    bytes[18] = 1;
    bytes[19] = 1;
    database = new Sqlite(bytes);
    database.pragma('query_only = ON');
  }
  try {
    assertOurs(database, file);
    const version = schemaVersion(database);
    if (version === SCHEMA_VERSION) return database;
    if (version > SCHEMA_VERSION) migrate(database, folder); // throws CATALOGUE_NEWER
    if (options.untouched) return newerCopy(database, folder);
    database.close();
    openToWrite(folder, file, timeout, []).close();
    return new Sqlite(file, { readonly: true, fileMustExist: true, timeout });
  } catch (error) {
    database.close();
    throw error;
  }
}

/** A copy in memory of an older catalogue, brought up to date there. Closes the one on disk. */
function newerCopy(older: Database, folder: string): Database {
  const bytes = older.serialize();
  older.close();
  // As above: a copy in memory keeps no log.
  bytes[18] = 1;
  bytes[19] = 1;
  const copy = new Sqlite(bytes);
  migrate(copy, folder);
  copy.pragma('query_only = ON');
  return copy;
}

function emptyCatalogue(): Database {
  const database = new Sqlite(':memory:');
  for (const step of MIGRATIONS) database.exec(step);
  database.pragma(`user_version = ${SCHEMA_VERSION}`);
  database.pragma('query_only = ON');
  return database;
}

function assertOurs(database: Database, file: string): void {
  const id = database.pragma('application_id', { simple: true });
  if (schemaVersion(database) > 0 && id !== APPLICATION_ID) {
    throw new StorageError(
      'CATALOGUE_DAMAGED',
      `Expected a catalogue of ours at ${file} but it belongs to another program; choose another folder with --library.`,
      { path: file },
    );
  }
}

/** A look at the schema page and its tables, cheap on any size; `check` does the full one. */
function quickCheck(database: Database, file: string): void {
  const names = database.prepare("SELECT count(*) FROM sqlite_master WHERE type = 'table'").pluck().get();
  if (typeof names !== 'number' || names === 0) {
    throw new StorageError('CATALOGUE_DAMAGED', `Expected tables in the catalogue ${file} but found none.`, {
      path: file,
    });
  }
}

/**
 * Runs `body` in one immediate transaction: all or nothing, and the lock is taken before the first read
 * (L39). Nested calls join the outer one. `body` must be synchronous.
 *
 * @throws {StorageError} what SQLite reports, in our words
 */
export function inTransaction<T>(library: Library, body: () => T): T {
  if (library.mode === 'read') throw new TypeError('a library opened to read was asked to write');
  try {
    return library.database.inTransaction ? body() : library.database.transaction(body).immediate();
  } catch (error) {
    if (error instanceof Error && error.name === 'SqliteError') {
      throw storageError(error, join(library.dir, LAYOUT.catalogue), 'write to the catalogue');
    }
    throw error;
  }
}
