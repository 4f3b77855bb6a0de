import { isAbsolute, join, relative, resolve, sep } from 'node:path';
import { StorageError } from '../core/index.js';

/** Names of what lies in the library's folder. */
export const LAYOUT = {
  catalogue: 'catalogue.sqlite',
  nights: 'nights',
  incoming: 'incoming',
  masters: 'masters',
  backups: 'backups',
  trash: 'trash',
} as const;

/** A name as lower-case words joined by `-`, safe on every file system; at most 60 characters, never empty. */
export function slug(name: string): string {
  const plain = name
    .normalize('NFKD')
    .replace(/\p{M}+/gu, '')
    .toLowerCase()
    .replace(/[^\p{L}\p{N}]+/gu, '-')
    .replace(/^-+|-+$/g, '');
  return Array.from(plain).slice(0, 60).join('').replace(/-+$/, '') || 'site';
}

/**
 * Joins a stored relative path (`/` between parts) to the library's folder.
 *
 * @throws {StorageError} CATALOGUE_DAMAGED when the path would leave the library
 */
export function insideLibrary(dir: string, stored: string): string {
  const path = resolve(dir, ...stored.split('/'));
  const back = relative(resolve(dir), path);
  if (stored.startsWith('/') || back === '..' || back.startsWith(`..${sep}`) || isAbsolute(back)) {
    throw new StorageError(
      'CATALOGUE_DAMAGED',
      `Expected a place inside the library ${dir} but the catalogue names ${stored}; run check.`,
      { path: stored },
    );
  }
  return path;
}

/** The stored form of a path below the library: relative, `/` between parts. */
export const stored = (dir: string, path: string): string =>
  relative(resolve(dir), resolve(path)).split(sep).join('/');

/** The parts of a night's folder, relative to the library. */
export const nightFolders = (folder: string) => ({
  frames: `${folder}/frames`,
  attachments: `${folder}/attachments`,
  measure: `${folder}/measure`,
  stacks: `${folder}/stacks`,
  report: `${folder}/report`,
  export: `${folder}/export`,
});

const WINDOWS_NAMES = /^(con|prn|aux|nul|com\d|lpt\d)(\.|$)/i;

/**
 * A file's own name made fit for the library: kept as it is wherever every system can hold it; path
 * separators, control characters and what Windows refuses become `_`; cut to 255 bytes with its extension.
 */
export function safeName(name: string): string {
  let safe = name.replace(/[/\\<>:"|?*\p{Cc}]/gu, '_').replace(/[. ]+$/, (tail) => '_'.repeat(tail.length));
  if (safe === '' || safe === '.' || safe === '..' || WINDOWS_NAMES.test(safe)) safe = `_${safe}`;
  return shorten(safe, '');
}

const bytesOf = (text: string): number => Buffer.byteLength(text, 'utf8');

function shorten(name: string, suffix: string): string {
  const dot = name.lastIndexOf('.');
  const hasExtension = dot > 0 && name.length - dot <= 12;
  const extension = hasExtension ? name.slice(dot) : '';
  const characters = Array.from(hasExtension ? name.slice(0, dot) : name);
  while (bytesOf(characters.join('')) + bytesOf(suffix) + bytesOf(extension) > 255) characters.pop();
  return characters.join('') + suffix + extension;
}

/** The n-th alternative of a name, as `DSC_0001~2.NEF` for n = 2; n = 1 is the name itself. */
export function alternativeName(name: string, n: number): string {
  return n === 1 ? name : shorten(name, `~${n}`);
}

/** Key under which two names are the same on a file system that ignores case or accents' encoding. */
export const nameKey = (name: string): string => name.normalize('NFC').toLowerCase();

/** Absolute path of the file of a frame's star table. */
export const starTablePath = (dir: string, folder: string, frameId: string): string =>
  join(insideLibrary(dir, nightFolders(folder).measure), `${frameId}.stars`);

/** Absolute path of the file that keeps a frame's quick look from import. */
export const glimpsePath = (dir: string, folder: string, frameId: string): string =>
  join(insideLibrary(dir, nightFolders(folder).measure), `${frameId}.glimpse`);
