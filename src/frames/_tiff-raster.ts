import { type Ifd, number, numbers, type TiffStructure } from './_ifd.js';
import { checkSize, formatError, inside, type Source } from './_source.js';
import { COMPRESSION_NAMES, decompressBlock } from './_tiff-codecs.js';
import { readRow, reverseBits } from './_tiff-rows.js';

export type Samples =
  | Uint8Array
  | Uint16Array
  | Uint32Array
  | Int8Array
  | Int16Array
  | Int32Array
  | Float32Array
  | Float64Array;

/** How a picture lies in a TIFF file. */
export interface RasterLayout {
  readonly width: number;
  readonly height: number;
  readonly samples: number;
  readonly bits: number;
  readonly format: 'uint' | 'int' | 'float';
  readonly compression: number;
  readonly photometric: number;
  readonly planar: boolean;
  readonly predictor: number;
  /** Bits of each stored byte run from the low end (FillOrder 2). */
  readonly reversed: boolean;
  readonly blockWidth: number;
  readonly blockHeight: number;
  readonly offsets: readonly number[];
  readonly byteCounts: readonly number[];
}

/**
 * Reads and checks the layout of the picture that a directory describes: nothing is allocated here.
 * @throws {FormatError} NO_PIXELS, CORRUPT, TOO_LARGE, TRUNCATED, UNSUPPORTED_FORMAT
 * @source TIFF 6.0 sections 3 to 8 (strips), 14 (predictor), 15 (tiles), 19 (SampleFormat)
 */
export function readLayout(structure: TiffStructure, ifd: Ifd): RasterLayout {
  const { source } = structure;
  const one = (tag: number, fallback: number) => number(structure, ifd, tag) ?? fallback;
  const width = one(256, 0);
  const height = one(257, 0);
  const tiled = ifd.fields.has(324);
  if (!tiled && !ifd.fields.has(273)) {
    throw formatError(source, 'NO_PIXELS', 'Expected picture data but the file holds a header only', {
      at: ifd.at,
    });
  }
  checkSize(source, width, height);
  const bitList = numbers(structure, ifd, 258);
  const samples = one(277, bitList.length || 1);
  const bits = bitList[0] ?? 1;
  const formatCode = one(339, 1);
  const format = ({ 1: 'uint', 2: 'int', 3: 'float', 4: 'uint' } as const)[formatCode];
  if (format === undefined) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected integer or float samples but SampleFormat is ${formatCode}`,
    );
  }
  if (!(samples >= 1 && samples <= 16) || bitList.some((b) => b !== bits)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected 1 to 16 samples of equal depth but found ${samples} of ${bitList.join(', ')} bits`,
    );
  }
  const blockWidth = tiled ? one(322, 0) : width;
  const blockHeight = tiled ? one(323, 0) : Math.min(height, one(278, height));
  if (!(blockWidth >= 1 && blockWidth <= 65_535 && blockHeight >= 1 && blockHeight <= 65_535)) {
    throw formatError(
      source,
      'CORRUPT',
      `Expected tiles or strips of at least one pixel but found ${blockWidth} x ${blockHeight}`,
    );
  }
  if (blockWidth * blockHeight > 4 * width * height + 4096 * 4096) {
    throw formatError(
      source,
      'TOO_LARGE',
      `Expected tiles near the size of the picture but found ${blockWidth} x ${blockHeight}`,
    );
  }
  const planar = one(284, 1) === 2 && samples > 1;
  const perPlane = Math.ceil(width / blockWidth) * Math.ceil(height / blockHeight);
  const blocks = perPlane * (planar ? samples : 1);
  const offsets = numbers(structure, ifd, tiled ? 324 : 273);
  let byteCounts = numbers(structure, ifd, tiled ? 325 : 279);
  const compression = one(259, 1);
  if (byteCounts.length === 0 && blocks === 1 && compression === 1) {
    byteCounts = [Math.ceil((width * samples * bits) / 8) * height];
  }
  if (offsets.length < blocks || byteCounts.length < blocks) {
    throw formatError(
      source,
      'CORRUPT',
      `Expected ${blocks} strips or tiles but the file lists ${offsets.length}`,
    );
  }
  return {
    width,
    height,
    samples,
    bits,
    format,
    compression,
    photometric: one(262, 1),
    planar,
    predictor: one(317, 1),
    reversed: one(266, 1) === 2,
    blockWidth,
    blockHeight,
    offsets: offsets.slice(0, blocks),
    byteCounts: byteCounts.slice(0, blocks),
  };
}

/** Makes the array that holds one kind of sample. */
function makeSamples(source: Source, { format, bits }: RasterLayout, count: number): Samples {
  if (format === 'float') {
    if (bits === 16 || bits === 32) return new Float32Array(count);
    if (bits === 64) return new Float64Array(count);
  } else if (format === 'uint') {
    if (bits <= 8 && bits >= 1) return new Uint8Array(count);
    if (bits <= 16) return new Uint16Array(count);
    if (bits === 32) return new Uint32Array(count);
  } else {
    if (bits === 8) return new Int8Array(count);
    if (bits === 16) return new Int16Array(count);
    if (bits === 32) return new Int32Array(count);
  }
  throw formatError(
    source,
    'UNSUPPORTED_FORMAT',
    `Expected samples of 8, 16 or 32 bits but found ${bits}-bit ${format}`,
  );
}

const NATIVE_LITTLE = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

/**
 * Decodes the samples of a picture, planar (one plane a sample), in the machine's byte order.
 *
 * @throws {FormatError} UNSUPPORTED_FORMAT for an unknown compression or predictor, TRUNCATED when data are missing
 */
