import { type Progress, throwIfCancelled } from '../core/index.js';
import { number, row, rows, text } from './_rows.js';
import { hashFile, type ReadFacts, readEdge, SourceError } from './card-copy.js';
import type { CardFile } from './card-scan.js';
import type { Library } from './library.js';
import { insideLibrary, nameKey } from './paths.js';
import { isMissing, storageError } from './system-errors.js';

/** True when the catalogue's file is there in its full size. */
export async function isHere(library: Library, stored: string, size: number): Promise<boolean> {
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
export async function recogniseAll(
  library: Library,
  files: readonly CardFile[],
  options: { readonly progress: Progress; readonly signal?: AbortSignal | undefined },
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

/** Where the file of a row of `files` lies, relative to the library. */
export const currentPath = (cells: ReturnType<typeof row> & object): string => text(cells.path)!;

/** Files without content of their own (empty, all zero) are told apart by name; all others by content alone. */
export const twinOf = (facts: ReadFacts, file: CardFile): string =>
  facts.size === 0 || facts.allZero ? nameKey(file.cardPath) : '';
