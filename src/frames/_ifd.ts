import { formatError, inside, latin1, type Source } from './_source.js';

/** Bytes of one value by field type. @source TIFF 6.0 section 2; types 13 and 16-18: TIFF Tech Note 1, BigTIFF design. */
const TYPE_SIZE = [0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4, 0, 0, 8, 8, 8] as const;

const MAX_ENTRIES = 4096;
const MAX_DIRECTORIES = 64;
/** Offsets beyond this are damage, not the far end of a cut file: no RAW is that long. */
const MAX_REACH = 1_000_000_000;
/** Most values taken out of one field: strip lists of a very tall picture stay below. */
const MAX_VALUES = 1_000_000;

/** One entry of a directory; values are read when asked for. */
export interface Field {
  readonly tag: number;
  readonly type: number;
  readonly count: number;
  /** Where the value lies, bytes from the start of the file. */
  readonly at: number;
  readonly size: number;
}

export interface Ifd {
  readonly at: number;
  readonly fields: ReadonlyMap<number, Field>;
  /** Offset of the directory that follows, 0 = none. */
  readonly next: number;
}

/** A TIFF structure: the file itself, or a block inside another file that starts at `base`. */
export interface TiffStructure {
  readonly source: Source;
  readonly base: number;
  readonly littleEndian: boolean;
  readonly big: boolean;
  /** The directories chained from the header. */
  readonly chain: readonly Ifd[];
  /** What was wrong but could be stepped over. */
  readonly warnings: string[];
  /** The farthest byte that an entry pointed at, whether the file has it or not. */
  readonly reach: { end: number };
}

/** Version numbers after the byte order: TIFF 42, BigTIFF 43, and those of makers (ORF `RO`, `RS`; RW2 0x55). */
const VERSIONS = [42, 43, 0x4f52, 0x5352, 0x55];

/** The version word behind a TIFF byte order mark, or undefined. */
export function tiffVersion(bytes: Uint8Array, base = 0): number | undefined {
  if (bytes.byteLength < base + 8) return undefined;
  const [a, b, c, d] = bytes.subarray(base, base + 4);
  if (a === 0x49 && b === 0x49) return (d! << 8) | c!;
  if (a === 0x4d && b === 0x4d) return (c! << 8) | d!;
  return undefined;
}

/**
 * Reads the chain of directories of a TIFF structure. Every offset is checked before it is followed, a
 * directory is entered once only, and broken entries are stepped over with a warning.
 *
 * @throws {FormatError} CORRUPT when the first directory is not there
 * @source TIFF 6.0 section 2; BigTIFF: TIFF design note of the libtiff project (8-byte offsets, version 43)
 */
export function readTiffStructure(source: Source, base = 0): TiffStructure {
  const version = tiffVersion(source.bytes, base);
  if (version === undefined || !VERSIONS.includes(version)) {
    throw formatError(source, 'CORRUPT', 'Expected a TIFF header', { at: base });
  }
  const littleEndian = source.bytes[base] === 0x49;
  const big = version === 43;
  const chain: Ifd[] = [];
  const reach = { end: 0 };
  const structure: TiffStructure = { source, base, littleEndian, big, chain, warnings: [], reach };
  const seen = new Set<number>();
  let at: number;
  if (big) {
    if (!inside(source, base, 16) || source.view.getUint16(base + 4, littleEndian) !== 8) {
      throw formatError(source, 'CORRUPT', 'Expected a BigTIFF header with 8-byte offsets', { at: base });
    }
    at = Number(source.view.getBigUint64(base + 8, littleEndian));
  } else at = source.view.getUint32(base + 4, littleEndian);
  while (at !== 0 && chain.length < MAX_DIRECTORIES) {
    if (seen.has(at)) {
      structure.warnings.push('The chain of directories runs in a circle.');
      break;
    }
    seen.add(at);
    const ifd = readIfd(structure, at);
    if (ifd === undefined) {
      if (chain.length === 0) {
        throw formatError(
          source,
          base + at >= source.bytes.byteLength ? 'TRUNCATED' : 'CORRUPT',
          `Expected a directory at byte ${base + at} of a file of ${source.bytes.byteLength} bytes`,
          { at: base + at },
        );
      }
      structure.warnings.push('A later directory of the file cannot be read.');
      break;
    }
    chain.push(ifd);
    at = ifd.next;
  }
  return structure;
}

