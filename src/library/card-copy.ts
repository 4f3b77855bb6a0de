import { createHash } from 'node:crypto';
import { dirname, join } from 'node:path';
import { StorageError, throwIfCancelled } from '../core/index.js';
import type { CardFile } from './card-scan.js';
import type { FileSystem, OpenFile } from './file-system.js';
import { storageError } from './system-errors.js';

/** Bytes moved at a time. */
const CHUNK = 4 * 1024 * 1024;
/** Bytes at either end that tell two files apart quickly. */
const EDGE = 64 * 1024;
/** Pauses before a failed read of the card is tried again, ms. */
const RETRY_PAUSES = [50, 200, 800];

/** Hashes of what was read. */
export interface ReadFacts {
  /** SHA-256 of all bytes (FIPS 180-4), 32 bytes. */
  readonly sha256: Buffer;
  /** First 12 bytes of the SHA-256 of size, first and last 64 kB. */
  readonly edge: Buffer;
  readonly size: number;
  readonly allZero: boolean;
}

const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));

/** Errors that come back when a card is pulled rather than when one file is bad. */
const isGone = (error: unknown): boolean =>
  ['ENOENT', 'ENODEV', 'ENXIO', 'ENOTDIR', 'ESTALE', 'ENOTCONN'].includes(
    (error as { code?: string })?.code ?? '',
  );

/** One read of a card, tried again after a pause; the last error is passed on. */
async function readAgain<T>(read: () => Promise<T>): Promise<T> {
  for (let attempt = 0; ; attempt++) {
    try {
      return await read();
    } catch (error) {
      if (attempt >= RETRY_PAUSES.length || isGone(error)) throw error;
      await pause(RETRY_PAUSES[attempt]!);
    }
  }
}

/** Wraps a failure to read the source so that it is never mistaken for a failure to write. */
export class SourceError extends Error {
  readonly gone: boolean;
  constructor(cause: unknown) {
    super(cause instanceof Error ? cause.message : String(cause), { cause });
    this.gone = isGone(cause);
  }
}

/** The quick identity of a file: see `ReadFacts.edge`. */
export async function readEdge(fileSystem: FileSystem, file: CardFile): Promise<Buffer> {
  try {
    const handle = await readAgain(() => fileSystem.openRead(file.path));
    try {
      const head = Buffer.alloc(Math.min(EDGE, file.size));
      await readAgain(() => readFully(handle, head, 0));
      const tail = Buffer.alloc(Math.min(EDGE, file.size));
      await readAgain(() => readFully(handle, tail, file.size - tail.length));
      return edgeOf(file.size, head, tail);
    } finally {
      await handle.close();
    }
  } catch (error) {
    throw new SourceError(error);
  }
}

const edgeOf = (size: number, head: Uint8Array, tail: Uint8Array): Buffer =>
  createHash('sha256').update(`${size}\n`).update(head).update(tail).digest().subarray(0, 12);

async function readFully(handle: OpenFile, buffer: Buffer, position: number): Promise<void> {
  for (let done = 0; done < buffer.length; ) {
    const count = await handle.read(buffer.subarray(done), buffer.length - done, position + done);
    if (count === 0) throw new Error('the file ended early');
    done += count;
  }
}

/**
 * Reads a file from end to end and hands each piece to `take`; the next piece is fetched meanwhile. Reads
 * of the source are retried.
 *
 * @throws {SourceError} the source cannot be read or changes its size meanwhile
 */
