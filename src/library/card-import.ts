import { extname, join } from 'node:path';
import {
  NightcairnError,
  type PlainError,
  type Progress,
  StorageError,
  throwIfCancelled,
  toPlainError,
} from '../core/index.js';
import { number, row, rows, run, text } from './_rows.js';
import {
  copyVerified,
  hashFile,
  moveDurably,
  type NameBook,
  nameBook,
  type ReadFacts,
  readEdge,
  SourceError,
  temporaryName,
} from './card-copy.js';
import type { CardContent, CardFile } from './card-scan.js';
import { inTransaction, type Library } from './library.js';
import { insideLibrary, LAYOUT, nameKey, safeName } from './paths.js';
import type { FileFailure } from './records.js';
import { isMissing, storageError } from './system-errors.js';

/** A file that could not be copied, or was copied faithfully but is damaged at the source. */
export interface FailedFile {
  /** Path on the card, absolute. */
  readonly file: string;
  readonly copied: boolean;
  readonly code: string;
  readonly message: string;
}

/** What a second directory received. */
export interface SecondReport {
  readonly directory: string;
  readonly copied: number;
  readonly alreadyThere: number;
  readonly failed: readonly FailedFile[];
}

/** What `copyCard` did. Frames only, but for `attachments`. */
export interface CopyReport {
  /** Frame files on the card: `copied + alreadyInLibrary + (failed with copied false)`. */
  readonly found: number;
  readonly copied: number;
  readonly alreadyInLibrary: number;
  readonly failed: readonly FailedFile[];
  /** Attachments copied or already there. */
  readonly attachments: number;
  readonly bytesCopied: number;
  /** Catalogue ids of every file of the card that the library holds now. */
  readonly fileIds: readonly number[];
  readonly second?: SecondReport;
}

/** Options of `copyCard`. */
export interface CopyOptions {
  readonly card: string;
  readonly content: CardContent;
  /** Folder for a second verified copy. */
  readonly second?: string | undefined;
  readonly progress: Progress;
  readonly signal?: AbortSignal | undefined;
}

/** Room that must remain beyond the files themselves: catalogue, quick looks, and some air, bytes. */
const MARGIN = 64 * 1024 * 1024;

/**
 * Brings every frame and attachment of a card into the library's `incoming` folder, each verified and in
 * one transaction of its own; what the library already holds is recognised and not copied. The caller
 * holds the library (`holdLibrary`).
 *
 * @throws {StorageError} DISK_FULL, NOT_WRITABLE, COPY_MISMATCH: what was copied so far stays, run again
 * @throws {Cancelled}
 */
