import { createHash } from 'node:crypto';
import {
  hex,
  json,
  jsonOrNull,
  number,
  present,
  type Row,
  real,
  row,
  rows,
  run,
  text,
  upsert,
} from './_rows.js';
import { inTransaction, type Library } from './library.js';
import type { MasterRecord, StackBody, StackRecord } from './records.js';

/** Hash of the frames that a result was made from, so that it can be told stale. */
const membersHash = (library: Library, sequenceId: string): string => {
  const hash = createHash('sha256');
  for (const cells of rows(
    library,
    'SELECT id FROM frames WHERE sequence_id = ? ORDER BY position',
    sequenceId,
  )) {
    hash.update(`${cells.id}\n`);
  }
  return hash.digest('hex').slice(0, 16);
};

/**
 * Stores the alignment of a sequence, plain JSON of the stage's choosing (typed arrays as arrays or base64).
 */
export function saveAlignment(library: Library, sequenceId: string, body: unknown): void {
  inTransaction(library, () =>
    upsert(library, 'alignments', ['sequence_id'], {
      sequence_id: sequenceId,
      frame_ids_hash: membersHash(library, sequenceId),
      body: JSON.stringify(body),
    }),
  );
}

/** The stored alignment of a sequence; undefined when there is none or frames joined or left since. */
export function alignmentOf<T>(library: Library, sequenceId: string): T | undefined {
  const found = row(library, 'SELECT * FROM alignments WHERE sequence_id = ?', sequenceId);
  return found && found.frame_ids_hash === membersHash(library, sequenceId) ? json<T>(found.body) : undefined;
}

/** What `saveStack` stores. */
export interface StackContent {
  readonly sequenceId: string;
  /** Folder of the stack's files, relative to the library; one folder a sequence and recipe. */
  readonly folder: string;
  readonly method?: string;
  readonly framesUsed?: number;
  readonly totalExposure?: number;
  readonly body: StackBody;
}

/** Adds a stack or replaces the one of the same folder; returns it. */
export function saveStack(library: Library, content: StackContent): StackRecord {
  return inTransaction(library, () => {
    upsert(library, 'stacks', ['folder'], {
      sequence_id: content.sequenceId,
      folder: content.folder,
      method: content.method ?? null,
      frames_used: real(content.framesUsed),
      total_exposure: real(content.totalExposure),
      stale: 0,
      body: JSON.stringify(content.body),
    });
    run(library, 'UPDATE sequences SET has_stack = 1 WHERE id = ?', content.sequenceId);
    return toStackRecord(row(library, 'SELECT * FROM stacks WHERE folder = ?', content.folder)!);
  });
}

export function toStackRecord(cells: Row): StackRecord {
  return present({
    id: number(cells.id)!,
    sequenceId: text(cells.sequence_id)!,
    folder: text(cells.folder)!,
    method: text(cells.method),
    framesUsed: number(cells.frames_used),
    totalExposure: number(cells.total_exposure),
    stale: cells.stale === 1,
    body: json<StackBody>(cells.body) ?? {},
  }) as StackRecord;
}

/** Stacks of a sequence (`SESSION/2`) or of a whole session, oldest first. */
export const stacksOf = (library: Library, id: string): StackRecord[] =>
  rows(
    library,
    `SELECT stacks.* FROM stacks JOIN sequences ON sequences.id = stacks.sequence_id
     WHERE sequences.id = ? OR sequences.session_id = ? ORDER BY stacks.id`,
    id,
    id,
  ).map(toStackRecord);

/** Remembers how a lens images, per body, lens and focal length (mm), as the next night's prior. */
export function rememberLens(
  library: Library,
  key: { readonly body: string; readonly lens: string; readonly focalLengthMm: number },
  model: unknown,
): void {
  inTransaction(library, () =>
    upsert(library, 'lenses', ['body', 'lens', 'focal_length'], {
      body: key.body,
      lens: key.lens,
      focal_length: key.focalLengthMm,
      model: JSON.stringify(model),
    }),
  );
}

/** The lens remembered for a body, lens and focal length. */
export function rememberedLens<T>(
  library: Library,
  key: { readonly body: string; readonly lens: string; readonly focalLengthMm: number },
): T | undefined {
  return json<T>(
    row(
      library,
      'SELECT model FROM lenses WHERE body = ? AND lens = ? AND focal_length = ?',
      key.body,
      key.lens,
      key.focalLengthMm,
    )?.model,
  );
}

/** Name of one body among others of its model, as its noise is remembered under; undefined when nothing tells it. */
export const bodyName = (body: {
  readonly camera?: string | undefined;
  readonly serial?: string | undefined;
}): string | undefined =>
  [body.camera, body.serial].filter((part) => part !== undefined).join(' ') || undefined;

/** Remembers the noise model of a body at one ISO. */
export function rememberNoise(library: Library, body: string, iso: number, noise: unknown): void {
  inTransaction(library, () =>
    upsert(library, 'bodies', ['body', 'iso'], { body, iso, noise: JSON.stringify(noise) }),
  );
}

export const rememberedNoise = <T>(library: Library, body: string, iso: number): T | undefined =>
  json<T>(row(library, 'SELECT noise FROM bodies WHERE body = ? AND iso = ?', body, iso)?.noise);

/** Adds a master or replaces the one of that id. */
export function saveMaster(library: Library, master: MasterRecord): void {
  inTransaction(library, () =>
    upsert(library, 'masters', ['id'], {
      id: master.id,
      kind: master.kind,
      camera: master.camera ?? null,
      iso: real(master.iso),
      exposure_time: real(master.exposureTime),
      temperature: real(master.temperature),
      night: master.night ?? null,
      width: real(master.width),
      height: real(master.height),
      decoder: master.decoder ?? null,
      frame_count: master.frameCount,
      sequence_id: master.sequenceId ?? null,
      path: master.path,
      body: jsonOrNull(master.body ?? {}),
    }),
  );
}

/** Masters of a kind, and of a camera and ISO where given, newest night first. */
export const masters = (
  library: Library,
  wanted: { readonly kind?: MasterRecord['kind']; readonly camera?: string; readonly iso?: number } = {},
): MasterRecord[] =>
  rows(
    library,
    `SELECT * FROM masters WHERE (@kind IS NULL OR kind = @kind) AND (@camera IS NULL OR camera = @camera) AND (@iso IS NULL OR iso = @iso)
     ORDER BY night DESC, id`,
    { kind: wanted.kind ?? null, camera: wanted.camera ?? null, iso: wanted.iso ?? null },
  ).map(
    (cells) =>
      present({
        id: text(cells.id)!,
        kind: text(cells.kind) as MasterRecord['kind'],
        camera: text(cells.camera),
        iso: number(cells.iso),
        exposureTime: number(cells.exposure_time),
        temperature: number(cells.temperature),
        night: text(cells.night),
        width: number(cells.width),
        height: number(cells.height),
        decoder: text(cells.decoder),
        frameCount: number(cells.frame_count)!,
        sequenceId: text(cells.sequence_id),
        path: text(cells.path)!,
        body: json<unknown>(cells.body),
      }) as MasterRecord,
  );

/** Hashes of all files of a sequence's frames, primary ones, by frame id; for recipes. */
export const hashesOf = (library: Library, sequenceId: string): Map<string, string> =>
  new Map(
    rows(
      library,
      `SELECT f.id, x.sha256 FROM frames f JOIN files x ON x.frame_id = f.id AND x.is_primary = 1
       WHERE f.sequence_id = ? ORDER BY f.position`,
      sequenceId,
    ).map((cells) => [String(cells.id), hex(cells.sha256)]),
  );
