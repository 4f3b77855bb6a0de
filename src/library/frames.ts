import { type FrameHeader, InputError, ROLES, type Role } from '../core/index.js';
import { hex, json, marks, number, present, type Row, row, rows, run, text } from './_rows.js';
import { inTransaction, type Library } from './library.js';
import { measurementsOf } from './measurements.js';
import { insideLibrary } from './paths.js';
import type { FileFailure, FileRecord, FrameRecord } from './records.js';

/** Reads a file out of a row whose columns are those of `files`. */
export function toFile(cells: Row): FileRecord {
  return present({
    id: number(cells.id)!,
    frameId: text(cells.frame_id),
    kind: text(cells.kind) as FileRecord['kind'],
    isPrimary: cells.is_primary === 1,
    path: text(cells.path)!,
    sha256: hex(cells.sha256),
    size: number(cells.size)!,
    name: text(cells.name)!,
    cardPath: text(cells.card_path)!,
    modifiedMs: number(cells.modified_ms)!,
    failure: json<FileFailure>(cells.failure),
  }) as FileRecord;
}

/** Header fields that change from shot to shot; the rest is shared by a run and stored once. */
const PER_FRAME = [
  'wallTime',
  'subSecond',
  'fileNumber',
  'temperature',
  'exposureTime',
  'gps',
  'warnings',
] as const;

function splitHeader(header: FrameHeader): { shared: string; own: string } {
  const shared: Record<string, unknown> = {};
  const own: Record<string, unknown> = {};
  for (const [key, value] of Object.entries(header).sort(([a], [b]) => (a < b ? -1 : 1))) {
    if (value === undefined || (Array.isArray(value) && value.length === 0)) continue;
    ((PER_FRAME as readonly string[]).includes(key) ? own : shared)[key] = value;
  }
  return { shared: JSON.stringify(shared), own: JSON.stringify(own) };
}

/** What `saveFrames` stores of one frame. */
export interface FrameContent {
  readonly id: string;
  readonly sessionId: string;
  readonly role: Role;
  /** What the photographer said it is; absent = what was said before stays. */
  readonly chosenRole?: Role;
  readonly roleReason?: string;
  readonly sound: boolean;
  readonly takenMs?: number;
  readonly header: FrameHeader;
  /** Catalogue ids of its files, the primary one first. */
  readonly fileIds: readonly number[];
}

/** Adds frames or brings them up to date, in one transaction. Choices and measurements of a person stay. */
export function saveFrames(library: Library, frames: readonly FrameContent[]): void {
  inTransaction(library, () => {
    for (const frame of frames) {
      const { shared, own } = splitHeader(frame.header);
      run(library, 'INSERT INTO settings (body) VALUES (?) ON CONFLICT DO NOTHING', shared);
      const settings = row(library, 'SELECT id FROM settings WHERE body = ?', shared)!.id;
      run(
        library,
        `INSERT INTO frames (id, session_id, role, chosen_role, role_reason, sound, taken_ms, settings_id, header)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
         ON CONFLICT (id) DO UPDATE SET session_id = excluded.session_id, role = excluded.role,
           chosen_role = coalesce(excluded.chosen_role, chosen_role),
           role_reason = excluded.role_reason, sound = excluded.sound, taken_ms = excluded.taken_ms,
           settings_id = excluded.settings_id, header = excluded.header`,
        frame.id,
        frame.sessionId,
        frame.role,
        frame.chosenRole ?? null,
        frame.roleReason ?? null,
        frame.sound ? 1 : 0,
        frame.takenMs ?? null,
        settings,
        own,
      );
      frame.fileIds.forEach((fileId, i) => {
        run(
          library,
          'UPDATE files SET frame_id = ?, is_primary = ? WHERE id = ?',
          frame.id,
          i === 0 ? 1 : 0,
          fileId,
        );
      });
    }
  });
}

const FRAME_COLUMNS = `f.id, f.session_id, f.sequence_id, f.position, f.role, f.chosen_role, f.role_reason, f.sound,
  f.taken_ms, f.header, settings.body AS shared`;
const FRAME_SOURCE = 'frames f LEFT JOIN settings ON settings.id = f.settings_id';
const FRAME_ORDER = 'f.taken_ms IS NULL, f.taken_ms, f.position, f.id';

