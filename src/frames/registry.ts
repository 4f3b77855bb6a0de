import type { FrameFormat, FrameHeader, FramePixels } from '../core/index.js';
import { type Ifd, readTiffStructure, tiffVersion } from './_ifd.js';
import { RAW_EXTENSIONS, rawContainer } from './_raw-containers.js';
import { checkNotBlank, formatError, hasText, latin1, openSource, type Source } from './_source.js';
import { readDngHeader, readDngPixels } from './dng.js';
import { isFits, isGzip, readFitsHeader, readFitsPixels } from './fits.js';
import { isJpeg, readJpegHeader, readJpegPixels } from './jpeg.js';
import { isPng, readPngHeader, readPngPixels } from './png.js';
import { extensionOf, readRawHeader, readRawPixels } from './raw.js';
import { allDirectories, isSensorPicture, readTiffHeader, readTiffPixels } from './tiff.js';

/** A known kind of file. */
export interface KnownFormat {
  readonly format: FrameFormat;
  readonly formatName: string;
}

interface Reader {
  readonly readHeader: (source: Source) => Promise<FrameHeader>;
  readonly readPixels: (source: Source) => Promise<FramePixels>;
}

const READERS: Record<FrameFormat, Reader> = {
  raw: { readHeader: readRawHeader, readPixels: readRawPixels },
  dng: { readHeader: readDngHeader, readPixels: readDngPixels },
  jpeg: { readHeader: readJpegHeader, readPixels: readJpegPixels },
  tiff: { readHeader: readTiffHeader, readPixels: readTiffPixels },
  png: { readHeader: readPngHeader, readPixels: readPngPixels },
  fits: { readHeader: readFitsHeader, readPixels: readFitsPixels },
};

/** Extensions of files that may be frames, lower case, without the dot; HEIC and the like are named so that they can be refused aloud. */
export const FRAME_EXTENSIONS: readonly string[] = [
  ...RAW_EXTENSIONS,
  'dng',
  'jpg',
  'jpeg',
  'tif',
  'tiff',
  'png',
  'fits',
  'fit',
  'fts',
  'fits.gz',
  'fit.gz',
  'fts.gz',
  'heic',
  'heif',
  'hif',
  'avif',
  'jxl',
  'webp',
  'fz',
];

/** True when a file name has the extension of a frame; hidden files (a leading dot) are none. */
export function isFrameName(name: string): boolean {
  const base = name.split(/[\\/]/).pop() ?? '';
  if (base.startsWith('.')) return false;
  const lower = base.toLowerCase();
  return FRAME_EXTENSIONS.some(
    (extension) => lower.endsWith(`.${extension}`) && lower.length > extension.length + 1,
  );
}

/**
 * Names the format of a file by its first bytes. TIFF-structured files are told apart by their tags (as far
 * as `head` reaches) and, where those do not say, by the name.
 *
 * @param head the first bytes; 64 KiB are plenty, the whole file is best
 * @returns undefined for anything that is not read
 */
export function identifyFormat(head: Uint8Array, name = ''): KnownFormat | undefined {
  const extension = extensionOf(name);
  if (isJpeg(head)) return { format: 'jpeg', formatName: 'JPEG' };
  if (isPng(head)) return { format: 'png', formatName: 'PNG' };
  if (isFits(head)) return { format: 'fits', formatName: 'FITS' };
  if (isGzip(head)) {
    return /\.(fits?|fts)\.gz$/i.test(name) || name === ''
      ? { format: 'fits', formatName: 'FITS (gzip)' }
      : undefined;
  }
  const version = tiffVersion(head);
  if (version === 42 || version === 43) {
    const tags = tiffKind(head);
    if (tags === 'dng' || (tags === 'unknown' && extension === 'dng'))
      return { format: 'dng', formatName: 'DNG' };
    const container = rawContainer(head, extension);
    if (container !== undefined) return { format: 'raw', formatName: container.formatName };
    if (tags === 'mosaic') return { format: 'raw', formatName: 'RAW' };
    return { format: 'tiff', formatName: version === 43 ? 'BigTIFF' : 'TIFF' };
  }
  const container = rawContainer(head, extension);
  if (container !== undefined) return { format: 'raw', formatName: container.formatName };
  // A few old RAW files have no signature of their own.
  if (extension === 'raw' && hasText(head, 25, 'ARECOYK'))
    return { format: 'raw', formatName: 'Kyocera RAW' };
  return undefined;
}

