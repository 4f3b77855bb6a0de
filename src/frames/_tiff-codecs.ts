import { inflate } from './_inflate.js';

/** Names of TIFF compressions for messages. @source TIFF 6.0, its technical notes, DNG 1.4 */
export const COMPRESSION_NAMES: Record<number, string> = {
  1: 'none',
  2: 'CCITT fax',
  3: 'CCITT fax',
  4: 'CCITT fax',
  5: 'LZW',
  6: 'old-style JPEG',
  7: 'JPEG',
  8: 'Deflate',
  32773: 'PackBits',
  32946: 'Deflate',
  34713: "the maker's own",
  34892: 'lossy JPEG',
  50000: 'Zstandard',
  50001: 'WebP',
  52546: 'JPEG XL',
};

/**
 * Undoes the compression of one strip or tile.
 * @param size bytes expected; the result has this length or fewer when the data end early
 * @returns undefined for a compression that is not read
 */
export async function decompressBlock(
  data: Uint8Array,
  compression: number,
  size: number,
): Promise<Uint8Array | undefined> {
  switch (compression) {
    case 1:
      return data.subarray(0, size);
    case 5:
      return unpackLzw(data, size);
    case 8:
    case 32946:
      return (await inflate(data, 'deflate', size)).bytes;
    case 32773:
      return unpackBits(data, size);
    default:
      return undefined;
  }
}

/** @source TIFF 6.0 section 9 (PackBits) */
function unpackBits(data: Uint8Array, size: number): Uint8Array {
  const out = new Uint8Array(size);
  let to = 0;
  let at = 0;
  while (to < size && at < data.length) {
    const code = data[at++]!;
    if (code < 128) {
      const part = data.subarray(at, at + Math.min(code + 1, size - to));
      out.set(part, to);
      to += part.length;
      at += code + 1;
    } else if (code > 128) {
      if (at >= data.length) break;
      const end = Math.min(size, to + 257 - code);
      out.fill(data[at++]!, to, end);
      to = end;
    }
  }
  return out.subarray(0, to);
}

/**
 * LZW as TIFF uses it: codes of 9 to 12 bits, most significant bit first, one code early.
 * @source TIFF 6.0 section 13
 */
function unpackLzw(data: Uint8Array, size: number): Uint8Array {
  const out = new Uint8Array(size);
  // Each code is a run of bytes already written: where it starts and how long it is.
  const start = new Uint32Array(4096);
  const length = new Uint16Array(4096);
  let next = 258;
  let width = 9;
  let previous = -1;
  let previousAt = 0;
  let to = 0;
  let bits = 0;
  let held = 0;
  let at = 0;
  while (to < size) {
    while (held < width && at < data.length) {
      bits = ((bits << 8) | data[at++]!) & 0xffffff;
      held += 8;
    }
    if (held < width) break;
    const code = (bits >> (held - width)) & ((1 << width) - 1);
    held -= width;
    if (code === 257) break;
    if (code === 256) {
      next = 258;
      width = 9;
      previous = -1;
      continue;
    }
    const from = to;
    if (code < 256) {
      out[to++] = code;
    } else if (code < next) {
      for (let i = 0; i < length[code]! && to < size; i++) out[to++] = out[start[code]! + i]!;
    } else if (code === next && previous >= 0) {
      const run = to - previousAt;
      for (let i = 0; i <= run && to < size; i++) out[to++] = out[previousAt + (i === run ? 0 : i)]!;
    } else break;
    if (previous >= 0 && next < 4096) {
      // The new entry is the previous run and the first byte of this one: they lie side by side.
      start[next] = previousAt;
      length[next] = from - previousAt + 1;
      next++;
    }
    if (next + 1 >= 1 << width && width < 12) width++;
    previous = code;
    previousAt = from;
  }
  return out.subarray(0, to);
}
