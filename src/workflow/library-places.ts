import {
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmdirSync,
  rmSync,
  writeFileSync,
} from 'node:fs';
import { dirname, isAbsolute, join, relative, resolve, sep } from 'node:path';
import { InputError, StorageError } from '../core/index.js';
import {
  copyTree,
  deleteSessionRows,
  filesInCommon,
  findSession,
  finishMoves,
  holdLibrary,
  insideLibrary,
  LAYOUT,
  type Library,
  newSessionName,
  openLibrary,
  removeEmptyFolders,
  type SessionName,
  type SessionRecord,
  session as sessionOf,
  sessions,
  stored,
  transferSession,
} from '../library/index.js';
import { withHeldLibrary } from './_held-library.js';
import type { WorkflowContext } from './context.js';

/** A session in the trash folder of the library. */
export interface TrashedSession {
  /** How to ask for it back. */
  readonly id: string;
  readonly night: string;
  readonly site: string | undefined;
  readonly frameCount: number;
  readonly folder: string;
}

/** Marks in a trash folder while it is filled or emptied, so that a stopped command goes on where it was. */
const LEAVING = 'leaving';
const RETURNING = 'returning.json';

/** Every session in the trash is a small library of its own, so that it comes back whole. */
const trashFolder = (libraryDir: string, name: string): string => join(libraryDir, LAYOUT.trash, name);

/** True when a trash folder holds a night that was brought there whole; a begun one is gone on with. */
const holdsNight = (folder: string): boolean =>
  existsSync(join(folder, LAYOUT.catalogue)) && !existsSync(join(folder, LEAVING));

/** What lies in the trash, newest night first. */
export function trashed(context: WorkflowContext): TrashedSession[] {
  const root = join(context.libraryDir, LAYOUT.trash);
  if (!existsSync(root)) return [];
  return readdirSync(root)
    .filter((name) => existsSync(join(root, name, LAYOUT.catalogue)))
    .flatMap((name) => {
      const small = openLibrary(join(root, name), { mode: 'read' });
      try {
        return sessions(small).map((found) => ({
          ...{ id: name, night: found.night, site: found.site?.name, frameCount: found.frameCount },
          folder: join(root, name),
        }));
      } finally {
        small.close();
      }
    })
    .sort((a, b) => (a.night === b.night ? (a.id < b.id ? -1 : 1) : a.night < b.night ? 1 : -1));
}

/**
 * Takes a session out of the catalogue and moves its files, originals and results, to the trash folder of the
 * library. Nothing is deleted; `restoreSession` brings it back as it was. A stopped run goes on where it was.
 *
 * @throws {InputError} UNKNOWN_ID
 * @throws {StorageError | Cancelled}
 */
export function removeSession(
  context: WorkflowContext,
  wanted: string,
): Promise<TrashedSession & { readonly sessionId: string }> {
  return withHeldLibrary(context, 'moving a session to the trash', async (library) => {
    const found = findSession(library, wanted);
    let name = found.id;
    // A night removed before and imported again lies there already: the second gets a name of its own.
    for (let n = 2; holdsNight(trashFolder(library.dir, name)); n++) name = `${found.id}~${n}`;
    const folder = trashFolder(library.dir, name);
    rmSync(join(folder, RETURNING), { force: true }); // of an earlier return that was stopped at its very end
    mkdirSync(join(folder, LEAVING), { recursive: true });
    const small = openLibrary(folder, { mode: 'write' });
    try {
      await transferSession(library, small, found.id, {
        ...{ move: true, progress: context.progress, signal: context.signal },
        name: { id: found.id, folder: found.folder },
      });
    } finally {
      small.close();
    }
    deleteSessionRows(library, found.id);
    await removeEmptyFolders(library, found.folder);
    rmdirSync(join(folder, LEAVING));
    return {
      ...{ id: name, sessionId: found.id, night: found.night, site: found.site?.name },
      ...{ frameCount: found.frameCount, folder },
    };
  });
}

/**
 * Brings a session back from the trash, with everything that was known of it.
 *
 * @throws {InputError} UNKNOWN_ID when the trash holds none of that name; VALUE_OUT_OF_RANGE when its frames
 *   were imported again meanwhile
 */
