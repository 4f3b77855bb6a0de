import { join } from 'node:path';
import { NightcairnError, StorageError, toPlainError } from '../core/index.js';
import { row, run } from './_rows.js';
import { copyVerified, hashFile, moveDurably, SourceError } from './card-copy.js';
import type { CardFile } from './card-scan.js';
import { inTransaction, type Library } from './library.js';
import { type NameBook, nameBook } from './name-book.js';
import { insideLibrary, safeName } from './paths.js';
import type { FailedFile } from './records.js';
import { isMissing, storageError } from './system-errors.js';

/** What a second directory received. */
export interface SecondReport {
  readonly directory: string;
  readonly copied: number;
  readonly alreadyThere: number;
  readonly failed: readonly FailedFile[];
}

/** The second directory: the card's own layout, files of other content under a suffix. */
export async function openSecond(library: Library, directory: string) {
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