export async function copyCard(library: Library, options: CopyOptions): Promise<CopyReport> {
  const { fileSystem } = library;
  const incoming = join(library.dir, LAYOUT.incoming);
  await clearTemporary(library, incoming);
  const wanted = [
    ...options.content.frames.map((file) => ({ file, kind: 'frame' as const })),
    ...options.content.attachments.map((file) => ({ file, kind: 'attachment' as const })),
  ];
  const known = await recogniseAll(
    library,
    wanted.map(({ file }) => file),
    options,
  );
  await assertRoom(
    library,
    incoming,
    wanted.reduce((sum, { file }) => sum + (known.has(file) ? 0 : file.size), 0),
  );

  const failed: FailedFile[] = [];
  const fileIds: number[] = [];
  const count = { copied: 0, already: 0, attachments: 0, bytes: 0, verified: 0 };
  const total = wanted.reduce((sum, { file }) => sum + file.size, 0);
  let passed = 0;
  const tell = (extra = 0) =>
    options.progress({
      task: 'copying',
      done: passed + extra,
      total,
      unit: 'bytes',
      note: `${count.verified} of ${wanted.length} files verified`,
    });
  const secondary = options.second === undefined ? undefined : await openSecond(library, options.second);
  let cardLost = false;
  for (const [n, { file, kind }] of wanted.entries()) {
    throwIfCancelled(options.signal);
    tell();
    try {
      if (cardLost) throw new SourceError(Object.assign(new Error('the card is gone'), { code: 'ENODEV' }));
      let got = known.get(file);
      if (got === undefined) {
        let under = 0;
        const arrived = await bring(library, {
          file,
          kind,
          temporary: temporaryName(incoming, n),
          signal: options.signal,
          onBytes: (bytes) => {
            under += bytes;
            tell(under);
          },
        });
        got = arrived.id;
        if (arrived.isNew) {
          count.bytes += file.size;
          if (kind === 'frame') count.copied++;
        } else if (kind === 'frame') count.already++;
      } else if (kind === 'frame') count.already++;
      if (kind === 'attachment') count.attachments++;
      fileIds.push(got);
      count.verified++;
      const failure = failureOf(library, got);
      if (failure) failed.push({ file: file.path, copied: true, ...failure });
      if (secondary) await secondary.bring(got, file, options.signal);
    } catch (error) {
      if (!(error instanceof SourceError)) throw error;
      cardLost ||= error.gone && (await isAway(library, options.card));
      failed.push({ file: file.path, copied: false, ...sourceFailure(error, file, cardLost) });
    }
    passed += file.size;
  }
  tell();
  return {
    found: options.content.frames.length,
    copied: count.copied,
    alreadyInLibrary: count.already,
    failed,
    attachments: count.attachments,
    bytesCopied: count.bytes,
    fileIds,
    ...(secondary ? { second: secondary.report() } : {}),
  };

  async function isAway(of: Library, card: string): Promise<boolean> {
    try {
      await of.fileSystem.list(card);
      return options.content.frames.length > 0 && !(await anyLeft(of, options.content));
    } catch {
      return true; // nothing can be listed where the card was: that is the answer, not a failure
    }
  }

  async function anyLeft(of: Library, content: CardContent): Promise<boolean> {
    for (const { path } of [...content.frames.slice(0, 1), ...content.frames.slice(-1)]) {
      try {
        await fileSystem.facts(path);
        return true;
      } catch (error) {
        if (!isMissing(error)) throw storageError(error, of.dir, 'look at the card');
      }
    }
    return false;
  }
}

function sourceFailure(error: SourceError, file: CardFile, cardLost: boolean): FileFailure {
  return cardLost
    ? {
        code: 'CARD_LOST',
        message: `Expected ${file.cardPath} on the card but the card is gone; put it back and run the same command again.`,
      }
    : {
        code: 'NOT_READABLE',
        message: `Expected to read ${file.cardPath} on the card but after ${4} tries the system reports: ${error.message}; try another reader or port and run the same command again.`,
      };
}

const failureOf = (library: Library, fileId: number): FileFailure | undefined => {
  const said = text(row(library, 'SELECT failure FROM files WHERE id = ?', fileId)?.failure);
  return said === undefined ? undefined : (JSON.parse(said) as FileFailure);
};

/** Marks a file as copied faithfully but unusable, or (undefined) as sound. */
export function setFailure(
  library: Library,
  fileId: number,
  failure: FileFailure | PlainError | undefined,
): void {
  inTransaction(library, () =>
    run(
      library,
      'UPDATE files SET failure = ? WHERE id = ?',
      failure === undefined ? null : JSON.stringify({ code: failure.code, message: failure.message }),
      fileId,
    ),
  );
}

/** Left by an import that was killed; the lock says that nobody writes them now. */
async function clearTemporary(library: Library, incoming: string): Promise<void> {
  const { fileSystem } = library;
  try {
    await fileSystem.makeFolder(incoming);
    for (const { name, kind } of await fileSystem.list(incoming)) {
      if (kind === 'file' && name.endsWith('.part')) await fileSystem.remove(join(incoming, name));
    }
  } catch (error) {
    throw storageError(error, incoming, 'write to the library');
  }
}

async function assertRoom(library: Library, folder: string, needed: number): Promise<void> {
  if (needed === 0) return;
  const free = await library.fileSystem.freeSpace(folder);
  if (needed + MARGIN > free) {
    const mb = (bytes: number) => `${Math.ceil(bytes / 1e6)} MB`;
    throw new StorageError(
      'DISK_FULL',
      `Expected ${mb(needed + MARGIN)} free for the new files of the card but ${library.dir} has ${mb(free)}; make space or choose another folder with --library. Nothing was copied.`,
      { path: library.dir, details: { needed: needed + MARGIN, free } },
    );
  }
}

