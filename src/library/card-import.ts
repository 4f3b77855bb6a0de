import { extname, join } from 'node:path';
import {
  NightcairnError,
  type PlainError,
  type Progress,
  StorageError,
  throwIfCancelled,
} from '../core/index.js';
import { currentPath, isHere, recogniseAll, twinOf } from './_recognise.js';
import { number, row, run, text } from './_rows.js';
import { openSecond, type SecondReport } from './_second-copy.js';
import { copyVerified, moveDurably, type ReadFacts, SourceError, temporaryName } from './card-copy.js';
import type { CardContent, CardFile } from './card-scan.js';
import { inTransaction, type Library } from './library.js';
import { insideLibrary, LAYOUT, safeName } from './paths.js';
import type { FailedFile, FileFailure } from './records.js';
import { isMissing, storageError } from './system-errors.js';

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
  const count = { copied: 0, already: 0, attachments: 0, bytes: 0 };
  // Only what has to be copied is counted, so that speed and time left are those of the card.
  const fresh = wanted.filter(({ file }) => !known.has(file));
  const total = fresh.reduce((sum, { file }) => sum + file.size, 0);
  const moved = { bytes: 0, copied: 0, verified: 0 };
  const tell = (extra = 0) => {
    if (fresh.length === 0) return;
    options.progress({
      task: 'copying',
      done: moved.bytes + extra,
      total,
      unit: 'bytes',
      note: `${moved.copied} of ${fresh.length} files copied, ${moved.verified} verified`,
    });
  };
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
            // All bytes are written; what follows is the reading back.
            if (under === file.size) moved.copied++;
            tell(under);
          },
        });
        if (file.size === 0) moved.copied++;
        moved.verified++;
        got = arrived.id;
        if (arrived.isNew) {
          count.bytes += file.size;
          if (kind === 'frame') count.copied++;
        } else if (kind === 'frame') count.already++;
      } else if (kind === 'frame') count.already++;
      if (kind === 'attachment') count.attachments++;
      fileIds.push(got);
      const failure = failureOf(library, got);
      if (failure) failed.push({ file: file.path, copied: true, ...failure });
      if (secondary) await secondary.bring(got, file, options.signal);
    } catch (error) {
      if (!(error instanceof SourceError)) throw error;
      cardLost ||= error.gone && (await isAway(library, options.card));
      failed.push({ file: file.path, copied: false, ...sourceFailure(error, file, cardLost) });
    }
    if (!known.has(file)) moved.bytes += file.size;
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
