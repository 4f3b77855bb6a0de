import { marks, number, rows, text } from './_rows.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { FileFailure } from './records.js';

/** A file that arrived and has no frame yet. */
export interface LooseFile {
  readonly id: number;
  readonly kind: 'frame' | 'attachment';
  /** Absolute path. */
  readonly path: string;
  readonly sha256: string;
  readonly name: string;
  readonly cardPath: string;
  readonly modifiedMs: number;
  readonly size: number;
  readonly twin: string;
  readonly failure?: FileFailure;
}

/** Files that arrived, by this import or an earlier one that was stopped, and belong to no frame yet. */
export const looseFiles = (library: Library): LooseFile[] =>
  rows(library, 'SELECT * FROM files WHERE frame_id IS NULL ORDER BY card_path, id').map((cells) => {
    const failure = text(cells.failure);
    return {
      id: number(cells.id)!,
      kind: text(cells.kind) as LooseFile['kind'],
      path: insideLibrary(library.dir, String(cells.path)),
      sha256: Buffer.from(cells.sha256 as Uint8Array).toString('hex'),
      name: String(cells.name),
      cardPath: String(cells.card_path),
      modifiedMs: number(cells.modified_ms)!,
      size: number(cells.size)!,
      twin: String(cells.twin),
      ...(failure === undefined ? {} : { failure: JSON.parse(failure) as FileFailure }),
    };
  });

/** Sessions that hold any of these files' frames. */
export function sessionsOfFiles(library: Library, fileIds: readonly number[]): string[] {
  const found = new Set<string>();
  for (let at = 0; at < fileIds.length; at += 500) {
    const some = fileIds.slice(at, at + 500);
    for (const cells of rows(
      library,
      `SELECT DISTINCT f.session_id FROM files x JOIN frames f ON f.id = x.frame_id WHERE x.id IN (${marks(some.length)})`,
      ...some,
    )) {
      found.add(String(cells.session_id));
    }
  }
  return [...found].sort();
}
