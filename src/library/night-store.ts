import { dirname, join, posix } from 'node:path';
import { number, row, rows, run } from './_rows.js';
import { dropEmptySequences, type SequenceContent, saveSequences } from './_save-sequences.js';
import { type FrameContent, framesOf, saveFrames } from './frames.js';
import { inTransaction, type Library } from './library.js';
import { nameBook } from './name-book.js';
import { insideLibrary, nightFolders } from './paths.js';
import type { FrameRecord } from './records.js';
import { type SessionContent, saveSession } from './sessions.js';
import { isMissing, storageError } from './system-errors.js';

/** A whole session: its facts, all its frames, and how they were grouped. */
export interface NightContent {
  readonly session: SessionContent;
  readonly frames: readonly FrameContent[];
  readonly sequences: readonly SequenceContent[];
}

/**
 * Stores a session as grouped, in one transaction, then moves its files to their places. Sequences keep
 * their ids where most of their frames stay together; choices and verdicts of a person stay; alignments
 * and stacks of changed sequences are marked stale. A kill at any moment is made good by the next
 * `finishMoves`.
 *
 * @throws {StorageError}
 */
export async function saveNight(library: Library, night: NightContent): Promise<void> {
  const places = await choosePlaces(
    library,
    nightFolders(night.session.folder).frames,
    night.frames.map(({ fileIds }) => fileIds),
  );
  inTransaction(library, () => {
    saveSession(library, night.session);
    saveFrames(library, night.frames);
    for (const [fileId, path] of places) {
      run(library, 'UPDATE files SET pending_path = ? WHERE id = ?', path, fileId);
    }
    saveSequences(library, night.session.id, night);
    recountSession(library, night.session.id);
  });
  await finishMoves(library);
}

/**
 * Links side-cars, tracks, sound and video to frames of a session and moves them to its folder.
 *
 * @throws {StorageError}
 */
export async function saveAttachments(
  library: Library,
  folder: string,
  attachments: readonly { readonly fileId: number; readonly frameId: string }[],
): Promise<void> {
  if (attachments.length === 0) return;
  const places = await choosePlaces(
    library,
    nightFolders(folder).attachments,
    attachments.map(({ fileId }) => [fileId]),
  );
  inTransaction(library, () => {
    for (const { fileId, frameId } of attachments) {
      run(library, 'UPDATE files SET frame_id = ? WHERE id = ?', frameId, fileId);
    }
    for (const [fileId, path] of places) {
      run(library, 'UPDATE files SET pending_path = ? WHERE id = ?', path, fileId);
    }
  });
  await finishMoves(library);
}

/** Where each file that is not in a folder yet shall go in it; the files of one group get one suffix. */
async function choosePlaces(
  library: Library,
  folder: string,
  groups: readonly (readonly number[])[],
): Promise<Map<number, string>> {
  const book = nameBook(library.fileSystem);
  const chosen = new Map<number, string>();
  for (const fileIds of groups) {
    const moving = fileIds
      .map((id) => row(library, 'SELECT id, path, name FROM files WHERE id = ?', id)!)
      .filter((cells) => posix.dirname(String(cells.path)) !== folder);
    if (moving.length === 0) continue;
    const names = await book.reserve(
      insideLibrary(library.dir, folder),
      moving.map((cells) => String(cells.name)),
    );
    moving.forEach((cells, i) => {
      chosen.set(number(cells.id)!, `${folder}/${names[i]}`);
    });
  }
  return chosen;
}

/**
 * Finishes moves that the catalogue has decided: renames each file, makes the folders durable, then says
 * so in the catalogue. Does nothing when nothing is pending. The caller holds the library.
 *
 * @throws {StorageError}
 */
