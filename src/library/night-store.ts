import { dirname, join, posix } from 'node:path';
import type { FrameHeader, Role } from '../core/index.js';
import { jsonOrNull, marks, number, real, row, rows, run, text, upsert } from './_rows.js';
import { nameBook } from './card-copy.js';
import { type FrameContent, framesOf, saveFrames } from './frames.js';
import { inTransaction, type Library } from './library.js';
import { recount } from './measurements.js';
import { insideLibrary, nightFolders } from './paths.js';
import type { CadenceHoleRecord, FrameRecord } from './records.js';
import { type MoonFacts, type SessionContent, saveSession } from './sessions.js';
import { isMissing, storageError } from './system-errors.js';

/** A sequence as the grouping found it. */
export interface SequenceContent {
  /** Frame ids in time order. */
  readonly frameIds: readonly string[];
  readonly role: Role;
  readonly bracketed: boolean;
  readonly segmentStarts: readonly string[];
  readonly cadence?: number | undefined;
  readonly holes: readonly CadenceHoleRecord[];
  readonly realExposureTime?: number | undefined;
  readonly inCameraDark?: 'likely' | 'sure' | undefined;
  readonly notes: readonly string[];
  readonly moon?: MoonFacts | undefined;
}

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
    saveSequences(library, night);
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

const median = (values: readonly number[]): number | undefined =>
  values.length === 0 ? undefined : [...values].sort((a, b) => a - b)[values.length >> 1];

function mostCommon<T extends string | number>(values: readonly (T | undefined)[]): T | undefined {
  const counts = new Map<T, number>();
  for (const value of values) if (value !== undefined) counts.set(value, (counts.get(value) ?? 0) + 1);
  let best: T | undefined;
  for (const [value, n] of counts) if (best === undefined || n > counts.get(best)!) best = value;
  return best;
}

function saveSequences(library: Library, night: NightContent): void {
  const sessionId = night.session.id;
  const byId = new Map(night.frames.map((frame) => [frame.id, frame]));
  const before = new Map<string, string[]>();
  for (const cells of rows(
    library,
    'SELECT sequence_id, id FROM frames WHERE session_id = ? AND sequence_id IS NOT NULL ORDER BY position',
    sessionId,
  )) {
    const id = String(cells.sequence_id);
    before.set(id, [...(before.get(id) ?? []), String(cells.id)]);
  }
  const ids = chooseIds(library, sessionId, before, night.sequences);
  run(library, 'UPDATE frames SET sequence_id = NULL, position = NULL WHERE session_id = ?', sessionId);
  night.sequences.forEach((sequence, i) => {
    const id = ids[i]!;
    const frames = sequence.frameIds.map((frameId) => byId.get(frameId)!);
    const headers = frames.map(({ header }) => header);
    const of = <K extends keyof FrameHeader>(key: K) => headers.map((header) => header[key]);
    const times = frames.flatMap(({ takenMs }) => (takenMs === undefined ? [] : [takenMs]));
    const last = frames.filter(({ takenMs }) => takenMs !== undefined).at(-1);
    const exposures = of('exposureTime').filter((value) => value !== undefined);
    upsert(library, 'sequences', ['id'], {
      id,
      session_id: sessionId,
      ordinal: Number(id.slice(id.lastIndexOf('/') + 1)),
      role: sequence.role,
      bracketed: sequence.bracketed ? 1 : 0,
      segments: sequence.segmentStarts.length + 1,
      segment_starts: jsonOrNull(sequence.segmentStarts),
      camera: mostCommon(of('camera')) ?? null,
      serial: mostCommon(of('serial')) ?? null,
      lens: mostCommon(of('lens')) ?? null,
      focal_length: mostCommon(of('focalLengthMm')) ?? null,
      f_number: mostCommon(of('fNumber')) ?? null,
      iso: mostCommon(of('iso')) ?? null,
      exposure_time: median(exposures) ?? null,
      real_exposure_time: real(sequence.realExposureTime),
      start_ms: times.length === 0 ? null : Math.min(...times),
      end_ms:
        last === undefined
          ? null
          : Math.round(last.takenMs! + 1000 * (last.header.exposureTime ?? sequence.realExposureTime ?? 0)),
      cadence: real(sequence.cadence),
      in_camera_dark: sequence.inCameraDark ?? null,
      holes: jsonOrNull(sequence.holes),
      notes: jsonOrNull(sequence.notes),
      moonlight: real(sequence.moon?.moonlight),
      moon_altitude: real(sequence.moon?.moonAltitude),
      moon_illumination: real(sequence.moon?.moonIllumination),
    });
    sequence.frameIds.forEach((frameId, position) => {
      run(library, 'UPDATE frames SET sequence_id = ?, position = ? WHERE id = ?', id, position, frameId);
    });
    if (before.get(id)?.join() !== sequence.frameIds.join()) {
      run(library, 'UPDATE stacks SET stale = 1 WHERE sequence_id = ?', id);
      run(library, 'DELETE FROM alignments WHERE sequence_id = ?', id);
    }
    recount(library, id);
  });
  dropEmptySequences(library, sessionId, ids);
}

