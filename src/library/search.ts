import { distanceKm } from '../core/index.js';
import { number, type Row, rows, text } from './_rows.js';
import { type SequenceJson, type SessionJson, toSequence, toSession } from './contract.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { SessionRecord } from './records.js';
import { includesName, type Range, type SearchQuery, type Sort } from './search-query.js';
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
}

/** `search --json`. */
export interface SearchResult {
  readonly count: number;
  readonly sessions: readonly {
    readonly session: SessionJson;
    readonly sequences: readonly SequenceJson[];
    readonly match: SearchMatch;
  }[];
}

/** One condition: SQL with named marks, and the values for them. */
interface Condition {
  readonly sql: string;
  readonly values: Readonly<Record<string, unknown>>;
}

const rangeOn = (column: string, name: string, range: Range | undefined): Condition[] => [
  ...(range?.min === undefined
    ? []
    : [{ sql: `${column} >= @${name}Min`, values: { [`${name}Min`]: range.min } }]),
  ...(range?.max === undefined
    ? []
    : [{ sql: `${column} <= @${name}Max`, values: { [`${name}Max`]: range.max } }]),
];

/** `column IN (...)` over stored values that JavaScript found fitting, so that any script's case is heard. */
function among(column: string, name: string, values: readonly unknown[]): Condition {
  const named = Object.fromEntries(values.map((value, i) => [`${name}${i}`, value]));
  return {
    sql: `${column} IN (${Object.keys(named)
      .map((key) => `@${key}`)
      .join(', ')})`,
    values: named,
  };
}

const distinct = (library: Library, table: string, column: string, part: string): string[] =>
  rows(library, `SELECT DISTINCT ${column} AS value FROM ${table} WHERE ${column} IS NOT NULL`)
    .map(({ value }) => String(value))
    .filter((value) => includesName(value, part));

/** The user's words as an FTS5 expression: each a quoted string, the last one a beginning. */
export function matchExpression(words: string): string | undefined {
  const tokens = words.match(/[\p{L}\p{N}\p{M}]+/gu) ?? [];
  if (tokens.length === 0) return undefined;
  return tokens.map((token) => `"${token}"*`).join(' ');
}

function sessionConditions(library: Library, query: SearchQuery): Condition[] {
  const conditions: Condition[] = [];
  if (query.site !== undefined || query.near !== undefined || query.sky !== undefined) {
    const fitting = sites(library).filter((site) => {
      if (query.site !== undefined && !includesName(site.name, query.site.replace(/\s+/g, ' '))) return false;
      if (query.sky !== undefined) {
        const { min = Number.NEGATIVE_INFINITY, max = Number.POSITIVE_INFINITY } = query.sky;
        if (site.skyBrightness === undefined) return false;
        if (site.skyBrightness < min || site.skyBrightness > max) return false;
      }
      if (query.near === undefined) return true;
      if (site.latitude === undefined || site.longitude === undefined) return false;
      const there = { latitude: site.latitude, longitude: site.longitude };
      return distanceKm(there, query.near) <= (query.radius ?? 25);
    });
    conditions.push(
      among(
        's.site_id',
        'site',
        fitting.map(({ id }) => id),
      ),
    );
  }
  if (query.date?.from !== undefined)
    conditions.push({ sql: 's.night >= @from', values: { from: query.date.from } });
  if (query.date?.to !== undefined) conditions.push({ sql: 's.night <= @to', values: { to: query.date.to } });
  if (query.month !== undefined) {
    const { from, to } = query.month;
    const months: number[] = [];
    for (let m = from; ; m = (m % 12) + 1) {
      months.push(m);
      if (m === to) break;
    }
    conditions.push(among('s.month', 'month', months));
  }
  if (query.hasPlan !== undefined) {
    conditions.push({ sql: `s.plan_id IS ${query.hasPlan ? 'NOT ' : ''}NULL`, values: {} });
  }
  return conditions;
}

