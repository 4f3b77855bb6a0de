import { constants } from 'node:fs';
import * as fs from 'node:fs/promises';

/** An open file of a `FileSystem`. Offsets and counts in bytes. */
export interface OpenFile {
  /** Reads up to `length` bytes at `position` into `buffer` from its start; returns the count, 0 at the end. */
  read(buffer: Uint8Array, length: number, position: number): Promise<number>;
  /** Writes all `length` bytes from the start of `buffer` at `position`; a short write is an error. */
  write(buffer: Uint8Array, length: number, position: number): Promise<void>;
  sync(): Promise<void>;
  stat(): Promise<FileFacts>;
  close(): Promise<void>;
}

/** What the file system says of an entry; links are described themselves, never followed. */
export interface FileFacts {
  readonly kind: 'file' | 'folder' | 'link' | 'other';
  readonly size: number;
  readonly modifiedMs: number;
}

/** The little of a file system that the library needs, so that tests can make any step of it fail. */
export interface FileSystem {
  list(folder: string): Promise<readonly { readonly name: string; readonly kind: FileFacts['kind'] }[]>;
  facts(path: string): Promise<FileFacts>;
  openRead(path: string): Promise<OpenFile>;
  /** Opens a new file for writing; fails with EEXIST when it is there. */
  openNew(path: string): Promise<OpenFile>;
  rename(from: string, to: string): Promise<void>;
  remove(path: string): Promise<void>;
  makeFolder(path: string): Promise<void>;
  removeEmptyFolder(path: string): Promise<void>;
  /** Makes the entries of a folder durable; does nothing where a system cannot (Windows). */
  syncFolder(path: string): Promise<void>;
  setTimes(path: string, modifiedMs: number): Promise<void>;
  /** Bytes that this user may still write below `folder`. */
  freeSpace(folder: string): Promise<number>;
}

function kindOf(entry: {
  isFile(): boolean;
  isDirectory(): boolean;
  isSymbolicLink(): boolean;
}): FileFacts['kind'] {
  if (entry.isSymbolicLink()) return 'link';
  if (entry.isFile()) return 'file';
  return entry.isDirectory() ? 'folder' : 'other';
}

function openFile(handle: fs.FileHandle): OpenFile {
  return {
    async read(buffer, length, position) {
      return (await handle.read(buffer, 0, length, position)).bytesRead;
    },
    async write(buffer, length, position) {
      let done = 0;
      while (done < length) {
        const { bytesWritten } = await handle.write(buffer, done, length - done, position + done);
        // Some systems answer 0 instead of an error when nothing more fits (L36, L37).
        if (bytesWritten === 0) {
          throw Object.assign(new Error('the system wrote no bytes'), { code: 'ENOSPC' });
        }
        done += bytesWritten;
      }
    },
    sync: () => handle.sync(),
    async stat() {
      const facts = await handle.stat();
      return { kind: kindOf(facts), size: facts.size, modifiedMs: facts.mtimeMs };
    },
    close: () => handle.close(),
  };
}

/** The computer's own file system. */
export const nodeFileSystem: FileSystem = {
  async list(folder) {
    const entries = await fs.readdir(folder, { withFileTypes: true });
    return entries.map((entry) => ({ name: entry.name, kind: kindOf(entry) }));
  },
  async facts(path) {
    const facts = await fs.lstat(path);
    return { kind: kindOf(facts), size: facts.size, modifiedMs: facts.mtimeMs };
  },
  // O_NOFOLLOW: an entry swapped for a link between listing and opening is refused.
  openRead: async (path) =>
    openFile(
      await fs.open(path, constants.O_RDONLY | (constants.O_NOFOLLOW ?? 0) | (constants.O_NONBLOCK ?? 0)),
    ),
  openNew: async (path) => openFile(await fs.open(path, 'wx')),
  rename: (from, to) => fs.rename(from, to),
  remove: (path) => fs.unlink(path),
  async makeFolder(path) {
    await fs.mkdir(path, { recursive: true });
  },
  removeEmptyFolder: (path) => fs.rmdir(path),
  async syncFolder(path) {
    if (process.platform === 'win32') return;
    const handle = await fs.open(path, 'r');
    try {
      await handle.sync();
    } finally {
      await handle.close();
    }
  },
  async setTimes(path, modifiedMs) {
    const when = new Date(modifiedMs);
    await fs.utimes(path, when, when);
  },
  async freeSpace(folder) {
    const facts = await fs.statfs(folder);
    return facts.bavail * facts.bsize;
  },
};
