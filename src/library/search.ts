import { number, type Row, rows, text } from './_rows.js';
import { type SequenceJson, type SessionJson, toSequence, toSession } from './contract.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { SequenceRecord, SessionRecord } from './records.js';
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

const EARTH_RADIUS_KM = 6371.0088;

/** Great-circle distance, km. @source haversine formula, R. W. Sinnott, Sky & Telescope 68 (1984) 159. */
export function distanceKm(
  a: { readonly latitude: number; readonly longitude: number },
  b: { readonly latitude: number; readonly longitude: number },
): number {
  const rad = Math.PI / 180;
  const h =
    Math.sin(((b.latitude - a.latitude) * rad) / 2) ** 2 +
    Math.cos(a.latitude * rad) *
      Math.cos(b.latitude * rad) *
      Math.sin(((b.longitude - a.longitude) * rad) / 2) ** 2;
  return 2 * EARTH_RADIUS_KM * Math.asin(Math.min(1, Math.sqrt(h)));
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
  if (query.site !== undefined || query.near !== undefined) {
    const fitting = sites(library).filter((site) => {
      if (query.site !== undefined && !includesName(site.name, query.site.replace(/\s+/g, ' '))) return false;
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
  // Sub-select keeps the index plan and brings whole rows in one go.
  const found = rows(
    library,
    `SELECT f.session_id AS found_session, q.* FROM (${sql}) f LEFT JOIN sequences q ON q.id = f.id
     ORDER BY f.session_id, q.start_ms IS NULL, q.start_ms, q.ordinal`,
    values,
  );
  const bySession = new Map<string, Row[]>();
  for (const cells of found) {
    const id = String(cells.found_session);
    const list = bySession.get(id);
    if (list) list.push(cells);
    else bySession.set(id, [cells]);
  }
  const siteById = new Map(sites(library).map((site) => [site.id, site]));
  const sessionRows = new Map(
    rows(
      library,
      bySession.size > 400
        ? 'SELECT * FROM sessions'
        : `SELECT * FROM sessions WHERE id IN (SELECT value FROM json_each(?))`,
      ...(bySession.size > 400 ? [] : [JSON.stringify([...bySession.keys()])]),
    ).map((cells) => [String(cells.id), cells]),
  );
  const hits = [...bySession].map(([id, cells]) => {
    const sequenceRows = cells.filter((each) => each.id !== null);
    const session = sessionFrom(sessionRows.get(id)!, siteById);
    const sequences = sequenceRows.map(toSequenceRecord);
    return { session, sequences, match: matchOf({ session, sequences, rows: sequenceRows, query }) };
  });
  hits.sort(comparer(query.sort ?? 'date'));
  const shown = query.limit === undefined ? hits : hits.slice(0, query.limit);
  const pictures = picturesOf(
    library,
    shown.flatMap(({ sequences }) => sequences.filter((q) => q.hasStack).map(({ id }) => id)),
  );
  return {
    count: hits.length,
    sessions: shown.map(({ session, sequences, match }) => {
      const picture = sequences.map(({ id }) => pictures.get(id)).find((path) => path !== undefined);
      return {
        session: toSession(session),
        sequences: sequences.map(toSequence),
        match: picture === undefined ? match : { ...match, picture },
      };
    }),
  };
}

interface Hit {
  readonly session: SessionRecord;
  readonly sequences: readonly SequenceRecord[];
  readonly match: SearchMatch & { readonly background?: number };
}

function matchOf(hit: {
  readonly session: SessionRecord;
  readonly sequences: readonly SequenceRecord[];
  readonly rows: readonly Row[];
  readonly query: SearchQuery;
}): SearchMatch {
  const sum = (of: (sequence: SequenceRecord) => number) =>
    hit.sequences.reduce((total, each) => total + of(each), 0);
  const smallest = (column: string): number | undefined => {
    const values = hit.rows.flatMap((cells) => number(cells[column]) ?? []);
    return values.length === 0 ? undefined : Math.min(...values);
  };
  const fwhm = smallest('fwhm');
  const moon = hit.sequences.flatMap(({ role, moonlight }) =>
    role === 'light' && moonlight !== undefined ? [moonlight] : [],
  );
  const { site } = hit.session;
  const km =
    hit.query.near && site?.latitude !== undefined && site.longitude !== undefined
      ? distanceKm(hit.query.near, { latitude: site.latitude, longitude: site.longitude })
      : undefined;
  return {
    sequences: hit.sequences.length,
    frames: sum(({ frameCount }) => frameCount),
    kept: sum(({ kept }) => kept),
    totalExposure: sum(({ totalExposure, role }) => (role === 'light' ? totalExposure : 0)),
    ...(km === undefined ? {} : { distanceKm: Math.round(km * 10) / 10 }),
    ...(fwhm === undefined ? {} : { fwhm }),
    ...(moon.length === 0 ? {} : { moonlight: Math.max(...moon) }),
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