export async function finishMoves(library: Library): Promise<void> {
  const { fileSystem, dir } = library;
  const moves = rows(library, 'SELECT id, path, pending_path FROM files WHERE pending_path IS NOT NULL');
  if (moves.length === 0) return;
  const touched = new Set<string>();
  const made = new Set<string>();
  for (const cells of moves) {
    const from = insideLibrary(dir, String(cells.path));
    const to = insideLibrary(dir, String(cells.pending_path));
    try {
      if (!made.has(dirname(to))) await fileSystem.makeFolder(dirname(to));
      made.add(dirname(to));
      await fileSystem.rename(from, to);
    } catch (error) {
      // Renamed before a kill: then it is at its new place already. Missing altogether is for `check` to say.
      if (!isMissing(error)) throw storageError(error, to, 'move a file inside the library');
    }
    touched.add(dirname(from)).add(dirname(to));
  }
  for (const folder of touched) {
    try {
      await fileSystem.syncFolder(folder);
    } catch (error) {
      if (!isMissing(error)) throw storageError(error, folder, 'write to the library');
    }
  }
  inTransaction(library, () => {
    for (const { id } of moves) {
      run(library, 'UPDATE files SET path = pending_path, pending_path = NULL WHERE id = ?', id);
    }
  });
}

/** Works out again how many frames and lights a session has. */
function recountSession(library: Library, sessionId: string): void {
  run(
    library,
    `UPDATE sessions SET (frame_count, light_count) = (
       SELECT count(*), coalesce(sum(role = 'light'), 0) FROM frames WHERE session_id = @id) WHERE id = @id`,
    { id: sessionId },
  );
}

/** Takes away a session that has no frames left (all moved to another night); its folder stays if it holds anything. */
export async function removeEmptySession(library: Library, sessionId: string): Promise<void> {
  const found = row(library, 'SELECT folder FROM sessions WHERE id = ?', sessionId);
  if (!found || row(library, 'SELECT 1 FROM frames WHERE session_id = ?', sessionId)) return;
  inTransaction(library, () => {
    dropEmptySequences(library, sessionId, []);
    if (row(library, 'SELECT 1 FROM sequences WHERE session_id = ?', sessionId)) return;
    run(library, "DELETE FROM notes WHERE owner_kind = 'session' AND owner_id = ?", sessionId);
    run(library, "DELETE FROM tags WHERE owner_kind = 'session' AND owner_id = ?", sessionId);
    run(library, 'DELETE FROM sessions WHERE id = ?', sessionId);
  });
  for (const folder of [...Object.values(nightFolders(String(found.folder))), String(found.folder)]) {
    await library.fileSystem.removeEmptyFolder(insideLibrary(library.dir, folder)).catch((error: unknown) => {
      const code = (error as { code?: string }).code;
      if (code !== 'ENOTEMPTY' && !isMissing(error)) throw storageError(error, folder, 'tidy the library');
    });
  }
}

/** A free frame id from a content hash: 12 hex digits, more where those are taken by another frame. */
export function newFrameId(library: Library, sha256: string, taken: ReadonlySet<string>): string {
  for (let digits = 12; digits <= sha256.length; digits++) {
    const id = sha256.slice(0, digits);
    if (!taken.has(id) && !row(library, 'SELECT 1 FROM frames WHERE id = ?', id)) return id;
  }
  throw new RangeError(`no free frame id for ${sha256}`);
}

/** Frames of a session as `FrameContent`, to be grouped again together with new ones. */
export const contentOf = (
  library: Library,
  sessionId: string,
): (FrameContent & { readonly record: FrameRecord })[] =>
  framesOf(library, sessionId).map((record) => ({
    id: record.id,
    sessionId,
    role: record.role,
    sound: record.sound,
    header: record.header,
    fileIds: record.files.map(({ id }) => id),
    ...(record.roleReason === undefined ? {} : { roleReason: record.roleReason }),
    ...(record.takenMs === undefined ? {} : { takenMs: record.takenMs }),
    record,
  }));

/** Removes the folder for arriving files when it is empty. */
export async function tidyIncoming(library: Library): Promise<void> {
  await library.fileSystem.removeEmptyFolder(join(library.dir, 'incoming')).catch((error: unknown) => {
    const code = (error as { code?: string }).code;
    if (code !== 'ENOTEMPTY' && code !== 'EEXIST' && !isMissing(error)) {
      throw storageError(error, library.dir, 'tidy the library');
    }
  });
}