export function restoreSession(
  context: WorkflowContext,
  wanted: string,
): Promise<{ readonly sessionId: string }> {
  return withHeldLibrary(context, 'bringing a session back', async (library) => {
    const names = trashed(context).map(({ id }) => id);
    const fitting = names.filter((id) => id === wanted || id.startsWith(wanted));
    const name = names.includes(wanted) ? wanted : fitting.length === 1 ? fitting[0]! : undefined;
    if (name === undefined) {
      throw new InputError(
        'UNKNOWN_ID',
        `Expected a session of the trash but received ${JSON.stringify(wanted)}; ${names.length === 0 ? 'the trash is empty' : `it holds ${names.join(', ')}`}.`,
      );
    }
    const folder = trashFolder(library.dir, name);
    const mark = join(folder, RETURNING);
    const small = openLibrary(folder, { mode: 'write' });
    let place: SessionName;
    try {
      const found = sessions(small)[0]!;
      place = existsSync(mark)
        ? (JSON.parse(readFileSync(mark, 'utf8')) as SessionName)
        : placeFor(small, library, found);
      writeFileSync(mark, JSON.stringify(place));
      await transferSession(small, library, found.id, {
        ...{ move: true, progress: context.progress, signal: context.signal },
        name: place,
      });
      await removeEmptyFolders(small, found.folder);
      if (existsSync(insideLibrary(folder, found.folder)) || sessionOf(library, place.id) === undefined)
        throw new RangeError(`${name} did not come back whole`);
    } finally {
      small.close();
    }
    // Its files are back in their places and its rows in the catalogue: what is left is an empty shell, unless
    // its owner laid something into it.
    await clearShell(library, folder);
    return { sessionId: place.id };
  });
}

/** Takes away what this program keeps in a small library that holds no nights any more, and nothing else. */
async function clearShell(library: Library, folder: string): Promise<void> {
  // The mark goes last: while the catalogue is there, a stopped return must know that it was one.
  const catalogue = ['-wal', '-shm', ''].map((end) => `${LAYOUT.catalogue}${end}`);
  for (const name of [...catalogue, RETURNING]) rmSync(join(folder, name), { force: true });
  await removeEmptyFolders(library, stored(library.dir, folder));
}

/** Where a session of the trash goes: its old place, or a free one. @throws {InputError} when it is here again */
function placeFor(small: Library, library: Library, found: SessionRecord): SessionName {
  const { held: here } = filesInCommon(small, library, found.id);
  if (here > 0) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected ${found.id} to be away but ${here} of its files are in the library again; show ${found.night} lists them, and the ones in the trash stay where they are.`,
    );
  }
  const taken = sessions(library).some((other) => other.id === found.id || other.folder === found.folder);
  return taken
    ? newSessionName(library, found.night, found.site?.name)
    : { id: found.id, folder: found.folder };
}

/** What a move of the whole library came to. */
export interface MoveResult {
  readonly from: string;
  readonly to: string;
  /** `renamed` on one disk; `copied` and verified to another, with the old folder still in its place. */
  readonly how: 'renamed' | 'copied';
  readonly files: number;
}

/**
 * Moves the whole library to another folder. On one disk it is renamed; to another disk every file is copied,
 * read back and compared, and the old library stays until its owner takes it away.
 *
 * @throws {InputError} when the new place is not empty or lies inside the library
 * @throws {StorageError | Cancelled}
 */
export async function moveLibrary(context: WorkflowContext, wanted: string): Promise<MoveResult> {
  const from = resolve(context.libraryDir);
  const to = resolve(wanted);
  if (!existsSync(join(from, LAYOUT.catalogue))) {
    throw new InputError('NOTHING_TO_DO', `Expected a library at ${from} but there is none to move.`);
  }
  const below = relative(from, to);
  if (below === '' || (below !== '..' && !below.startsWith(`..${sep}`) && !isAbsolute(below))) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a place outside ${from} but received ${to}; a library cannot move into itself.`,
    );
  }
  const begun = existsSync(join(to, MOVING));
  if (!begun && existsSync(to) && readdirSync(to).length > 0) {
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected an empty or new folder but ${to} holds files; to bring this library into another one use library merge.`,
    );
  }
  const library = openLibrary(from, { mode: 'write' });
  try {
    const release = await holdLibrary(library, { task: 'moving the library', signal: context.signal });
    try {
      await finishMoves(library);
      // Closed, the catalogue is one file that holds all that was written.
      library.database.pragma('wal_checkpoint(TRUNCATE)');
      library.close();
      if (!begun && renamed(from, to)) return { from, to, how: 'renamed', files: 0 };
      mkdirSync(join(to, MOVING), { recursive: true });
      const files = await copyTree(library, to, { progress: context.progress, signal: context.signal });
      rmSync(join(to, MOVING), { recursive: true });
      return { from, to, how: 'copied', files };
    } finally {
      release();
    }
  } finally {
    library.close();
  }
}

/** Marks a folder that a library is being copied to. */
const MOVING = '.moving';

/** Renames a folder where both places lie on one disk. */
function renamed(from: string, to: string): boolean {
  try {
    mkdirSync(dirname(to), { recursive: true });
    if (existsSync(to)) rmdirSync(to); // empty, as looked at before
    renameSync(from, to);
    return true;
  } catch (error) {
    const code = (error as { code?: string }).code;
    if (code === 'EXDEV' || code === 'EPERM' || code === 'EBUSY' || code === 'EACCES') return false;
    throw new StorageError(
      'NOT_WRITABLE',
      `Expected to rename ${from} to ${to} but the system said ${code}.`,
      {
        path: to,
        cause: error,
      },
    );
  }
}
