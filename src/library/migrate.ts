import { existsSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';
import type { Database } from 'better-sqlite3';
import { StorageError } from '../core/index.js';
import { APPLICATION_ID, MIGRATIONS } from './_schema.js';
import { LAYOUT } from './paths.js';

/** The version of the schema that this program writes. */
export const SCHEMA_VERSION = MIGRATIONS.length;

/** The schema version of an open catalogue, 0 for a new file. */
export const schemaVersion = (database: Database): number =>
  database.pragma('user_version', { simple: true }) as number;

/**
 * Brings a catalogue to the newest schema, each step in one transaction. An existing catalogue is copied
 * whole (`VACUUM INTO`, L42) to the folder `backups` first.
 *
 * @param migrations the steps; the released ones unless a test hands in others
 * @returns the backup's path, or undefined when none was needed
 * @throws {StorageError} CATALOGUE_NEWER when a newer program wrote it
 */
export function migrate(
  database: Database,
  dir: string,
  migrations: readonly string[] = MIGRATIONS,
): string | undefined {
  const before = schemaVersion(database);
  if (before > migrations.length) {
    throw new StorageError(
      'CATALOGUE_NEWER',
      `Expected a catalogue of schema ${migrations.length} or older but ${database.name} has schema ${before}; use the newer version of this program that wrote it.`,
      { path: database.name, details: { found: before, known: migrations.length } },
    );
  }
  if (before === migrations.length) return undefined;
  let backup: string | undefined;
  if (before > 0 && !database.memory) {
    const folder = join(dir, LAYOUT.backups);
    mkdirSync(folder, { recursive: true });
    for (let n = 1; backup === undefined || existsSync(backup); n++) {
      backup = join(folder, `catalogue-schema-${before}${n === 1 ? '' : `-${n}`}.sqlite`);
    }
    database.prepare('VACUUM INTO ?').run(backup);
  }
  for (let version = before + 1; version <= migrations.length; version++) {
    database
      .transaction(() => {
        // Another process may have been faster between the look and the lock.
        if (schemaVersion(database) >= version) return;
        database.exec(migrations[version - 1]!);
        database.pragma(`user_version = ${version}`);
        database.pragma(`application_id = ${APPLICATION_ID}`);
      })
      .immediate();
  }
  return backup;
}
