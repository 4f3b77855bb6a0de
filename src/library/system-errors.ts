import { NightcairnError, StorageError } from '../core/index.js';

/** The system's own code of a thrown value (`ENOENT`, `SQLITE_FULL`), or the empty string. */
export function systemCode(error: unknown): string {
  const code = (error as { code?: unknown } | null)?.code;
  return typeof code === 'string' ? code : '';
}

/** True when an entry is simply not there. */
export const isMissing = (error: unknown): boolean => ['ENOENT', 'ENOTDIR'].includes(systemCode(error));

/**
 * Turns a failure of the file system or of SQLite into a `StorageError` that says what to do; errors of
 * ours pass unchanged.
 *
 * @param doing what was being done, as `write to the library`
 */
export function storageError(error: unknown, path: string, doing: string): NightcairnError {
  if (error instanceof NightcairnError) return error;
  const code = systemCode(error);
  const options = { path, cause: error, details: { systemCode: code } };
  if (['ENOSPC', 'EDQUOT', 'SQLITE_FULL', 'EFBIG'].includes(code)) {
    return new StorageError(
      'DISK_FULL',
      `Expected room on the disk to ${doing} but it is full at ${path}; make space and run the same command again, it goes on where it stopped.`,
      options,
    );
  }
  if (code.startsWith('SQLITE_BUSY') || code === 'SQLITE_LOCKED') {
    return new StorageError(
      'CATALOGUE_BUSY',
      `Expected to ${doing} but another program holds the catalogue ${path}; wait for it to finish and run the same command again.`,
      options,
    );
  }
  if (code.startsWith('SQLITE_CORRUPT') || code === 'SQLITE_NOTADB') {
    return new StorageError(
      'CATALOGUE_DAMAGED',
      `Expected a sound catalogue at ${path} but SQLite reports damage; the frames themselves are untouched: put back the newest file of the folder backups beside it.`,
      options,
    );
  }
  if (
    ['EACCES', 'EPERM', 'EROFS'].includes(code) ||
    code.startsWith('SQLITE_READONLY') ||
    code.startsWith('SQLITE_CANTOPEN')
  ) {
    return new StorageError(
      'NOT_WRITABLE',
      `Expected leave to ${doing} but ${path} may not be written or opened; change its permissions or choose another folder with --library.`,
      options,
    );
  }
  const said = error instanceof Error ? error.message : String(error);
  return new StorageError(
    'NOT_READABLE',
    `Expected to ${doing} at ${path} but the system reports: ${said}.`,
    options,
  );
}
