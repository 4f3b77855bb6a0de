import { distanceKm, InputError } from '../core/index.js';
import { type Equatorial, parseTarget, skySeparation } from '../sky/index.js';
import { rows } from './_rows.js';
import type { Library } from './library.js';
import { includesName, type SearchQuery } from './search-query.js';
import type { Range } from './search-values.js';
import { sites } from './sites.js';

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
  // Nothing equals NULL; an empty list in brackets would make SQLite plan to read the whole table.
  if (values.length === 0) return { sql: `${column} IN (NULL)`, values: {} };
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

/**
 * Runs that look at a place on the sky: by the middle of the picture where the stars told it, else by the
 * target of the plan.
 */
function towardCondition(library: Library, toward: Equatorial, within: number): Condition {
  const looking = rows(
    library,
    'SELECT id, center_ra, center_dec FROM sequences WHERE center_dec BETWEEN @least AND @most',
    { least: toward.declination - within, most: toward.declination + within },
  )
    .filter(
      (cells) =>
        skySeparation(toward, {
          rightAscension: Number(cells.center_ra),
          declination: Number(cells.center_dec),
        }) <= within,
    )
    .map(({ id }) => id);
  const planned = rows(library, 'SELECT id, target FROM plans WHERE target IS NOT NULL')
    .filter(({ target }) => {
      const place = placeOf(String(target));
      return place !== undefined && skySeparation(toward, place) <= within;
    })
    .map(({ id }) => id);
  return {
    sql: `q.id IN (SELECT value FROM json_each(@looking)
      UNION SELECT q.id FROM sessions s JOIN sequences q ON q.session_id = s.id
        WHERE q.role = 'light' AND q.center_dec IS NULL AND s.plan_id IN (SELECT value FROM json_each(@planned)))`,
    values: { looking: JSON.stringify(looking), planned: JSON.stringify(planned) },
  };
}

/** Where a plan's target is; undefined for the arch and for names that mean no place. */
function placeOf(target: string): Equatorial | undefined {
  try {
    const place = parseTarget(target);
    return place.kind === 'arch' ? undefined : place;
  } catch (error) {
    if (error instanceof InputError) return undefined;
    throw error;
  }
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
  if (query.toward !== undefined) conditions.push(towardCondition(library, query.toward, query.within ?? 20));
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
