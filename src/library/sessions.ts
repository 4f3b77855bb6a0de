import { InputError, type Role } from '../core/index.js';
import { json, jsonOrNull, number, present, type Row, real, row, rows, run, text, upsert } from './_rows.js';
import { inTransaction, type Library } from './library.js';
import { LAYOUT, slug } from './paths.js';
import type { CadenceHoleRecord, SequenceRecord, SessionRecord, SiteRecord } from './records.js';
import { siteById } from './sites.js';
import { reindexWords } from './words.js';

function toSession(library: Library, cells: Row): SessionRecord {
  const siteId = number(cells.site_id);
  const site = siteId === undefined ? undefined : siteById(library, siteId);
  return sessionFrom(cells, new Map(site ? [[site.id, site]] : []));
}

/** Reads a session out of a row whose columns are those of `sessions`. */
export function sessionFrom(cells: Row, siteOf: ReadonlyMap<number, SiteRecord>): SessionRecord {
  const siteId = number(cells.site_id);
  return present({
    id: text(cells.id)!,
    night: text(cells.night)!,
    site: siteId === undefined ? undefined : siteOf.get(siteId),
    zone: text(cells.zone)!,
    folder: text(cells.folder)!,
    planId: text(cells.plan_id),
    clockOffset: number(cells.clock_offset) ?? 0,
    clockOffsets: json<Record<string, number>>(cells.clock_offsets) ?? {},
    remarks: json<string[]>(cells.remarks) ?? [],
    frameCount: number(cells.frame_count) ?? 0,
    lightCount: number(cells.light_count) ?? 0,
  }) as SessionRecord;
}

/** All sessions, newest night first. */
export const sessions = (library: Library): SessionRecord[] =>
  rows(library, 'SELECT * FROM sessions ORDER BY night DESC, id').map((cells) => toSession(library, cells));

export function session(library: Library, id: string): SessionRecord | undefined {
  const found = row(library, 'SELECT * FROM sessions WHERE id = ?', id);
  return found && toSession(library, found);
}

/** Sessions of a night (`YYYY-MM-DD`). */
export const sessionsOfNight = (library: Library, night: string): SessionRecord[] =>
  rows(library, 'SELECT * FROM sessions WHERE night = ? ORDER BY id', night).map((cells) =>
    toSession(library, cells),
  );

/**
 * The session meant by `latest`, an id, a folder name, a night's date, or the beginning of one id.
 *
 * @throws {InputError} UNKNOWN_ID when none or several fit
 */
export function findSession(library: Library, wanted: string): SessionRecord {
  const pick = (sql: string, ...values: unknown[]) => rows(library, sql, ...values);
  let found: Row[];
  if (wanted === 'latest') {
    found = pick('SELECT * FROM sessions ORDER BY night DESC, light_count DESC, id LIMIT 1');
  } else {
    const name = wanted.replace(/^.*nights[/\\]/, '').replace(/[/\\]+$/, '');
    found = pick('SELECT * FROM sessions WHERE id = ? OR folder = ?', wanted, `${LAYOUT.nights}/${name}`);
    if (found.length === 0) found = pick('SELECT * FROM sessions WHERE night = ?', wanted);
    if (found.length === 0 && wanted !== '') {
      found = pick('SELECT * FROM sessions WHERE substr(id, 1, ?) = ?', [...wanted].length, wanted);
    }
  }
  if (found.length === 1) return toSession(library, found[0]!);
  const said =
    found.length > 1
      ? `it fits ${found.length} of them: ${found
          .slice(0, 8)
          .map((cells) => cells.id)
          .join(', ')}`
      : known(library);
  throw new InputError(
    'UNKNOWN_ID',
    `Expected the id or night of a session, or latest, but received ${JSON.stringify(wanted)}; ${said}.`,
    { details: { id: wanted } },
  );
}

function known(library: Library): string {
  const ids = rows(library, 'SELECT id FROM sessions ORDER BY night DESC LIMIT 5').map((cells) => cells.id);
  return ids.length === 0
    ? 'the library holds no nights yet, import a card first'
    : `the newest sessions are ${ids.join(', ')}`;
}

/** What `saveSession` stores. */
export interface SessionContent {
  readonly id: string;
  readonly night: string;
  readonly siteId?: number;
  readonly zone: string;
  readonly folder: string;
  readonly planId?: string;
  readonly clockOffset?: number;
  readonly clockOffsets?: Readonly<Record<string, number>>;
  readonly remarks?: readonly string[];
}

/** Adds or replaces a session's own facts (not its frames). */
export function saveSession(library: Library, content: SessionContent): void {
  inTransaction(library, () => {
    upsert(library, 'sessions', ['id'], {
      id: content.id,
      night: content.night,
      month: Number(content.night.slice(5, 7)),
      site_id: content.siteId ?? null,
      zone: content.zone,
      folder: content.folder,
      plan_id: content.planId ?? null,
      clock_offset: real(content.clockOffset) ?? 0,
      clock_offsets:
        Object.keys(content.clockOffsets ?? {}).length === 0 ? null : JSON.stringify(content.clockOffsets),
      remarks: jsonOrNull(content.remarks),
    });
    reindexWords(library, 'session', content.id);
  });
}

