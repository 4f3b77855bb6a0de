/** Floats of one page of memory; one written value brings the page in. */
const PAGE = 1024;
/** Floats made ready between two looks at whether the decoder has finished: some 8 ms. */
const STEP = 4 << 20;
/** Samples below which it is not worth it. */
const LEAST = 1 << 20;
/** Samples from which a result is not made ready ahead: a damaged header must not cost memory (1.2 GB). */
const MOST_AHEAD = 300_000_000;

/**
 * Room for a result, its memory asked of the system while something else works: handing out pages takes as long
 * as decoding a JPEG, and the decoder runs on a thread of its own. Stops as soon as `work` has settled.
 *
 * @param count samples
 * @returns zeros, f32[count]; undefined when there is nothing to gain
 */
export async function roomDuring(count: number, work: Promise<unknown>): Promise<Float32Array | undefined> {
  if (count < LEAST || count > MOST_AHEAD) return undefined;
  let working = true;
  const settled = () => {
    working = false;
  };
  work.then(settled, settled);
  const room = new Float32Array(count);
  for (let at = 0; at < count && working; at += STEP) {
    const end = Math.min(count, at + STEP);
    for (let i = at; i < end; i += PAGE) room[i] = 0;
    await new Promise((resolve) => setImmediate(resolve));
  }
  return room;
}

/** Code tables of red, green and blue. */
export type ThreeTables = readonly [Float32Array, Float32Array, Float32Array];

/**
 * Codes side by side -> planes, each through its table: the plain way.
 *
 * @param channels samples a pixel in `codes`, 3 or more; what comes after the third is left out
 * @param first    pixel to begin with
 * @param out      f32[3*size], filled from `first` on
 */
export function planesPlain(
  codes: Uint8Array | Uint16Array,
  tables: ThreeTables,
  {
    channels,
    out,
    first = 0,
  }: { readonly channels: number; readonly out: Float32Array; readonly first?: number },
): void {
  const [red, green, blue] = tables;
  const size = (out.length / 3) | 0; // whole: the loops then stay in integers
  const [second, third] = [size, 2 * size];
  // One walk over the codes: they are read from memory once instead of three times.
  for (let i = first, from = first * channels; i < size; i++, from += channels) {
    out[i] = red[codes[from]!]!;
    out[second + i] = green[codes[from + 1]!]!;
    out[third + i] = blue[codes[from + 2]!]!;
  }
}

/** True where the first byte of a word is its lowest, as on nearly every computer. */
const LOW_BYTE_FIRST = new Uint8Array(Uint32Array.of(1).buffer)[0] === 1;

/** `planesPlain`, value for value; bytes of three channels are taken four pixels at a time, in three words. */
export function planesThrough(
  codes: Uint8Array | Uint16Array,
  tables: ThreeTables,
  { channels, out }: { readonly channels: number; readonly out: Float32Array },
): void {
  if (!(codes instanceof Uint8Array) || channels !== 3 || codes.byteOffset % 4 !== 0 || !LOW_BYTE_FIRST) {
    planesPlain(codes, tables, { channels, out });
    return;
  }
  // One table, one result, few registers: a third quicker than three of each.
  const table = new Float32Array(768);
  tables.forEach((each, plane) => {
    table.set(each.subarray(0, 256), 256 * plane);
  });
  const size = (out.length / 3) | 0;
  const whole = size - (size % 4);
  const words = new Uint32Array(codes.buffer, codes.byteOffset, (3 * whole) / 4);
  for (let red = 0, at = 0; red < whole; red += 4, at += 3) {
    const x = words[at]!;
    const y = words[at + 1]!;
    const z = words[at + 2]!;
    out[red] = table[x & 255]!;
    out[red + 1] = table[x >>> 24]!;
    out[red + 2] = table[(y >>> 16) & 255]!;
    out[red + 3] = table[(z >>> 8) & 255]!;
    const green = red + size;
    out[green] = table[256 | ((x >>> 8) & 255)]!;
    out[green + 1] = table[256 | (y & 255)]!;
    out[green + 2] = table[256 | (y >>> 24)]!;
    out[green + 3] = table[256 | ((z >>> 16) & 255)]!;
    const blue = green + size;
    out[blue] = table[512 | ((x >>> 16) & 255)]!;
    out[blue + 1] = table[512 | ((y >>> 8) & 255)]!;
    out[blue + 2] = table[512 | (z & 255)]!;
    out[blue + 3] = table[512 | (z >>> 24)]!;
  }
  planesPlain(codes, tables, { channels, out, first: whole });
}
