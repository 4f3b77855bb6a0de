import { join } from 'node:path';
import { StorageError } from '../core/index.js';
import type { FileSystem } from './file-system.js';
import { isMissing, storageError } from './system-errors.js';

/** A file found on a card. */
export interface CardFile {
  /** Absolute path on the card. */
  readonly path: string;
  /** Relative to the folder given, `/` between parts. */
  readonly cardPath: string;
  readonly name: string;
  readonly size: number;
  readonly modifiedMs: number;
}

/** What lies on a card. */
export interface CardContent {
  readonly frames: readonly CardFile[];
  readonly attachments: readonly CardFile[];
  /** Files that stay on the card. */
  readonly others: readonly CardFile[];
  /** Folders and files that could not be looked at, and links, which are not followed. */
  readonly skipped: readonly { readonly cardPath: string; readonly reason: string }[];
}

const ATTACHMENTS = /\.(xmp|gpx|wav|mp3|m4a|aac|mov|mp4|m4v|avi|mts|m2ts|3gp)$/i;

/** Clutter of operating systems, not worth a word. */
const SYSTEM = /^(\.DS_Store|Thumbs\.db|desktop\.ini|\._.*)$/i;
const SYSTEM_FOLDERS =
  /^(System Volume Information|\$RECYCLE\.BIN|\.Trash.*|\.Spotlight-V100|\.fseventsd|lost\+found)$/i;

/**
 * Lists a card in a stable order. Where the folder holds a DCIM folder (DCF 2.0), only what lies below it
 * and loose files beside it count; any other folder is taken whole. Symbolic links are never followed.
 * Nothing is written.
 *
 * @param isFrameName tells frames by name; what it does not know is an attachment or stays on the card
 * @throws {StorageError} CARD_MISSING when the folder is not there
 */
export async function scanCard(
  fileSystem: FileSystem,
  card: string,
  isFrameName: (name: string) => boolean,
): Promise<CardContent> {
  let kind: string;
  try {
    kind = (await fileSystem.facts(card)).kind;
    // The folder named by the person may itself be a link (a mount point often is); below it none is followed.
    if (kind === 'link') {
      await fileSystem.list(card);
      kind = 'folder';
    }
  } catch (error) {
    if (!isMissing(error)) throw storageError(error, card, 'read the card');
    kind = 'missing';
  }
  if (kind !== 'folder') {
    throw new StorageError(
      'CARD_MISSING',
      `Expected a card or folder at ${card} but ${kind === 'missing' ? 'nothing is there' : 'it is a file'}; give the folder that holds DCIM.`,
      { path: card },
    );
  }
  const frames: CardFile[] = [];
  const attachments: CardFile[] = [];
  const others: CardFile[] = [];
  const skipped: { cardPath: string; reason: string }[] = [];
  const visit = async (folder: string, below: string): Promise<void> => {
    let entries: Awaited<ReturnType<FileSystem['list']>>;
    try {
      entries = await fileSystem.list(folder);
    } catch (error) {
      if (below === '') throw storageError(error, folder, 'read the card');
      skipped.push({ cardPath: below, reason: `the folder cannot be read: ${(error as Error).message}` });
      return;
    }
    const dcim = below === '' && entries.some(({ name, kind }) => kind === 'folder' && /^dcim$/i.test(name));
    for (const entry of [...entries].sort((a, b) => (a.name < b.name ? -1 : 1))) {
      const cardPath = below === '' ? entry.name : `${below}/${entry.name}`;
      const path = join(folder, entry.name);
      if (entry.kind === 'link') {
        skipped.push({ cardPath, reason: 'a link, which is not followed' });
      } else if (entry.kind === 'folder') {
        if (SYSTEM_FOLDERS.test(entry.name)) continue;
        if (dcim && !/^dcim$/i.test(entry.name) && !MEDIA_FOLDERS.test(entry.name)) {
          skipped.push({ cardPath, reason: 'a folder beside DCIM, left on the card' });
        } else {
          await visit(path, cardPath);
        }
      } else if (entry.kind === 'file' && !SYSTEM.test(entry.name)) {
        try {
          const { size, modifiedMs } = await fileSystem.facts(path);
          const file = { path, cardPath, name: entry.name, size, modifiedMs: Math.round(modifiedMs) };
          (isFrameName(entry.name) ? frames : ATTACHMENTS.test(entry.name) ? attachments : others).push(file);
        } catch (error) {
          skipped.push({ cardPath, reason: `it cannot be looked at: ${(error as Error).message}` });
        }
      }
    }
  };
  await visit(card, '');
  return { frames, attachments, others, skipped };
}

/** Folders that cameras make beside DCIM for video, sound and position tracks. */
const MEDIA_FOLDERS = /^(private|avchd|mp_root|gps|gpslog|log|tracks?|video|sound|voice)$/i;