/** True when the catalogue's file is there in its full size. */
async function isHere(library: Library, stored: string, size: number): Promise<boolean> {
  try {
    const facts = await library.fileSystem.facts(insideLibrary(library.dir, stored));
    return facts.kind === 'file' && facts.size === size;
  } catch (error) {
    if (isMissing(error)) return false;
    throw storageError(error, stored, 'look at the library');
  }
}

/**
 * Files of the card that the library holds already, with their catalogue ids. Same name, size, time, and
 * first and last 64 kB are enough; where only the bytes at the ends agree the whole file is hashed.
 */
async function recogniseAll(
  library: Library,
  files: readonly CardFile[],
  options: CopyOptions,
): Promise<Map<CardFile, number>> {
  const known = new Map<CardFile, number>();
  if (!row(library, 'SELECT 1 FROM files LIMIT 1')) return known;
  for (const [n, file] of files.entries()) {
    throwIfCancelled(options.signal);
    options.progress({ task: 'looking for files already here', done: n, total: files.length, unit: 'files' });
    try {
      const edge = await readEdge(library.fileSystem, file);
      const alike = rows(library, 'SELECT * FROM files WHERE edge = ?', edge);
      if (alike.length === 0) continue;
      let same = alike.filter(
        (cells) =>
          cells.size === file.size &&
          cells.modified_ms === file.modifiedMs &&
          cells.name === file.name &&
          cells.twin === '',
      );
      if (same.length !== 1) {
        const facts = await hashFile(library.fileSystem, file.path, options.signal);
        const twin = twinOf(facts, file);
        same = alike.filter(
          (cells) => facts.sha256.equals(cells.sha256 as Uint8Array) && cells.twin === twin,
        );
      }
      const found = same[0];
      if (found && (await isHere(library, currentPath(found), file.size))) known.set(file, number(found.id)!);
    } catch (error) {
      // Unreadable now: the copy will try again, and say so if it stays so.
      if (!(error instanceof SourceError)) throw error;
    }
  }
  return known;
}

const currentPath = (cells: ReturnType<typeof row> & object): string => text(cells.path)!;

/** Files without content of their own (empty, all zero) are told apart by name; all others by content alone. */
const twinOf = (facts: ReadFacts, file: CardFile): string =>
  facts.size === 0 || facts.allZero ? nameKey(file.cardPath) : '';

function contentFailure(facts: ReadFacts, file: CardFile): FileFailure | undefined {
  if (facts.size === 0) {
    return { code: 'EMPTY_FILE', message: `${file.cardPath} is empty on the card; it was copied as it is.` };
  }
  return facts.allZero
    ? {
        code: 'ALL_ZERO',
        message: `All bytes of ${file.cardPath} are zero on the card, as from a failing or counterfeit card; it was copied as it is.`,
      }
    : undefined;
}

