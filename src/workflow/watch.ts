import { createHash } from 'node:crypto';
import { join, resolve } from 'node:path';
import { watch as watchFolders } from 'chokidar';
import { Cancelled, type PlainError, toPlainError } from '../core/index.js';
import { isFrameName } from '../frames/index.js';
import { type FileSystem, nodeFileSystem, scanCard } from '../library/index.js';
import type { WorkflowContext } from './context.js';

/** Options of `watch`. */
export interface WatchOptions {
  /** Cards themselves, or folders under which cards appear; the system's usual mount folders when empty. */
  readonly folders?: readonly string[] | undefined;
  /** Ends after the first card that was worked on. */
  readonly once?: boolean | undefined;
  /** Time between looks, ms; default 3 s. Looks need no events, which some card file systems never send (L34). */
  readonly intervalMs?: number | undefined;
  /** How long all sizes and times must stay the same before a card is read, ms; default 8 s. */
  readonly steadyMs?: number | undefined;
  readonly fileSystem?: FileSystem | undefined;
}

/** One card that was worked on. */
export interface WatchRun {
  readonly card: string;
  readonly error?: PlainError;
  /** True when something is still on the card only, as after it was pulled half-way. */
  readonly again?: true;
}

/** What `watch` did until it was stopped. */
export interface WatchResult {
  readonly runs: readonly WatchRun[];
  readonly folders: readonly string[];
}

/**
 * What is to be done with a card, normally the whole night. `again` asks for another go once the card is put in
 * again or changes, since it did not come over in full.
 */
export type CardHandler = (card: string) => Promise<{ readonly again?: boolean }>;

/** Folders under which the system shows cards. */
export function mountFolders(): string[] {
  switch (process.platform) {
    case 'darwin':
      return ['/Volumes'];
    case 'win32':
      return Array.from('DEFGHIJKLMNOPQRSTUVWXYZ', (letter) => `${letter}:\\`);
    default: {
      const user = process.env.USER ?? String(process.getuid?.() ?? '');
      return [`/media/${user}`, `/run/media/${user}`, '/media', '/mnt'];
    }
  }
}

interface Seen {
  /** Hash of names, sizes and times. */
  readonly state: string;
  /** Since when the state is the same, ms of a steady clock, and how many looks agreed. */
  readonly since: number;
  readonly looks: number;
}

/**
 * Waits for cards and hands each to `handler` once nothing on it changes any more; goes on waiting after a
 * card was pulled half-way or the handler failed. A card that comes back unchanged is left alone.
 *
 * Completeness is never taken from a watcher's events (L33): they only hasten the next look. Only the
 * folders themselves are watched, shallowly (L35).
 *
 * @returns when stopped by the context's signal, or after the first card with `once`
 */
export async function watch(
  context: WorkflowContext,
  options: WatchOptions,
  handler: CardHandler,
): Promise<WatchResult> {
  const fileSystem = options.fileSystem ?? nodeFileSystem;
  const interval = options.intervalMs ?? 3000;
  const steady = options.steadyMs ?? 8000;
  const given = options.folders !== undefined && options.folders.length > 0;
  const folders = (given ? options.folders! : mountFolders()).map((folder) => resolve(folder));
  const seen = new Map<string, Seen>();
  const done = new Map<string, string>();
  const runs: WatchRun[] = [];
  const bell = makeBell();
  const watcher = watchFolders(folders, {
    depth: 1,
    ignoreInitial: true,
    followSymlinks: false,
    ignorePermissionErrors: true,
  });
  watcher.on('all', bell.ring);
  // A watcher that fails is no loss: the timer looks anyway.
  watcher.on('error', () => {});
  const onAbort = () => bell.ring();
  context.signal?.addEventListener('abort', onAbort);
  try {
    while (!context.signal?.aborted) {
      const cards = await findCards(fileSystem, folders, given);
      for (const card of [...seen.keys()]) if (!cards.includes(card)) seen.delete(card);
      context.progress({
        task: 'waiting for a card',
        done: runs.length,
        note: cards.length === 0 ? folders.join(', ') : cards.join(', '),
      });
      for (const card of cards) {
        if (context.signal?.aborted) break;
        const state = await stateOf(fileSystem, card);
        if (state === undefined || done.get(card) === state) continue;
        const before = seen.get(card);
        const now = performance.now();
        const same = before?.state === state ? before : { state, since: now, looks: 0 };
        seen.set(card, { ...same, looks: same.looks + 1 });
        if (same.looks < 1 || now - same.since < steady) continue;
        const run = await runOn(card, handler);
        if (run === 'stopped') break;
        runs.push(run);
        seen.delete(card);
        // A failed card is tried again only once something on it changed, or it was put in again.
        if (!isUnfinished(run) || (await stateOf(fileSystem, card)) === state) done.set(card, state);
        if (options.once) return { runs, folders };
      }
      for (const card of done.keys()) {
        // Pulled after a failure: putting it back is a new try. Pulled after success: its content is remembered.
        const last = runs.findLast((run) => run.card === card);
        if (last && isUnfinished(last) && !cards.includes(card)) done.delete(card);
      }
      await bell.wait(interval);
    }
    return { runs, folders };
  } finally {
    context.signal?.removeEventListener('abort', onAbort);
    await watcher.close();
  }
}