function collect(library: Library, where: string, order: string, ...values: unknown[]): FrameRecord[] {
  const found = rows(
    library,
    `SELECT ${FRAME_COLUMNS} FROM ${FRAME_SOURCE} WHERE ${where} ORDER BY ${order}`,
    ...values,
  );
  if (found.length === 0) return [];
  const filesOf = new Map<string, FileRecord[]>();
  const among = `SELECT f.id FROM frames f WHERE ${where}`;
  for (const cells of rows(
    library,
    `SELECT * FROM files WHERE kind = 'frame' AND frame_id IN (${among}) ORDER BY is_primary DESC, id`,
    ...values,
  )) {
    const id = String(cells.frame_id);
    filesOf.set(id, [...(filesOf.get(id) ?? []), toFile(cells)]);
  }
  const measured = measurementsOf(library, among, values);
  return found.map((cells) => {
    const id = String(cells.id);
    const header = { ...json<object>(cells.shared), ...json<object>(cells.header) } as FrameHeader;
    return present({
      id,
      sessionId: text(cells.session_id)!,
      sequenceId: text(cells.sequence_id),
      position: number(cells.position),
      role: text(cells.role) as Role,
      chosenRole: text(cells.chosen_role) as Role | undefined,
      roleReason: text(cells.role_reason),
      sound: cells.sound === 1,
      takenMs: number(cells.taken_ms),
      header: { ...header, warnings: header.warnings ?? [] },
      files: filesOf.get(id) ?? [],
      measurement: measured.get(id),
    }) as FrameRecord;
  });
}

/** Frames of a sequence (`SESSION/2`) in its order, or of a whole session in time order. */
export function framesOf(library: Library, id: string): FrameRecord[] {
  const inSequence = collect(library, 'f.sequence_id = ?', 'f.position', id);
  return inSequence.length > 0 ? inSequence : collect(library, 'f.session_id = ?', FRAME_ORDER, id);
}

export const frame = (library: Library, id: string): FrameRecord | undefined =>
  collect(library, 'f.id = ?', 'f.id', id)[0];

/**
 * The frame meant by an id, the beginning of one (6 characters or more), or a file name; a name may be
 * followed by `@SESSION` where several nights hold it.
 *
 * @throws {InputError} UNKNOWN_ID when none or several fit
 */
export function findFrame(library: Library, wanted: string): FrameRecord {
  const exact = frame(library, wanted);
  if (exact) return exact;
  let found: string[] = [];
  if (/^[0-9a-f]{6,}$/.test(wanted)) {
    found = rows(library, 'SELECT id FROM frames WHERE id >= ? AND id < ?', wanted, `${wanted}g`).map((r) =>
      String(r.id),
    );
  }
  if (found.length === 0) {
    const at = wanted.lastIndexOf('@');
    const [name, night] = at > 0 ? [wanted.slice(0, at), wanted.slice(at + 1)] : [wanted, ''];
    const base = name.split(/[/\\]/).at(-1)!;
    found = rows(
      library,
      `SELECT DISTINCT f.id FROM files x JOIN frames f ON f.id = x.frame_id
       WHERE x.kind = 'frame' AND x.name = ? COLLATE NOCASE AND (? = '' OR substr(f.session_id, 1, length(?)) = ?)`,
      base,
      night,
      night,
      night,
    ).map((r) => String(r.id));
  }
  if (found.length === 1) return frame(library, found[0]!)!;
  throw new InputError(
    'UNKNOWN_ID',
    `Expected the id or file name of a frame but received ${JSON.stringify(wanted)}, which fits ${found.length === 0 ? 'none; show SESSION lists them' : `${found.length} frames: ${found.slice(0, 6).join(', ')}`}.`,
    { details: { id: wanted } },
  );
}

/** Absolute path of a frame's primary file (its RAW where there is one). */
export function framePath(library: Library, record: FrameRecord): string {
  const primary = record.files[0];
  if (!primary) throw new RangeError(`frame ${record.id} has no file`);
  return insideLibrary(library.dir, primary.path);
}

/** Records the role a photographer chose; undefined takes the choice back. Grouping follows on the next `regroup`. */
export function setRole(library: Library, frameId: string, role: Role | undefined): void {
  if (role !== undefined && !ROLES.includes(role)) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected a role (${ROLES.join(', ')}) but received ${role}.`,
    );
  }
  inTransaction(library, () =>
    run(library, 'UPDATE frames SET chosen_role = ? WHERE id = ?', role ?? null, frameId),
  );
}

/** Ids of the frames that hold any of these files. */
export const frameIdsOfFiles = (library: Library, fileIds: readonly number[]): string[] =>
  rows(
    library,
    `SELECT DISTINCT frame_id FROM files
     WHERE frame_id IS NOT NULL AND kind = 'frame' AND id IN (SELECT value FROM json_each(?)) ORDER BY frame_id`,
    JSON.stringify(fileIds),
  ).map((cells) => String(cells.frame_id));

/** Files that came with a frame: side-cars, tracks, sound, video. */
export const attachmentsOf = (library: Library, frameIds: readonly string[]): FileRecord[] =>
  frameIds.length === 0
    ? []
    : rows(
        library,
        `SELECT * FROM files WHERE kind = 'attachment' AND frame_id IN (${marks(frameIds.length)}) ORDER BY path`,
        ...frameIds,
      ).map(toFile);
