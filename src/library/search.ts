import { distanceKm } from '../core/index.js';
import { number, type Row, rows, text } from './_rows.js';
import { type SequenceJson, type SessionJson, toSequence, toSession } from './contract.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { SessionRecord } from './records.js';
import type { SearchQuery, Sort } from './search-query.js';
import { searchStatement } from './search-statement.js';
import { sessionFrom, toSequenceRecord } from './sessions.js';
import { sites } from './sites.js';

/** Why a session was found, in numbers over the sequences that fit. */
export interface SearchMatch {
  readonly sequences: number;
  readonly frames: number;
  readonly kept: number;
  /** s */
  readonly totalExposure: number;
  readonly distanceKm?: number;
  /** Best median star size among the fitting sequences, px. */
  readonly fwhm?: number;
  /** Moonlight over the fitting lights, percent. */
  readonly moonlight?: number;
  /** A finished picture of a fitting sequence, absolute path. */
  readonly picture?: string;
  /** Its small copy likewise. */
  readonly thumbnail?: string;
}

/** `search --json`. */
export interface SearchResult {
  readonly count: number;
  readonly sessions: readonly {
    readonly session: SessionJson;
    /** With the small copy of the finished picture, absolute path, where the run was stacked. */
    readonly sequences: readonly (SequenceJson & { readonly thumbnail?: string })[];
    readonly match: SearchMatch;
  }[];
}

/** Finds sessions with the sequences that fit. User text reaches SQL as bound values only. */
export function searchLibrary(library: Library, query: SearchQuery): SearchResult {
  const { sql, values } = searchStatement(library, query);
  // The sub-select keeps the index plan and brings whole rows in one go.
  const found = rows(
    library,
    `SELECT f.session_id AS found_session, ${LISTED} FROM (${sql}) f LEFT JOIN sequences q ON q.id = f.id
     ORDER BY f.session_id, q.start_ms IS NULL, q.start_ms, q.ordinal`,
    values,
  );
  const bySession = new Map<string, Row[]>();
  for (const cells of found) {
    const id = String(cells.found_session);
    let list = bySession.get(id);
    if (!list) {
      list = [];
      bySession.set(id, list);
    }
    if (cells.id !== null) list.push(cells);
  }
  const siteById = new Map(sites(library).map((site) => [site.id, site]));
  const sessionRows = rows(
    library,
    'SELECT * FROM sessions WHERE id IN (SELECT value FROM json_each(?))',
    JSON.stringify([...bySession.keys()]),
  );
  const hits = sessionRows.map((cells): Hit => {
    const session = sessionFrom(cells, siteById);
    const own = bySession.get(session.id)!;
    return { session, rows: own, match: matchOf(session, own, query) };
  });
  hits.sort(comparer(query.sort ?? 'date'));
  const shown = query.limit === undefined ? hits : hits.slice(0, query.limit);
  const pictures = picturesOf(
    library,
    shown.flatMap((hit) => hit.rows.filter((cells) => cells.has_stack === 1).map(({ id }) => String(id))),
  );
  return {
    count: hits.length,
    sessions: shown.map(({ session, rows: own, match }) => {
      const best = own.map(({ id }) => pictures.get(String(id))).find(Boolean);
      return {
        session: toSession(session),
        sequences: own.map((cells) => {
          const thumbnail = pictures.get(String(cells.id))?.thumbnail;
          return {
            ...toSequence(toSequenceRecord(cells)),
            ...(thumbnail === undefined ? {} : { thumbnail }),
          };
        }),
        match: { ...match, ...best },
      };
    }),
  };
}

/** The columns of a sequence that a list shows. */
const LISTED = `q.id, q.session_id, q.ordinal, q.role, q.bracketed, q.segments, q.camera, q.lens, q.focal_length, q.f_number,
  q.iso, q.exposure_time, q.real_exposure_time, q.start_ms, q.end_ms, q.frame_count, q.kept, q.doubtful, q.dropped,
  q.total_exposure, q.moonlight, q.fwhm, q.center_ra, q.center_dec, q.has_stack`;