const isUnfinished = ({ error, again }: WatchRun): boolean => error !== undefined || again === true;

async function runOn(card: string, handler: CardHandler): Promise<WatchRun | 'stopped'> {
  try {
    const { again } = await handler(card);
    return again ? { card, again } : { card };
  } catch (error) {
    return error instanceof Cancelled ? 'stopped' : { card, error: toPlainError(error) };
  }
}

/** A sleep that can be cut short. */
function makeBell() {
  let wake: (() => void) | undefined;
  let rung = false;
  return {
    ring: () => {
      rung = true;
      wake?.();
    },
    async wait(ms: number): Promise<void> {
      if (!rung) {
        await new Promise<void>((finish) => {
          const timer = setTimeout(finish, ms);
          wake = () => {
            clearTimeout(timer);
            finish();
          };
        });
      } else {
        // Events come in showers while a card is written to: never look more often than this.
        await new Promise((finish) => setTimeout(finish, Math.min(ms, 250)));
      }
      rung = false;
      wake = undefined;
    },
  };
}

/** Cards among the folders: those with DCIM themselves or one level below; a folder given may hold frames directly. */
async function findCards(
  fileSystem: FileSystem,
  folders: readonly string[],
  given: boolean,
): Promise<string[]> {
  const cards = new Set<string>();
  for (const folder of folders) {
    const entries = await listOrNothing(fileSystem, folder);
    if (
      hasDcim(entries) ||
      (given && entries.some(({ kind, name }) => kind === 'file' && isFrameName(name)))
    ) {
      cards.add(folder);
      continue;
    }
    for (const { name, kind } of entries) {
      if (kind === 'folder' && hasDcim(await listOrNothing(fileSystem, join(folder, name))))
        cards.add(join(folder, name));
    }
  }
  return [...cards].sort();
}

type Entries = Awaited<ReturnType<FileSystem['list']>>;

const hasDcim = (entries: Entries): boolean =>
  entries.some(({ kind, name }) => kind === 'folder' && /^dcim$/i.test(name));

/** A folder that is not there, or not ours to read, holds no card for us. */
const listOrNothing = (fileSystem: FileSystem, folder: string): Promise<Entries> =>
  fileSystem.list(folder).catch(() => []);

/** Hash of what lies on a card; undefined while it holds no frames or cannot be read. */
async function stateOf(fileSystem: FileSystem, card: string): Promise<string | undefined> {
  try {
    const content = await scanCard(fileSystem, card, isFrameName);
    if (content.frames.length === 0) return undefined;
    const hash = createHash('sha256');
    for (const { cardPath, size, modifiedMs } of [
      ...content.frames,
      ...content.attachments,
      ...content.others,
    ]) {
      hash.update(`${cardPath}\n${size} ${modifiedMs}\n`);
    }
    return hash.digest('hex');
  } catch {
    return undefined; // pulled while it was looked at: the next look will say
  }
}
