import type { Library } from './library.js';

/** A value that SQLite gives back. */
export type Cell = string | number | null | Uint8Array;
/** A row as SQLite gives it; the one place where columns become unknown values. */
export type Row = Readonly<Record<string, Cell>>;

/** All rows of a query, read whole so that no iterator stays open (L40). */
export function rows(library: Library, sql: string, ...values: unknown[]): Row[] {
  // Bare arrays, named here: half the time of rows that the driver names, and a search brings thousands.
  const statement = library.database.prepare<unknown[], Cell[]>(sql).raw();
  const names = statement.columns().map((column) => column.name);
  return statement.all(...values).map((cells) => {
    const named: Record<string, Cell> = {};
    for (let i = 0; i < names.length; i++) named[names[i]!] = cells[i]!;
    return named;
  });
}

export const row = (library: Library, sql: string, ...values: unknown[]): Row | undefined =>
  library.database.prepare<unknown[], Row>(sql).get(...values);

export const run = (library: Library, sql: string, ...values: unknown[]) =>
  library.database.prepare<unknown[]>(sql).run(...values);

/** Takes fields that are null or undefined out: unknown is absent. */
export function present<T extends object>(record: T): Present<T> {
  const out: Record<string, unknown> = {};
  // A plain loop: search makes thousands of these.
  for (const key in record) {
    const value: unknown = record[key];
    if (value !== null && value !== undefined && !Object.is(value, Number.NaN)) out[key] = value;
  }
  return out as Present<T>;
}

type Known<V> = Exclude<V, null | undefined>;
type MayMiss<T> = { [K in keyof T]: null extends T[K] ? K : undefined extends T[K] ? K : never }[keyof T];
/** `T` with every nullable field made optional. */
export type Present<T> = { [K in Exclude<keyof T, MayMiss<T>>]: T[K] } & {
  [K in MayMiss<T>]?: Known<T[K]>;
};

export const text = (cell: Cell | undefined): string | undefined =>
  typeof cell === 'string' ? cell : undefined;
export const number = (cell: Cell | undefined): number | undefined =>
  typeof cell === 'number' ? cell : undefined;
export const json = <T>(cell: Cell | undefined): T | undefined =>
  typeof cell === 'string' ? (JSON.parse(cell) as T) : undefined;
export const hex = (cell: Cell | undefined): string =>
  cell instanceof Uint8Array ? Buffer.from(cell).toString('hex') : '';

/** A number for a column: finite, or null. */
export const real = (value: number | null | undefined): number | null =>
  value === undefined || value === null || !Number.isFinite(value) ? null : value;

export const jsonOrNull = (value: unknown): string | null =>
  value === undefined || (Array.isArray(value) && value.length === 0) ? null : JSON.stringify(value);

/** `?, ?, ?` for n values. */
export const marks = (n: number): string => Array.from({ length: n }, () => '?').join(', ');

/** Writes one row, replacing what has the same key. */
export function upsert(library: Library, table: string, key: readonly string[], record: object): void {
  const columns = Object.keys(record);
  const rest = columns.filter((column) => !key.includes(column));
  const update =
    rest.length === 0 ? 'NOTHING' : `UPDATE SET ${rest.map((c) => `${c} = excluded.${c}`).join(', ')}`;
  run(
    library,
    `INSERT INTO ${table} (${columns.join(', ')}) VALUES (${marks(columns.length)}) ON CONFLICT (${key.join(', ')}) DO ${update}`,
    ...Object.values(record),
  );
}
