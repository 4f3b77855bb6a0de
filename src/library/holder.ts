import { mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { hostname } from 'node:os';
import { join } from 'node:path';
import Sqlite from 'better-sqlite3';
import { StorageError, throwIfCancelled } from '../core/index.js';
import type { Library } from './library.js';
import { storageError, systemCode } from './system-errors.js';

/** Options of `holdLibrary`. */
export interface HoldOptions {
  /** What this program is about to do, for whoever has to wait: `importing a card`. */
  readonly task: string;
  readonly signal?: AbortSignal | undefined;
  /** How long to wait for another holder, ms; default 2 min. */
  readonly timeoutMs?: number;
  /** Told once when there is someone to wait for. */
  readonly onWait?: (holder: string) => void;
}

/**
 * Makes this program the only one that brings files into the library, until released. The lock is one of
 * the operating system's on a small file, so it ends with the process however that ends.
 *
 * @returns releases the lock
 * @throws {StorageError} CATALOGUE_BUSY, naming the holder, when the wait was in vain
 * @throws {Cancelled}
 */
export async function holdLibrary(library: Library, options: HoldOptions): Promise<() => void> {
  const folder = join(library.dir, '.lock');
  const card = join(folder, 'holder.json');
  const until = performance.now() + (options.timeoutMs ?? 120_000);
  try {
    mkdirSync(folder, { recursive: true });
  } catch (error) {
    throw storageError(error, folder, 'write to the library');
  }
  for (let told = false; ; ) {
    throwIfCancelled(options.signal);
    const lock = new Sqlite(join(folder, 'lock.sqlite'), { timeout: 0 });
    try {
      lock.pragma('journal_mode = DELETE');
      lock.exec('BEGIN EXCLUSIVE');
      writeFileSync(card, JSON.stringify({ process: process.pid, computer: hostname(), task: options.task }));
      return () => {
        if (!lock.open) return;
        rmSync(card, { force: true });
        lock.close();
      };
    } catch (error) {
      lock.close();
      if (!systemCode(error).startsWith('SQLITE_BUSY')) throw storageError(error, folder, 'lock the library');
      const holder = holderOf(card);
      if (performance.now() > until) {
        throw new StorageError(
          'CATALOGUE_BUSY',
          `Expected to be the only one working on ${library.dir} but ${holder}; wait for it to finish and run the same command again.`,
          { path: library.dir },
        );
      }
      if (!told) options.onWait?.(holder);
      told = true;
      await new Promise((done) => setTimeout(done, 250));
    }
  }
}

function holderOf(card: string): string {
  try {
    const said = JSON.parse(readFileSync(card, 'utf8')) as {
      process: number;
      computer: string;
      task: string;
    };
    return `process ${said.process} on ${said.computer} is ${said.task}`;
  } catch {
    // Between taking the lock and writing the card there is a moment without one.
    return 'another program is at work on it';
  }
}