/** Copies one file into `incoming` and enters it in the catalogue. */
async function bring(
  library: Library,
  job: {
    readonly file: CardFile;
    readonly kind: 'frame' | 'attachment';
    readonly temporary: string;
    readonly signal: AbortSignal | undefined;
    readonly onBytes: (bytes: number) => void;
  },
): Promise<{ readonly id: number; readonly isNew: boolean }> {
  const { fileSystem } = library;
  const { file } = job;
  const facts = await copyVerified(fileSystem, file.path, job.temporary, job);
  try {
    const twin = twinOf(facts, file);
    const known = row(library, 'SELECT * FROM files WHERE sha256 = ? AND twin = ?', facts.sha256, twin);
    if (known) {
      const id = number(known.id)!;
      const path = currentPath(known);
      if (await isHere(library, path, facts.size)) {
        await fileSystem.remove(job.temporary);
        return { id, isNew: false };
      }
      // The catalogue knows the content but its file is gone: put it back where it was.
      await moveDurably(fileSystem, job.temporary, insideLibrary(library.dir, path));
      return { id, isNew: true };
    }
    const extension = extname(safeName(file.name)).toLowerCase();
    const mark = twin === '' ? '' : `-${Buffer.from(twin).toString('hex').slice(-24)}`;
    const name = `${facts.sha256.toString('hex').slice(0, 24)}${mark}${extension}`;
    const path = `${LAYOUT.incoming}/${name}`;
    await moveDurably(fileSystem, job.temporary, insideLibrary(library.dir, path));
    const failure = contentFailure(facts, file);
    const id = inTransaction(library, () =>
      run(
        library,
        `INSERT INTO files (kind, path, sha256, twin, edge, size, name, card_path, modified_ms, failure)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
        job.kind,
        path,
        facts.sha256,
        twin,
        facts.edge,
        facts.size,
        file.name,
        file.cardPath,
        file.modifiedMs,
        failure ? JSON.stringify(failure) : null,
      ),
    ).lastInsertRowid;
    return { id: Number(id), isNew: true };
  } catch (error) {
    await fileSystem.remove(job.temporary).catch(() => {});
    throw error instanceof NightcairnError
      ? error
      : storageError(error, job.temporary, 'write to the library');
  }
}

/** The second directory: the card's own layout, files of other content under a suffix. */
async function openSecond(library: Library, directory: string) {
  const { fileSystem } = library;
  const report = { copied: 0, alreadyThere: 0, failed: [] as FailedFile[] };
  const books: NameBook = nameBook(fileSystem);
  try {
    await fileSystem.makeFolder(directory);
  } catch (error) {
    throw storageError(error, directory, 'make the second copy');
  }
  return {
    report: (): SecondReport => ({ directory, ...report }),
    async bring(fileId: number, file: CardFile, signal: AbortSignal | undefined): Promise<void> {
      const entry = row(library, 'SELECT path, sha256, size FROM files WHERE id = ?', fileId)!;
      const sha256 = Buffer.from(entry.sha256 as Uint8Array);
      const folder = join(directory, ...file.cardPath.split('/').slice(0, -1).map(safeName));
      try {
        const before = row(
          library,
          'SELECT path FROM second_copies WHERE file_id = ? AND root = ?',
          fileId,
          directory,
        );
        for (const place of [before ? String(before.path) : undefined, join(folder, safeName(file.name))]) {
          if (place !== undefined && (await holds(place, sha256, file.size, signal))) {
            report.alreadyThere++;
            remember(place);
            return;
          }
        }
        await fileSystem.makeFolder(folder);
        // Named by content, so that what a killed run left is found and replaced by the next.
        const temporary = join(folder, `.${sha256.toString('hex').slice(0, 16)}.part`);
        await fileSystem.remove(temporary).catch((error: unknown) => {
          if (!isMissing(error)) throw error;
        });
        const facts = await copyVerified(
          fileSystem,
          insideLibrary(library.dir, String(entry.path)),
          temporary,
          { signal },
        );
        if (!facts.sha256.equals(sha256)) {
          await fileSystem.remove(temporary);
          throw new StorageError(
            'COPY_MISMATCH',
            `Expected the library's copy of ${file.cardPath} to be unchanged but it differs; run check.`,
            { path: String(entry.path) },
          );
        }
        const [name] = await books.reserve(folder, [file.name]);
        const place = join(folder, name!);
        await moveDurably(fileSystem, temporary, place);
        remember(place);
        report.copied++;
      } catch (error) {
        if (error instanceof NightcairnError && error.code === 'CANCELLED') throw error;
        const plain = toPlainError(
          error instanceof SourceError
            ? storageError(error.cause, folder, 'read the library')
            : storageError(error, folder, 'make the second copy'),
        );
        report.failed.push({ file: file.path, copied: false, code: plain.code, message: plain.message });
      }

      function remember(place: string): void {
        inTransaction(library, () =>
          run(
            library,
            'INSERT INTO second_copies (file_id, root, path) VALUES (?, ?, ?) ON CONFLICT (file_id, root) DO UPDATE SET path = excluded.path',
            fileId,
            directory,
            place,
          ),
        );
      }
    },
  };

  async function holds(
    place: string,
    sha256: Buffer,
    size: number,
    signal: AbortSignal | undefined,
  ): Promise<boolean> {
    try {
      const facts = await fileSystem.facts(place);
      if (facts.kind !== 'file' || facts.size !== size) return false;
      return (await hashFile(fileSystem, place, signal)).sha256.equals(sha256);
    } catch (error) {
      if (error instanceof SourceError || isMissing(error)) return false;
      throw error;
    }
  }
}
