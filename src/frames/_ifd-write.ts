/** The value of one TIFF tag, by field type. @source TIFF 6.0 (Adobe 1992) section 2, types 1-12; 13 = IFD (TIFF Tech Note 1). */
export type TagValue =
  | { readonly type: 'ascii'; readonly text: string }
  | { readonly type: 'byte' | 'undefined'; readonly bytes: Uint8Array | readonly number[] }
  | { readonly type: 'short' | 'long' | 'sshort' | 'slong'; readonly values: readonly number[] }
  | { readonly type: 'rational' | 'srational'; readonly values: readonly number[] }
  | { readonly type: 'fraction'; readonly values: readonly (readonly [number, number])[] }
  | { readonly type: 'float' | 'double'; readonly values: readonly number[] }
  /** Pointers to further directories. */
  | { readonly type: 'directories'; readonly directories: readonly Directory[] }
  /** Pointers to blocks of data (strips, tiles, previews) laid at the end of the file; see `layTiffHead` for bare lengths. */
  | { readonly type: 'blocks'; readonly blocks: readonly (Uint8Array | { readonly byteLength: number })[] };

export interface Tag {
  readonly id: number;
  readonly value: TagValue;
}

export type Directory = readonly Tag[];

const TYPE_CODE = {
  byte: 1,
  ascii: 2,
  short: 3,
  long: 4,
  rational: 5,
  fraction: 5,
  undefined: 7,
  sshort: 8,
  slong: 9,
  srational: 10,
  float: 11,
  double: 12,
  directories: 4,
  blocks: 4,
} as const;

const TYPE_SIZE: Record<number, number> = {
  1: 1,
  2: 1,
  3: 2,
  4: 4,
  5: 8,
  7: 1,
  8: 2,
  9: 4,
  10: 8,
  11: 4,
  12: 8,
};

/** Bytes of an ASCII field: printable ASCII, other characters as `?`, closed by NUL (TIFF 6.0 section 2). */
function asciiBytes(text: string): Uint8Array {
  const bytes = new Uint8Array(text.length + 1);
  for (let i = 0; i < text.length; i++) {
    const code = text.charCodeAt(i);
    bytes[i] = code >= 32 && code < 127 ? code : code === 10 ? 10 : 63;
  }
  return bytes;
}

/**
 * A fraction of two 32-bit integers close to `value` (relative error below 1e-9 where 32 bits allow).
 * @source continued fractions (Hardy & Wright, An Introduction to the Theory of Numbers, chapter X).
 */
export function toFraction(value: number): [number, number] {
  const limit = 0x7fffffff;
  if (!Number.isFinite(value)) return [0, 0];
  const sign = value < 0 ? -1 : 1;
  const target = Math.abs(value);
  if (target > limit) return [sign * limit, 1];
  let [h0, h1] = [0, 1];
  let [k0, k1] = [1, 0];
  let rest = target;
  for (let i = 0; i < 40; i++) {
    const whole = Math.floor(rest);
    const h2 = whole * h1 + h0;
    const k2 = whole * k1 + k0;
    if (h2 > limit || k2 > limit) break;
    [h0, h1, k0, k1] = [h1, h2, k1, k2];
    if (Math.abs(h1 / k1 - target) <= target * 1e-10) break;
    rest = 1 / (rest - whole);
    if (!Number.isFinite(rest)) break;
  }
  return [sign * h1, k1];
}

function countOf(value: TagValue): number {
  switch (value.type) {
    case 'ascii':
      return value.text.length + 1;
    case 'byte':
    case 'undefined':
      return value.bytes.length;
    case 'directories':
      return value.directories.length;
    case 'blocks':
      return value.blocks.length;
    default:
      return value.values.length;
  }
}

const even = (n: number): number => n + (n & 1);

/** Bytes of a directory: its table and the values that do not fit the table. */
function directorySize(directory: Directory): { table: number; values: number } {
  let values = 0;
  for (const tag of directory) {
    const size = countOf(tag.value) * TYPE_SIZE[TYPE_CODE[tag.value.type]]!;
    if (size > 4) values += even(size);
  }
  return { table: 2 + directory.length * 12 + 4, values };
}

interface Laid {
  readonly directory: Directory;
  readonly at: number;
  readonly children: Map<number, Laid[]>;
}

/**
 * Lays out a TIFF up to its first block of data, for files that are written piece by piece: the blocks follow
 * in their order, each brought to an even length. They may be given by their length alone.
 */
export const layTiffHead = (chain: readonly Directory[]): Uint8Array => lay(chain, true, true);

/**
 * Lays out a whole classic TIFF structure (header, chain of directories, their values, data blocks).
 *
 * @param chain the directories linked from the header, in order; tags are sorted here.
 * @returns the bytes; every offset is even. Size is limited to 4 GiB by the format.
 * @throws {RangeError} when the structure passes 4 GiB
 * @source TIFF 6.0 (Adobe 1992) section 2
 */
