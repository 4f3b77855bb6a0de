import {
  framesOf,
  type Library,
  type LooseFile,
  type SessionRecord,
  saveAttachments,
} from '../library/index.js';

/** Folder and name without extension, in one spelling. */
function stemOf(cardPath: string): string {
  const path = cardPath.normalize('NFC').toLowerCase();
  const dot = path.lastIndexOf('.');
  return dot > path.lastIndexOf('/') ? path.slice(0, dot) : path;
}

/**
 * Gives each arrived attachment to its nearest frame: the one of the same name in the same folder, else the
 * one whose file was written at the nearest time. Without any frame it stays among the arrivals.
 *
 * @returns how many found a frame
 */
export async function attachArrivals(
  library: Library,
  attachments: readonly LooseFile[],
  sessions: readonly SessionRecord[],
): Promise<number> {
  if (attachments.length === 0) return 0;
  const files = sessions.flatMap((session) =>
    framesOf(library, session.id).flatMap((frame) =>
      frame.files.map(({ cardPath, modifiedMs }) => ({
        session,
        frameId: frame.id,
        path: cardPath.normalize('NFC').toLowerCase(),
        stem: stemOf(cardPath),
        modifiedMs,
      })),
    ),
  );
  if (files.length === 0) return 0;
  const chosen = new Map<SessionRecord, { fileId: number; frameId: string }[]>();
  for (const attachment of attachments) {
    // `IMG_0001.xmp` and `IMG_0001.CR2.xmp` are both in use.
    const stem = stemOf(attachment.cardPath);
    const sameName = files.filter((file) => file.stem === stem || file.path === stem);
    const among = sameName.length > 0 ? sameName : files;
    const away = ({ modifiedMs }: { modifiedMs: number }) => Math.abs(modifiedMs - attachment.modifiedMs);
    const best = among.reduce((a, b) => (away(b) < away(a) ? b : a));
    chosen.set(best.session, [
      ...(chosen.get(best.session) ?? []),
      { fileId: attachment.id, frameId: best.frameId },
    ]);
  }
  for (const [session, list] of chosen) await saveAttachments(library, session.folder, list);
  return attachments.length;
}