function tiffKind(head: Uint8Array): 'dng' | 'mosaic' | 'plain' | 'unknown' {
  try {
    const structure = readTiffStructure(openSource(head, ''));
    const has = (ifd: Ifd | undefined, tag: number) => ifd?.fields.has(tag) === true;
    if (has(structure.chain[0], 50706)) return 'dng';
    return allDirectories(structure).some((ifd) => isSensorPicture(structure, ifd)) ? 'mosaic' : 'plain';
  } catch {
    // The directory lies beyond the bytes given, or the file is damaged: the name has to do.
    return 'unknown';
  }
}

/** Formats that we know by sight and do not read, so that the refusal can name them. */
function refusedName(head: Uint8Array): string | undefined {
  const brand = hasText(head, 4, 'ftyp') ? latin1(head.subarray(8, 12)) : '';
  if (/^(heic|heix|heim|heis|hevc|hevx|mif1|msf1)$/.test(brand)) return 'HEIC';
  if (/^(avif|avis)$/.test(brand)) return 'AVIF';
  if (brand !== '') return 'a movie or other media file';
  if (hasText(head, 0, 'RIFF') && hasText(head, 8, 'WEBP')) return 'WebP';
  if (hasText(head, 0, 'GIF8')) return 'GIF';
  if (hasText(head, 0, 'BM') && head[14] === 40) return 'BMP';
  if (hasText(head, 0, '8BPS')) return 'a layered picture of an editor (PSD)';
  if (hasText(head, 4, 'JXL ') || (head[0] === 0xff && head[1] === 0x0a)) return 'JPEG XL';
  if (hasText(head, 4, 'jP  ')) return 'JPEG 2000';
  return undefined;
}

function open(bytes: Uint8Array, path: string): { source: Source; reader: Reader } {
  const source = openSource(bytes, path);
  checkNotBlank(source);
  const known = identifyFormat(bytes, path);
  if (known !== undefined) return { source, reader: READERS[known.format] };
  const refused = refusedName(bytes);
  if (refused !== undefined) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected RAW, DNG, JPEG, TIFF, PNG or FITS but this is ${refused}; set the camera to RAW or JPEG, or convert the file to TIFF`,
    );
  }
  throw formatError(
    source,
    'UNKNOWN_FORMAT',
    'Expected RAW, DNG, JPEG, TIFF, PNG or FITS but the file has the signature of none of them',
    { at: 0 },
  );
}

/**
 * Reads what a file says of its frame.
 *
 * @param bytes the whole file
 * @param path names the file in messages; its extension settles TIFF-structured RAW
 * @throws {FormatError} EMPTY_FILE, ALL_ZERO, UNKNOWN_FORMAT, UNSUPPORTED_FORMAT, TRUNCATED, CORRUPT
 */
export async function readHeader(bytes: Uint8Array, path: string): Promise<FrameHeader> {
  const { source, reader } = open(bytes, path);
  return guarded(source, () => reader.readHeader(source));
}

/**
 * Reads the pixels of a frame: linear, black removed, not turned. `bytes` is not kept.
 *
 * @throws {FormatError} the codes of `readHeader`, and TOO_LARGE, DECODER_LIMIT, NO_PIXELS
 * @throws {TypeError} when a RAW file is read before `provideRawDecoder` was called
 */
export async function readPixels(bytes: Uint8Array, path: string): Promise<FramePixels> {
  const { source, reader } = open(bytes, path);
  return guarded(source, () => reader.readPixels(source));
}

/** A reader's slip on damaged bytes (an index or length out of range) is a damaged file, not a crash. */
async function guarded<T>(source: Source, read: () => Promise<T>): Promise<T> {
  try {
    return await read();
  } catch (error) {
    if (error instanceof RangeError) {
      throw formatError(
        source,
        'CORRUPT',
        `Expected a file that agrees with itself but found ${error.message}`,
        { cause: error },
      );
    }
    throw error;
  }
}
