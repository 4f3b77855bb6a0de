import type { FrameHeader, Role } from '../core/index.js';
import { jsonOrNull, marks, number, real, row, rows, run, upsert } from './_rows.js';
import type { FrameContent } from './frames.js';
import type { Library } from './library.js';
import { recount } from './measurements.js';
import type { CadenceHoleRecord } from './records.js';
import type { MoonFacts } from './sessions.js';

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

const median = (values: readonly number[]): number | undefined =>
  values.length === 0 ? undefined : [...values].sort((a, b) => a - b)[values.length >> 1];

function mostCommon<T extends string | number>(values: readonly (T | undefined)[]): T | undefined {
  const counts = new Map<T, number>();
  for (const value of values) if (value !== undefined) counts.set(value, (counts.get(value) ?? 0) + 1);
  let best: T | undefined;
  for (const [value, n] of counts) if (best === undefined || n > counts.get(best)!) best = value;
  return best;
}

/** Stores how the frames of a session are grouped now; runs inside the caller's transaction. */
export function saveSequences(
  library: Library,
  sessionId: string,
  night: { readonly frames: readonly FrameContent[]; readonly sequences: readonly SequenceContent[] },
): void {
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
      run(library, 'UPDATE sequences SET center_ra = NULL, center_dec = NULL WHERE id = ?', id);
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

/** Takes away sequences of a session that are not among `kept`. */
export function dropEmptySequences(library: Library, sessionId: string, kept: readonly string[]): void {
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