async function readThrough(
  fileSystem: FileSystem,
  path: string,
  options: {
    readonly signal?: AbortSignal | undefined;
    readonly take: (piece: Buffer, position: number) => Promise<void> | void;
  },
): Promise<ReadFacts> {
  const hash = createHash('sha256');
  let handle: OpenFile;
  let expected: number;
  try {
    handle = await readAgain(() => fileSystem.openRead(path));
  } catch (error) {
    throw new SourceError(error);
  }
  try {
    try {
      expected = (await handle.stat()).size;
    } catch (error) {
      throw new SourceError(error);
    }
    const buffers = [0, 1].map(() => Buffer.allocUnsafe(Math.max(1, Math.min(CHUNK, expected + 1))));
    const head = Buffer.alloc(Math.min(EDGE, expected));
    const tail = Buffer.alloc(Math.min(EDGE, expected));
    let position = 0;
    let anyNonZero = false;
    const fetch = (turn: number, at: number) => {
      const buffer = buffers[turn % 2]!;
      const count = readAgain(() => handle.read(buffer, buffer.length, at));
      count.catch(() => {}); // looked at below; keeps a failure during a slow write from being "unhandled"
      return count;
    };
    let next = fetch(0, 0);
    for (let turn = 0; ; turn++) {
      throwIfCancelled(options.signal);
      let count: number;
      try {
        count = await next;
      } catch (error) {
        throw new SourceError(error);
      }
      if (count === 0) break;
      const piece = buffers[turn % 2]!.subarray(0, count);
      const after = position + count;
      next = fetch(turn + 1, after);
      try {
        hash.update(piece);
        if (position < head.length) piece.copy(head, position);
        const tailStart = expected - tail.length;
        if (after > tailStart && position < expected) {
          piece.copy(tail, Math.max(0, position - tailStart), Math.max(0, tailStart - position));
        }
        anyNonZero ||= hasNonZero(piece);
        await options.take(piece, position);
      } catch (error) {
        await next.catch(() => {});
        throw error;
      }
      position = after;
    }
    if (position !== expected) {
      throw new SourceError(
        new Error(`its size is given as ${expected} bytes but ${position} could be read`),
      );
    }
    return {
      sha256: hash.digest(),
      edge: edgeOf(expected, head, tail),
      size: expected,
      allZero: expected > 0 && !anyNonZero,
    };
  } finally {
    await handle.close();
  }
}

function hasNonZero(piece: Buffer): boolean {
  // Sound files show a non-zero byte at once; only suspicious ones are walked through.
  if (piece[0] !== 0) return true;
  for (let i = 1; i < piece.length; i++) if (piece[i] !== 0) return true;
  return false;
}

/**
 * SHA-256 of a whole file, read once.
 *
 * @throws {SourceError}
 */
export const hashFile = (fileSystem: FileSystem, path: string, signal?: AbortSignal): Promise<ReadFacts> =>
  readThrough(fileSystem, path, { signal, take: () => {} });

/**
 * Copies a file to a new temporary name: streams, hashes, makes the bytes durable, then reads the copy back
 * through a new handle and compares (L36, L37, L38). On any failure the temporary file is taken away.
 *
 * The read-back proves that the system gives back what was written; it may be answered from memory, so it
 * does not prove the platters.
 *
 * @throws {SourceError} the source cannot be read
 * @throws {StorageError} DISK_FULL, NOT_WRITABLE, COPY_MISMATCH
 * @throws {Cancelled}
 */
export async function copyVerified(
  fileSystem: FileSystem,
  source: string,
  temporary: string,
  options: {
    readonly signal?: AbortSignal | undefined;
    readonly onBytes?: ((bytes: number) => void) | undefined;
  } = {},
): Promise<ReadFacts> {
  let target: OpenFile;
  try {
    target = await fileSystem.openNew(temporary);
  } catch (error) {
    throw storageError(error, temporary, 'write to the library');
  }
  let open = true;
  try {
    const facts = await readThrough(fileSystem, source, {
      signal: options.signal,
      async take(piece, position) {
        try {
          await target.write(piece, piece.length, position);
        } catch (error) {
          throw storageError(error, temporary, 'write to the library');
        }
        options.onBytes?.(piece.length);
      },
    });
    try {
      await target.sync();
      open = false;
      await target.close();
    } catch (error) {
      throw storageError(error, temporary, 'write to the library');
    }
    let back: ReadFacts;
    try {
      back = await hashFile(fileSystem, temporary, options.signal);
    } catch (error) {
      throw error instanceof SourceError ? storageError(error.cause, temporary, 'read the copy back') : error;
    }
    if (back.size !== facts.size || !back.sha256.equals(facts.sha256)) {
      throw new StorageError(
        'COPY_MISMATCH',
        `Expected the copy of ${source} to read back as it was written but it differs; the disk or its cable is failing, keep the card and try another disk.`,
        { path: temporary },
      );
    }
    return facts;
  } catch (error) {
    if (open) await target.close().catch(() => {});
    await fileSystem.remove(temporary).catch(() => {});
    throw error;
  }
}

/** Renames into place and makes both folders durable. */
export async function moveDurably(fileSystem: FileSystem, from: string, to: string): Promise<void> {
  try {
    await fileSystem.makeFolder(dirname(to));
    await fileSystem.rename(from, to);
    await fileSystem.syncFolder(dirname(to));
    if (dirname(from) !== dirname(to)) await fileSystem.syncFolder(dirname(from));
  } catch (error) {
    throw storageError(error, to, 'move a file inside the library');
  }
}

/** The temporary name of the n-th file under way; everything that ends so may be deleted by the lock's holder. */
export const temporaryName = (folder: string, n: number): string => join(folder, `${n}.part`);