/** Old ids for sequences that keep most frames of an old one, new ordinals for the rest. */
function chooseIds(
  library: Library,
  sessionId: string,
  before: ReadonlyMap<string, readonly string[]>,
  sequences: readonly SequenceContent[],
): string[] {
  const overlaps: { i: number; id: string; shared: number }[] = [];
  for (const [i, sequence] of sequences.entries()) {
    const members = new Set(sequence.frameIds);
    for (const [id, old] of before) {
      const shared = old.filter((frameId) => members.has(frameId)).length;
      if (shared > 0) overlaps.push({ i, id, shared });
    }
  }
  overlaps.sort((a, b) => b.shared - a.shared || a.i - b.i || (a.id < b.id ? -1 : 1));
  const ids: string[] = new Array(sequences.length).fill('');
  const used = new Set<string>();
  for (const { i, id } of overlaps) {
    if (ids[i] !== '' || used.has(id)) continue;
    ids[i] = id;
    used.add(id);
  }
  let next =
    1 +
    (number(row(library, 'SELECT max(ordinal) AS top FROM sequences WHERE session_id = ?', sessionId)?.top) ??
      0);
  return ids.map((id) => (id === '' ? `${sessionId}/${next++}` : id));
}

function dropEmptySequences(library: Library, sessionId: string, kept: readonly string[]): void {
  const gone = rows(
    library,
    `SELECT id FROM sequences WHERE session_id = ? AND id NOT IN (${marks(kept.length)})`,
    sessionId,
    ...kept,
  );
  for (const { id } of gone) {
    if (row(library, 'SELECT 1 FROM stacks WHERE sequence_id = ?', id)) {
      // A stack keeps its sequence's row alive, as the record of what it was made from.
      run(library, 'UPDATE stacks SET stale = 1 WHERE sequence_id = ?', id);
      run(
        library,
        'UPDATE sequences SET frame_count = 0, kept = 0, doubtful = 0, dropped = 0, total_exposure = 0 WHERE id = ?',
        id,
      );
    } else {
      run(library, 'DELETE FROM alignments WHERE sequence_id = ?', id);
      run(library, 'DELETE FROM sequences WHERE id = ?', id);
    }
  }
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

/** A file that arrived and has no frame yet. */
export interface LooseFile {
  readonly id: number;
  readonly kind: 'frame' | 'attachment';
  /** Absolute path. */
  readonly path: string;
  readonly sha256: string;
  readonly name: string;
  readonly cardPath: string;
  readonly modifiedMs: number;
  readonly size: number;
  readonly twin: string;
  readonly failure?: { readonly code: string; readonly message: string };
}

/** Files that arrived, by this import or an earlier one that was stopped, and belong to no frame yet. */
export const looseFiles = (library: Library): LooseFile[] =>
  rows(library, 'SELECT * FROM files WHERE frame_id IS NULL ORDER BY card_path, id').map((cells) => {
    const failure = text(cells.failure);
    return {
      id: number(cells.id)!,
      kind: text(cells.kind) as LooseFile['kind'],
      path: insideLibrary(library.dir, String(cells.path)),
      sha256: Buffer.from(cells.sha256 as Uint8Array).toString('hex'),
      name: String(cells.name),
      cardPath: String(cells.card_path),
      modifiedMs: number(cells.modified_ms)!,
      size: number(cells.size)!,
      twin: String(cells.twin),
      ...(failure === undefined ? {} : { failure: JSON.parse(failure) as { code: string; message: string } }),
    };
  });

/** Sessions that hold any of these files' frames. */
export function sessionsOfFiles(library: Library, fileIds: readonly number[]): string[] {
  const found = new Set<string>();
  for (let at = 0; at < fileIds.length; at += 500) {
    const some = fileIds.slice(at, at + 500);
    for (const cells of rows(
      library,
      `SELECT DISTINCT f.session_id FROM files x JOIN frames f ON f.id = x.frame_id WHERE x.id IN (${marks(some.length)})`,
      ...some,
    )) {
      found.add(String(cells.session_id));
    }
  }
  return [...found].sort();
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
