import { createWriteStream } from 'node:fs';
import { mkdir, rename, rm } from 'node:fs/promises';
import { join, resolve } from 'node:path';
import { Readable } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { throwIfCancelled } from '../core/index.js';
import {
  type CatalogueTable,
  catalogueTables,
  csvLine,
  findSession,
  jsonLine,
  openLibrary,
  sessions,
} from '../library/index.js';
import type { WorkflowContext } from './context.js';

/** Formats of the exported tables. */
export const CATALOGUE_FORMATS = ['csv', 'jsonl'] as const;
export type CatalogueFormat = (typeof CATALOGUE_FORMATS)[number];

/** What was written. */
export interface ExportedCatalogue {
  readonly folder: string;
  readonly format: CatalogueFormat;
  readonly tables: readonly { readonly name: string; readonly file: string; readonly rows: number }[];
  /** What every column means, as a file of its own beside the tables. */
  readonly columns: string;
}

/**
 * Writes sessions, runs and frames of the library, or of one night, as CSV or JSON Lines, and beside them what
 * each column means. Files are whole or not there.
 *
 * @param wanted a session; every night when absent
 * @param to folder; default `export` in the library
 * @throws {InputError} UNKNOWN_ID
 * @throws {StorageError | Cancelled}
 */
export async function exportCatalogue(
  context: WorkflowContext,
  options: {
    readonly format: CatalogueFormat;
    readonly wanted?: string | undefined;
    readonly to?: string | undefined;
  },
): Promise<ExportedCatalogue> {
  const { format, wanted } = options;
  const library = openLibrary(context.libraryDir, { mode: 'read', oneMoment: true });
  try {
    const chosen = wanted === undefined ? sessions(library).reverse() : [findSession(library, wanted)];
    const folder = resolve(options.to ?? join(library.dir, 'export'));
    await mkdir(folder, { recursive: true });
    const tables = catalogueTables(library, chosen);
    const written: ExportedCatalogue['tables'][number][] = [];
    for (const table of tables) {
      const file = join(folder, `${table.name}.${format}`);
      written.push({ name: table.name, file, rows: await writeTable(context, file, { table, format }) });
    }
    const columns = join(folder, 'columns.csv');
    await writeLines(columns, columnLines(tables));
    return { folder, format, tables: written, columns };
  } finally {
    library.close();
  }
}

async function writeTable(
  context: WorkflowContext,
  file: string,
  { table, format }: { readonly table: CatalogueTable; readonly format: CatalogueFormat },
): Promise<number> {
  const names = table.columns.map(({ name }) => name);
  let count = 0;
  function* lines(): Generator<string> {
    if (format === 'csv') yield csvLine(names);
    for (const fields of table.rows()) {
      throwIfCancelled(context.signal);
      yield format === 'csv' ? csvLine(fields) : jsonLine(names, fields);
      if (++count % 500 === 0)
        context.progress({ task: `writing ${table.name}`, done: count, unit: 'frames' });
    }
  }
  await writeLines(file, lines());
  return count;
}

function* columnLines(tables: readonly CatalogueTable[]): Generator<string> {
  yield csvLine(['table', 'column', 'unit', 'meaning']);
  for (const { name: table, columns } of tables)
    for (const { name, unit, meaning } of columns) yield csvLine([table, name, unit, meaning]);
}

/** Streams lines to a file that appears only when it is whole. */
async function writeLines(file: string, lines: Iterable<string>): Promise<void> {
  const part = `${file}.part`;
  try {
    await pipeline(Readable.from(lines, { objectMode: true }), createWriteStream(part));
    await rename(part, file);
  } catch (error) {
    await rm(part, { force: true });
    throw error;
  }
}