export const layTiff = (chain: readonly Directory[], { littleEndian = true } = {}): Uint8Array =>
  lay(chain, littleEndian, false);

function lay(chain: readonly Directory[], littleEndian: boolean, headOnly: boolean): Uint8Array {
  let end = 8;
  const blocks: { tag: TagValue; at: number[] }[] = [];
  const place = (unsorted: Directory): Laid => {
    const directory = [...unsorted].sort((a, b) => a.id - b.id);
    const at = end;
    const size = directorySize(directory);
    end += even(size.table) + size.values;
    const children = new Map<number, Laid[]>();
    for (const tag of directory) {
      if (tag.value.type === 'directories') children.set(tag.id, tag.value.directories.map(place));
    }
    return { directory, at, children };
  };
  const laid = chain.map(place);
  const collect = (one: Laid): void => {
    for (const tag of one.directory) {
      if (tag.value.type !== 'blocks') continue;
      const at: number[] = [];
      for (const block of tag.value.blocks) {
        at.push(end);
        end = even(end + block.byteLength);
      }
      blocks.push({ tag: tag.value, at });
    }
    for (const list of one.children.values()) list.forEach(collect);
  };
  const headEnd = end;
  laid.forEach(collect);
  if (end > 0xffff_ffff) throw new RangeError('a classic TIFF holds at most 4 GiB');

  const bytes = new Uint8Array(headOnly ? headEnd : end);
  const view = new DataView(bytes.buffer);
  bytes.set(littleEndian ? [0x49, 0x49] : [0x4d, 0x4d]);
  view.setUint16(2, 42, littleEndian);
  view.setUint32(4, laid[0]?.at ?? 0, littleEndian);
  const blockOffsets = new Map(blocks.map((entry) => [entry.tag, entry.at]));

  const write = (one: Laid, next: number): void => {
    const { directory, at } = one;
    view.setUint16(at, directory.length, littleEndian);
    let valuesAt = at + even(directorySize(directory).table);
    directory.forEach((tag, index) => {
      const entry = at + 2 + index * 12;
      const code = TYPE_CODE[tag.value.type];
      const count = countOf(tag.value);
      const size = count * TYPE_SIZE[code]!;
      view.setUint16(entry, tag.id, littleEndian);
      view.setUint16(entry + 2, code, littleEndian);
      view.setUint32(entry + 4, count, littleEndian);
      let to = entry + 8;
      if (size > 4) {
        view.setUint32(to, valuesAt, littleEndian);
        to = valuesAt;
        valuesAt += even(size);
      }
      writeValue(view, to, tag.value, {
        littleEndian,
        offsets:
          tag.value.type === 'directories'
            ? one.children.get(tag.id)!.map((child) => child.at)
            : (blockOffsets.get(tag.value) ?? []),
      });
    });
    view.setUint32(at + 2 + directory.length * 12, next, littleEndian);
    for (const list of one.children.values()) for (const child of list) write(child, 0);
  };
  laid.forEach((one, index) => {
    write(one, laid[index + 1]?.at ?? 0);
  });
  for (const { tag, at } of headOnly ? [] : blocks) {
    if (tag.type !== 'blocks') continue;
    tag.blocks.forEach((block, index) => {
      if (block instanceof Uint8Array) bytes.set(block, at[index]!);
    });
  }
  return bytes;
}

function writeValue(
  view: DataView,
  at: number,
  value: TagValue,
  { littleEndian, offsets }: { littleEndian: boolean; offsets: readonly number[] },
): void {
  const le = littleEndian;
  switch (value.type) {
    case 'ascii':
      asciiBytes(value.text).forEach((byte, i) => {
        view.setUint8(at + i, byte);
      });
      return;
    case 'byte':
    case 'undefined':
      value.bytes.forEach((byte, i) => {
        view.setUint8(at + i, byte);
      });
      return;
    case 'short':
    case 'sshort':
      value.values.forEach((v, i) => {
        view.setUint16(at + 2 * i, v & 0xffff, le);
      });
      return;
    case 'long':
    case 'slong':
      value.values.forEach((v, i) => {
        view.setUint32(at + 4 * i, v >>> 0, le);
      });
      return;
    case 'rational':
    case 'srational':
      value.values.forEach((v, i) => {
        const [top, bottom] = toFraction(v);
        view.setInt32(at + 8 * i, top, le);
        view.setInt32(at + 8 * i + 4, bottom, le);
      });
      return;
    case 'fraction':
      value.values.forEach(([top, bottom], i) => {
        view.setUint32(at + 8 * i, top, le);
        view.setUint32(at + 8 * i + 4, bottom, le);
      });
      return;
    case 'float':
      value.values.forEach((v, i) => {
        view.setFloat32(at + 4 * i, v, le);
      });
      return;
    case 'double':
      value.values.forEach((v, i) => {
        view.setFloat64(at + 8 * i, v, le);
      });
      return;
    case 'directories':
    case 'blocks':
      offsets.forEach((offset, i) => {
        view.setUint32(at + 4 * i, offset, le);
      });
      return;
  }
}