/** Reads one directory at `at` (from the structure's base); undefined when it does not lie in the file. */
export function readIfd(structure: TiffStructure, at: number): Ifd | undefined {
  const { source, base, littleEndian, big } = structure;
  const { view } = source;
  const start = base + at;
  const countSize = big ? 8 : 2;
  const entrySize = big ? 20 : 12;
  if (!Number.isSafeInteger(start) || at < 8 || !inside(source, start, countSize)) return undefined;
  const count = big ? Number(view.getBigUint64(start, littleEndian)) : view.getUint16(start, littleEndian);
  if (count < 1 || count > MAX_ENTRIES) return undefined;
  const fields = new Map<number, Field>();
  for (let i = 0; i < count; i++) {
    const entry = start + countSize + i * entrySize;
    if (!inside(source, entry, entrySize)) {
      structure.warnings.push('A directory is cut short.');
      structure.reach.end = Math.max(structure.reach.end, entry + entrySize);
      return { at, fields, next: 0 };
    }
    const tag = view.getUint16(entry, littleEndian);
    const type = view.getUint16(entry + 2, littleEndian);
    const values = big
      ? Number(view.getBigUint64(entry + 4, littleEndian))
      : view.getUint32(entry + 4, littleEndian);
    const unit = TYPE_SIZE[type] ?? 0;
    if (unit === 0) continue;
    const size = values * unit;
    const slot = entry + (big ? 12 : 8);
    const inline = size <= (big ? 8 : 4);
    const valueAt = inline
      ? slot
      : base + (big ? Number(view.getBigUint64(slot, littleEndian)) : view.getUint32(slot, littleEndian));
    if (valueAt + size <= MAX_REACH) structure.reach.end = Math.max(structure.reach.end, valueAt + size);
    if (!inside(source, valueAt, size)) {
      structure.warnings.push(`The value of tag ${tag} lies outside the file and was left out.`);
      continue;
    }
    if (!fields.has(tag)) fields.set(tag, { tag, type, count: values, at: valueAt, size });
  }
  const end = start + countSize + count * entrySize;
  let next = 0;
  if (inside(source, end, big ? 8 : 4)) {
    next = big ? Number(view.getBigUint64(end, littleEndian)) : view.getUint32(end, littleEndian);
  }
  return { at, fields, next };
}

/** The directories that a pointer tag (SubIFDs, Exif, GPS) of `ifd` leads to; at most 16. */
export function subDirectories(structure: TiffStructure, ifd: Ifd, tag: number): Ifd[] {
  const found: Ifd[] = [];
  for (const at of numbers(structure, ifd, tag).slice(0, 16)) {
    const sub = at === ifd.at ? undefined : readIfd(structure, at);
    if (sub !== undefined) found.push(sub);
  }
  return found;
}

/**
 * The numbers of a field in order; [] when absent or text. Rationals are quotients: 0/0 is NaN, n/0 infinite.
 * @source TIFF 6.0 section 2, types 1 to 12
 */
export function numbers(structure: TiffStructure, ifd: Ifd | undefined, tag: number): number[] {
  const field = ifd?.fields.get(tag);
  if (field === undefined || field.count > MAX_VALUES) return [];
  const { littleEndian: le } = structure;
  const { view } = structure.source;
  const { at, type } = field;
  const read = (i: number): number => {
    switch (type) {
      case 1:
      case 7:
        return view.getUint8(at + i);
      case 3:
        return view.getUint16(at + 2 * i, le);
      case 4:
      case 13:
        return view.getUint32(at + 4 * i, le);
      case 5:
        return view.getUint32(at + 8 * i, le) / view.getUint32(at + 8 * i + 4, le);
      case 6:
        return view.getInt8(at + i);
      case 8:
        return view.getInt16(at + 2 * i, le);
      case 9:
        return view.getInt32(at + 4 * i, le);
      case 10:
        return view.getInt32(at + 8 * i, le) / view.getInt32(at + 8 * i + 4, le);
      case 11:
        return view.getFloat32(at + 4 * i, le);
      case 12:
        return view.getFloat64(at + 8 * i, le);
      case 16:
      case 18:
        return Number(view.getBigUint64(at + 8 * i, le));
      case 17:
        return Number(view.getBigInt64(at + 8 * i, le));
      default:
        return Number.NaN;
    }
  };
  if (type === 2) return [];
  const values = new Array<number>(field.count);
  for (let i = 0; i < field.count; i++) values[i] = read(i);
  return values;
}

/** First number of a field; undefined when absent. */
export function number(structure: TiffStructure, ifd: Ifd | undefined, tag: number): number | undefined {
  return numbers(structure, ifd, tag)[0];
}

/** Bytes of a field as a view, whatever its type; undefined when absent. */
export function fieldBytes(
  structure: TiffStructure,
  ifd: Ifd | undefined,
  tag: number,
): Uint8Array | undefined {
  const field = ifd?.fields.get(tag);
  return field && structure.source.bytes.subarray(field.at, field.at + field.size);
}

/** Text of a field up to its first NUL, trimmed; undefined when absent or blank. */
export function text(structure: TiffStructure, ifd: Ifd | undefined, tag: number): string | undefined {
  const bytes = fieldBytes(structure, ifd, tag);
  if (bytes === undefined) return undefined;
  const end = bytes.indexOf(0);
  const words = decodeText(bytes.subarray(0, Math.min(end < 0 ? bytes.length : end, 4096)));
  return words === '' ? undefined : words;
}

/** Text in UTF-8 (Exif 3.0) where it is that, else Latin-1; without control characters. */
function decodeText(bytes: Uint8Array): string {
  let words: string;
  try {
    words = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    // Not UTF-8: makers of older bodies wrote Latin-1.
    words = latin1(bytes);
  }
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what is taken out
  return words.replace(/[\u0000-\u001f\u007f]+/g, ' ').trim();
}