export async function decodeRaster(structure: TiffStructure, layout: RasterLayout): Promise<Samples> {
  const { source } = structure;
  const { width, height, samples, bits, compression, planar, blockWidth, blockHeight, predictor } = layout;
  if (!(compression in COMPRESSION_NAMES) || ![1, 5, 8, 32773, 32946].includes(compression)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected no compression, LZW, Deflate or PackBits but the picture uses ${COMPRESSION_NAMES[compression] ?? 'unknown'} compression (${compression})`,
    );
  }
  if (
    predictor !== 1 &&
    !(predictor === 2 && layout.format !== 'float') &&
    !(predictor === 3 && layout.format === 'float')
  ) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected predictor 1, 2 (integers) or 3 (float) but found ${predictor} on ${layout.format} samples`,
    );
  }
  if (predictor === 2 && bits % 8 !== 0) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected whole bytes under predictor 2 but found ${bits}-bit samples`,
    );
  }
  const direct = viewOfWhole(structure, layout);
  if (direct !== undefined) return direct;
  const inBlock = planar ? 1 : samples;
  const rowBytes = Math.ceil((blockWidth * inBlock * bits) / 8);
  checkStored(source, layout);
  checkPlausible(source, layout, rowBytes);
  const out = makeSamples(source, layout, width * height * samples);
  const across = Math.ceil(width / blockWidth);
  const perPlane = across * Math.ceil(height / blockHeight);
  const tiled = blockWidth !== width;
  for (let block = 0; block < layout.offsets.length; block++) {
    const plane = planar ? Math.floor(block / perPlane) : 0;
    const index = block % perPlane;
    const left = (index % across) * blockWidth;
    const top = Math.floor(index / across) * blockHeight;
    const rows = Math.min(blockHeight, height - top);
    const expected = rowBytes * (tiled ? blockHeight : rows);
    const at = layout.offsets[block]!;
    const stored = source.bytes.subarray(
      structure.base + at,
      structure.base + at + layout.byteCounts[block]!,
    );
    const data = await decompressBlock(layout.reversed ? reverseBits(stored) : stored, compression, expected);
    if (data === undefined || data.byteLength < rowBytes * rows) {
      throw formatError(
        source,
        'TRUNCATED',
        `Expected ${rowBytes * rows} bytes in strip or tile ${block + 1} of ${layout.offsets.length} but found ${data?.byteLength ?? 0}`,
        { at },
      );
    }
    const columns = Math.min(blockWidth, width - left);
    const row = makeSamples(source, layout, blockWidth * inBlock);
    for (let y = 0; y < rows; y++) {
      readRow(data.subarray(y * rowBytes, (y + 1) * rowBytes), row, layout, structure.littleEndian, inBlock);
      for (let s = 0; s < inBlock; s++) {
        const to = ((plane + s) * height + top + y) * width + left;
        if (inBlock === 1) {
          out.set(columns === row.length ? row : row.subarray(0, columns), to);
        } else for (let x = 0; x < columns; x++) out[to + x] = row[x * inBlock + s]!;
      }
    }
  }
  return out;
}

/**
 * Every strip or tile has to lie in the file: checked before anything is allocated.
 * @throws {FormatError} TRUNCATED
 */
export function checkStored(source: Source, layout: RasterLayout): void {
  layout.offsets.forEach((at, i) => {
    const length = layout.byteCounts[i]!;
    if (!inside(source, at, length)) {
      throw formatError(
        source,
        'TRUNCATED',
        `Expected the picture to reach byte ${at + length} but the file is cut off at byte ${source.bytes.byteLength}`,
        { at },
      );
    }
  });
}

/** Refuses a size that what is stored can never unpack to. */
function checkPlausible(source: Source, layout: RasterLayout, rowBytes: number): void {
  const stored = layout.byteCounts.reduce((sum, length) => sum + length, 0);
  const needed = rowBytes * layout.blockHeight * layout.offsets.length;
  // No codec here packs more than about 1:1100 (Deflate, RFC 1951): more is a lie about the size.
  const most = layout.compression === 1 ? 1 : 1200;
  const whole =
    (rowBytes / layout.blockWidth) * layout.width * layout.height * (layout.planar ? layout.samples : 1);
  if (Math.min(needed, whole) > stored * most + 4096) {
    throw formatError(
      source,
      'TRUNCATED',
      `Expected about ${Math.round(whole)} bytes of picture but the strips or tiles hold ${stored}`,
      { at: layout.offsets[0]! },
    );
  }
}

/** The whole picture as a view, without a copy, where it lies in one piece in the machine's own form. */
function viewOfWhole(structure: TiffStructure, layout: RasterLayout): Samples | undefined {
  const { source, littleEndian, base } = structure;
  const { compression, bits, format, samples, width, height, blockWidth, predictor } = layout;
  if (compression !== 1 || samples !== 1 || blockWidth !== width || predictor !== 1 || layout.reversed)
    return undefined;
  if (bits !== 16 || format !== 'uint' || littleEndian !== NATIVE_LITTLE) return undefined;
  let end = layout.offsets[0]!;
  for (let i = 0; i < layout.offsets.length; i++) {
    if (layout.offsets[i] !== end) return undefined;
    end += layout.byteCounts[i]!;
  }
  const at = base + layout.offsets[0]!;
  const size = width * height * 2;
  if (end - layout.offsets[0]! < size || !inside(source, at, size)) return undefined;
  const { buffer, byteOffset } = source.bytes;
  return (byteOffset + at) % 2 === 0
    ? new Uint16Array(buffer, byteOffset + at, width * height)
    : new Uint16Array(source.bytes.slice(at, at + size).buffer);
}