/** A free id and folder for a new session: `2026-08-13-sandpiper-flat`, `nights/2026-08-13 sandpiper-flat`. */
export function newSessionName(
  library: Library,
  night: string,
  siteName: string | undefined,
): { readonly id: string; readonly folder: string } {
  const name = slug(siteName ?? 'site-not-named');
  for (let n = 1; ; n++) {
    const end = n === 1 ? name : `${name}-${n}`;
    const id = `${night}-${end}`;
    const folder = `${LAYOUT.nights}/${night} ${end}`;
    if (!row(library, 'SELECT 1 FROM sessions WHERE id = ? OR folder = ?', id, folder)) return { id, folder };
  }
}

/** Reads a sequence out of a row whose columns are those of `sequences`. */
export function toSequenceRecord(cells: Row): SequenceRecord {
  return present({
    id: text(cells.id)!,
    sessionId: text(cells.session_id)!,
    ordinal: number(cells.ordinal)!,
    role: text(cells.role) as Role,
    bracketed: cells.bracketed === 1,
    segments: number(cells.segments) ?? 1,
    segmentStarts: json<string[]>(cells.segment_starts) ?? [],
    camera: text(cells.camera),
    serial: text(cells.serial),
    lens: text(cells.lens),
    focalLengthMm: number(cells.focal_length),
    fNumber: number(cells.f_number),
    iso: number(cells.iso),
    exposureTime: number(cells.exposure_time),
    realExposureTime: number(cells.real_exposure_time),
    startMs: number(cells.start_ms),
    endMs: number(cells.end_ms),
    cadence: number(cells.cadence),
    inCameraDark: text(cells.in_camera_dark) as 'likely' | 'sure' | undefined,
    holes: json<CadenceHoleRecord[]>(cells.holes) ?? [],
    notes: json<string[]>(cells.notes) ?? [],
    frameCount: number(cells.frame_count) ?? 0,
    kept: number(cells.kept) ?? 0,
    doubtful: number(cells.doubtful) ?? 0,
    dropped: number(cells.dropped) ?? 0,
    totalExposure: number(cells.total_exposure) ?? 0,
    moonlight: number(cells.moonlight),
    moonAltitude: number(cells.moon_altitude),
    moonIllumination: number(cells.moon_illumination),
    hasStack: cells.has_stack === 1,
    fwhm: number(cells.fwhm),
    pointing: pointingOf(number(cells.center_ra), number(cells.center_dec)),
  }) as SequenceRecord;
}

const pointingOf = (rightAscension: number | undefined, declination: number | undefined) =>
  rightAscension === undefined || declination === undefined ? undefined : { rightAscension, declination };

/** The sequences of a session in the order they were shot. */
export const sequencesOf = (library: Library, sessionId: string): SequenceRecord[] =>
  rows(
    library,
    'SELECT * FROM sequences WHERE session_id = ? ORDER BY start_ms IS NULL, start_ms, ordinal',
    sessionId,
  ).map(toSequenceRecord);

export function sequence(library: Library, id: string): SequenceRecord | undefined {
  const found = row(library, 'SELECT * FROM sequences WHERE id = ?', id);
  return found && toSequenceRecord(found);
}

/**
 * What is meant by an argument that may name a session or one of its sequences (`SESSION/2`).
 *
 * @throws {InputError} UNKNOWN_ID
 */
export function findSequences(
  library: Library,
  wanted: string,
): { readonly session: SessionRecord; readonly sequences: readonly SequenceRecord[]; readonly one: boolean } {
  const exact = sequence(library, wanted);
  if (exact) return { session: session(library, exact.sessionId)!, sequences: [exact], one: true };
  const split = /^(.+)\/(\d+)$/.exec(wanted);
  if (split) {
    const parent = findSession(library, split[1]!);
    const one = sequence(library, `${parent.id}/${Number(split[2])}`);
    if (one) return { session: parent, sequences: [one], one: true };
    const ids = sequencesOf(library, parent.id).map(({ id }) => id);
    throw new InputError(
      'UNKNOWN_ID',
      `Expected a sequence of ${parent.id} but received ${JSON.stringify(wanted)}; its sequences are ${ids.join(', ') || 'none yet'}.`,
      { details: { id: wanted } },
    );
  }
  const parent = findSession(library, wanted);
  return { session: parent, sequences: sequencesOf(library, parent.id), one: false };
}

/** Moon during a sequence. */
export interface MoonFacts {
  readonly moonlight: number;
  readonly moonAltitude: number;
  readonly moonIllumination: number;
}

/** Stores where the middle of a run's picture looks, for search; degrees, J2000. Unknown forgets it. */
export function savePointing(
  library: Library,
  sequenceId: string,
  pointing: { readonly rightAscension: number; readonly declination: number } | undefined,
): void {
  inTransaction(library, () =>
    run(
      library,
      'UPDATE sequences SET center_ra = ?, center_dec = ? WHERE id = ?',
      real(pointing?.rightAscension),
      real(pointing?.declination),
      sequenceId,
    ),
  );
}