function sequenceConditions(library: Library, query: SearchQuery): Condition[] {
  const conditions: Condition[] = [
    ...rangeOn('q.focal_length', 'focal', query.focal),
    ...rangeOn('q.f_number', 'aperture', query.aperture),
    ...rangeOn('q.iso', 'iso', query.iso),
    ...rangeOn('q.exposure_time', 'shutter', query.shutter),
    ...rangeOn('q.kept', 'kept', query.kept),
    ...rangeOn('q.total_exposure', 'total', query.exposure),
    ...rangeOn('q.moonlight', 'moon', query.moon),
    ...rangeOn('q.fwhm', 'fwhm', query.fwhm),
    ...rangeOn('100.0 * q.kept / nullif(q.kept + q.doubtful + q.dropped, 0)', 'rate', query.keepRate),
  ];
  if (query.camera !== undefined) {
    conditions.push(among('q.camera', 'camera', distinct(library, 'sequences', 'camera', query.camera)));
  }
  if (query.lens !== undefined) {
    conditions.push(among('q.lens', 'lens', distinct(library, 'sequences', 'lens', query.lens)));
  }
  if (query.role !== undefined) conditions.push({ sql: 'q.role = @role', values: { role: query.role } });
  if (query.hasStack !== undefined) {
    conditions.push({ sql: `q.has_stack = ${query.hasStack ? 1 : 0}`, values: {} });
  }
  if (query.target !== undefined) {
    const planned = rows(library, 'SELECT id, target FROM plans WHERE target IS NOT NULL')
      .filter(({ target }) => includesName(String(target), query.target!))
      .map(({ id }) => id);
    const own = among('q.target', 'target', distinct(library, 'sequences', 'target', query.target));
    const byPlan = among('s.plan_id', 'plan', planned);
    conditions.push({
      sql: `q.id IN (SELECT q.id FROM sequences q WHERE ${own.sql}
        UNION SELECT q.id FROM sessions s JOIN sequences q ON q.session_id = s.id WHERE ${byPlan.sql})`,
      values: { ...own.values, ...byPlan.values },
    });
  }
  // Words and tags hang on sessions, sequences and stacks alike; `from` names one of their tables and its condition.
  const owned = (from: string, where: string, values: Record<string, unknown>): Condition => ({
    sql: `(q.session_id IN (SELECT owner_id FROM ${from} WHERE ${where} AND owner_kind = 'session')
      OR q.id IN (SELECT owner_id FROM ${from} WHERE ${where} AND owner_kind = 'sequence')
      OR q.id IN (SELECT sequence_id FROM stacks WHERE id IN (
        SELECT CAST(owner_id AS INTEGER) FROM ${from} WHERE ${where} AND owner_kind = 'stack')))`,
    values,
  });
  for (const [i, tag] of (query.tags ?? []).entries()) {
    conditions.push(owned('tags', `tag = @tag${i}`, { [`tag${i}`]: tag }));
  }
  if (query.text !== undefined) {
    const expression = matchExpression(query.text);
    conditions.push(
      expression === undefined
        ? { sql: '0', values: {} }
        : owned('words JOIN word_owners ON word_owners.id = words.rowid', 'words MATCH @words', {
            words: expression,
          }),
    );
  }
  return conditions;
}

const all = (conditions: readonly Condition[]): string =>
  conditions.length === 0 ? '1' : conditions.map(({ sql }) => sql).join(' AND ');

/** The statement that finds, and its values; for `EXPLAIN` too. */
export function searchStatement(
  library: Library,
  query: SearchQuery,
): { readonly sql: string; readonly values: Readonly<Record<string, unknown>> } {
  const ofSession = sessionConditions(library, query);
  const ofSequence = sequenceConditions(library, query);
  const values = Object.assign({}, ...[...ofSession, ...ofSequence].map((condition) => condition.values));
  const sql =
    ofSequence.length === 0
      ? `SELECT s.id AS session_id, q.id AS id FROM sessions s LEFT JOIN sequences q ON q.session_id = s.id
         WHERE ${all(ofSession)}`
      : `SELECT q.session_id, q.id FROM sequences q JOIN sessions s ON s.id = q.session_id
         WHERE ${all([...ofSequence, ...ofSession])}`;
  return { sql, values };
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
      const picture =
        pictures.size === 0 ? undefined : own.map(({ id }) => pictures.get(String(id))).find(Boolean);
      return {
        session: toSession(session),
        sequences: own.map((cells) => toSequence(toSequenceRecord(cells))),
        match: picture === undefined ? match : { ...match, picture },
      };
    }),
  };
}

/** The columns of a sequence that a list shows. */
const LISTED = `q.id, q.session_id, q.ordinal, q.role, q.bracketed, q.segments, q.camera, q.lens, q.focal_length, q.f_number,
  q.iso, q.exposure_time, q.real_exposure_time, q.start_ms, q.end_ms, q.frame_count, q.kept, q.doubtful, q.dropped,
  q.total_exposure, q.moonlight, q.fwhm, q.has_stack`;

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

function picturesOf(library: Library, sequenceIds: readonly string[]): Map<string, string> {
  if (sequenceIds.length === 0) return new Map();
  const found = rows(
    library,
    `SELECT sequence_id, body ->> '$.files.pictureJpeg' AS picture FROM stacks
     WHERE sequence_id IN (SELECT value FROM json_each(?)) ORDER BY stale DESC, id`,
    JSON.stringify(sequenceIds),
  );
  const pictures = new Map<string, string>();
  for (const cells of found) {
    const path = text(cells.picture);
    if (path !== undefined) pictures.set(String(cells.sequence_id), insideLibrary(library.dir, path));
  }
  return pictures;
}
