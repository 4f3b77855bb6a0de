import { row, rows, run } from './_rows.js';
import { bringFile, hashAt, type TransferWork } from './bring-file.js';
import { inTransaction, type Library } from './library.js';
import { alternativeName, insideLibrary, nightFolders } from './paths.js';

/** A frame of one library and the frame of another that holds the same bytes. */
export interface FramePair {
  readonly there: string;
  readonly here: string;
}

/**
 * Brings what was attached to frames of another library (side-cars, sound notes) to the same frames here.
 * What is here already by content stays as it is. The caller holds `to`.
 *
 * @throws {StorageError | Cancelled}
 */
export async function transferAttachments(
  from: Library,
  to: Library,
  pairs: readonly FramePair[],
  work: TransferWork,
): Promise<void> {
  for (const { there, here } of pairs) {
    for (const { id, ...cells } of rows(
      from,
      "SELECT * FROM files WHERE kind = 'attachment' AND frame_id = ? ORDER BY path",
      there,
    )) {
      const expected = Buffer.from(cells.sha256 as Uint8Array);
      if (row(to, 'SELECT 1 FROM files WHERE sha256 = ?', expected)) continue;
      const { folder } = row(
        to,
        'SELECT s.folder FROM frames f JOIN sessions s ON s.id = f.session_id WHERE f.id = ?',
        here,
      )!;
      const name = String(cells.path).split('/').at(-1)!;
      let path = '';
      for (let n = 1; ; n++) {
        path = `${nightFolders(String(folder)).attachments}/${alternativeName(name, n)}`;
        const found = await hashAt(to, insideLibrary(to.dir, path), work.signal);
        // The same bytes without a row are those of a merge that was stopped just here.
        if (found === undefined || found.equals(expected)) break;
      }
      const source = insideLibrary(from.dir, String(cells.pending_path ?? cells.path));
      await bringFile(from, to, { source, target: insideLibrary(to.dir, path), expected }, work);
      const columns = { ...cells, frame_id: here, path, pending_path: null };
      inTransaction(to, () =>
        run(
          to,
          `INSERT INTO files (${Object.keys(columns).join(', ')}) VALUES (${Object.keys(columns)
            .map((column) => `@${column}`)
            .join(', ')})`,
          columns,
        ),
      );
    }
  }
}