interface Hit {
  readonly session: SessionRecord;
  readonly rows: readonly Row[];
  readonly match: SearchMatch;
}

function matchOf(session: SessionRecord, own: readonly Row[], query: SearchQuery): SearchMatch {
  let [frames, kept, totalExposure] = [0, 0, 0];
  let fwhm: number | undefined;
  let moonlight: number | undefined;
  for (const cells of own) {
    frames += number(cells.frame_count)!;
    kept += number(cells.kept)!;
    const size = number(cells.fwhm);
    if (size !== undefined && !(fwhm !== undefined && fwhm <= size)) fwhm = size;
    if (cells.role !== 'light') continue;
    totalExposure += number(cells.total_exposure)!;
    const moon = number(cells.moonlight);
    if (moon !== undefined && !(moonlight !== undefined && moonlight >= moon)) moonlight = moon;
  }
  const { site } = session;
  const km =
    query.near && site?.latitude !== undefined && site.longitude !== undefined
      ? distanceKm(query.near, { latitude: site.latitude, longitude: site.longitude })
      : undefined;
  return {
    sequences: own.length,
    frames,
    kept,
    totalExposure,
    ...(km === undefined ? {} : { distanceKm: Math.round(km * 10) / 10 }),
    ...(fwhm === undefined ? {} : { fwhm }),
    ...(moonlight === undefined ? {} : { moonlight }),
  };
}

/** Newest first among equals; what is unknown comes last. */
function comparer(sort: Sort): (a: Hit, b: Hit) => number {
  const newest = (a: Hit, b: Hit) =>
    a.session.night === b.session.night
      ? a.session.id < b.session.id
        ? -1
        : 1
      : a.session.night < b.session.night
        ? 1
        : -1;
  const key = (hit: Hit): number => {
    switch (sort) {
      case 'kept':
        return -hit.match.kept;
      case 'exposure':
        return -hit.match.totalExposure;
      case 'sharpness':
        return hit.match.fwhm ?? Number.POSITIVE_INFINITY;
      case 'moon':
        return hit.match.moonlight ?? Number.POSITIVE_INFINITY;
      case 'darkness':
        return -(hit.session.site?.skyBrightness ?? Number.NEGATIVE_INFINITY);
      case 'date':
        return 0;
    }
  };
  return (a, b) => {
    const [x, y] = [key(a), key(b)];
    return x === y ? newest(a, b) : x - y;
  };
}

interface Pictures {
  readonly picture?: string;
  readonly thumbnail?: string;
}

/** The newest finished picture of each sequence and its small copy, absolute paths. */
function picturesOf(library: Library, sequenceIds: readonly string[]): Map<string, Pictures> {
  if (sequenceIds.length === 0) return new Map();
  const found = rows(
    library,
    `SELECT sequence_id, body ->> '$.files.pictureJpeg' AS picture,
       coalesce(body ->> '$.files.thumbnail', body ->> '$.files.preview', body ->> '$.files.pictureJpeg') AS thumbnail
     FROM stacks WHERE sequence_id IN (SELECT value FROM json_each(?)) ORDER BY stale DESC, id`,
    JSON.stringify(sequenceIds),
  );
  const pictures = new Map<string, Pictures>();
  for (const cells of found) {
    const [picture, thumbnail] = [text(cells.picture), text(cells.thumbnail)];
    if (picture === undefined && thumbnail === undefined) continue;
    pictures.set(String(cells.sequence_id), {
      ...(picture === undefined ? {} : { picture: insideLibrary(library.dir, picture) }),
      ...(thumbnail === undefined ? {} : { thumbnail: insideLibrary(library.dir, thumbnail) }),
    });
  }
  return pictures;
}
