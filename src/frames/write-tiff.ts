import { layTiffHead, type Tag, type TagValue } from './_ifd-write.js';
import { type ExifFields, imageTags, pointerTags } from './exif-block.js';

/** A picture to be written as TIFF. */
export interface TiffContent {
  readonly width: number;
  readonly height: number;
  /** 3: red, green, blue; 1: gray. */
  readonly planes: 1 | 3;
  /** Planar, row-major: `data[(plane*height + y)*width + x]`. NaN in floats is kept. */
  readonly data: Uint16Array | Float32Array;
  /** True when the samples of a pixel lie side by side in `data` already; default planar. */
  readonly interleaved?: boolean;
  /**
   * Writes floats as 16-bit integers: value times this, rounded and kept within 0 to 65535; no data becomes 0.
   * Spares the memory of a second picture.
   */
  readonly integersPerUnit?: number;
  /** What the values mean; linear results carry `LINEAR_SRGB_ICC` or none, pictures `SRGB_ICC` (L48). */
  readonly icc?: Uint8Array;
  readonly exif?: ExifFields;
  /** ImageDescription, ASCII. */
  readonly description?: string;
  /** An XMP packet, as `writeXmp` makes it. @source ISO 16684-3:2021, TIFF: tag 700 */
  readonly xmp?: string;
}

/** Strips near this size read well everywhere (TIFF 6.0 recommends small strips). */
const STRIP_BYTES = 1 << 18;

const LITTLE_ENDIAN = new Uint8Array(new Uint16Array([1]).buffer)[0] === 1;

const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });

/**
 * Writes an uncompressed baseline TIFF: chunky, strips, no alpha (L57), 16-bit integers or 32-bit floats,
 * with EXIF and ICC in their own tags (L46). The same input gives the same bytes.
 *
 * @throws {RangeError} when lengths do not agree or the file would pass 4 GiB
 * @source TIFF 6.0 (Adobe 1992) sections 4 and 6 (bilevel, RGB), 19 (SampleFormat); ICC.1:2010 annex B.3 (tag 34675)
 */
export function writeTiff(content: TiffContent): Uint8Array {
  return joined([...tiffParts(content)]);
}

/** The bytes of `writeTiff` one after the other, about a quarter of a megabyte at a time. */
export function* tiffParts(content: TiffContent): Generator<Uint8Array> {
  const { width, height, planes, data } = content;
  if (data.length !== width * height * planes)
    throw new RangeError(`expected ${width * height * planes} samples but received ${data.length}`);
  const integers = data instanceof Uint16Array || content.integersPerUnit !== undefined;
  const bytesEach = integers ? 2 : 4;
  const rowBytes = width * planes * bytesEach;
  const rows = Math.max(1, Math.min(height, Math.floor(STRIP_BYTES / rowBytes)));
  const blocks = Array.from({ length: Math.ceil(height / rows) }, (_, k) => ({
    byteLength: rowBytes * Math.min(rows, height - k * rows),
  }));
  const each = <T>(value: T): T[] => new Array<T>(planes).fill(value);
  const exif: ExifFields = { width, height, colorSpace: 65535, ...content.exif };
  const tags: Tag[] = [
    { id: 254, value: long(0) },
    { id: 256, value: long(width) },
    { id: 257, value: long(height) },
    { id: 258, value: short(...each(bytesEach * 8)) },
    { id: 259, value: short(1) },
    { id: 262, value: short(planes === 3 ? 2 : 1) },
    { id: 273, value: { type: 'blocks', blocks } },
    { id: 277, value: short(planes) },
    { id: 278, value: long(rows) },
    { id: 279, value: long(...blocks.map((block) => block.byteLength)) },
    { id: 282, value: { type: 'rational', values: [300] } },
    { id: 283, value: { type: 'rational', values: [300] } },
    { id: 284, value: short(1) },
    { id: 296, value: short(2) },
    { id: 339, value: short(...each(integers ? 1 : 3)) },
    ...imageTags({
      ...exif,
      ...(content.description === undefined ? {} : { description: content.description }),
    }),
    ...pointerTags(exif),
  ];
  if (content.xmp !== undefined)
    tags.push({ id: 700, value: { type: 'byte', bytes: new TextEncoder().encode(content.xmp) } });
  if (content.icc !== undefined) tags.push({ id: 34675, value: { type: 'undefined', bytes: content.icc } });
  yield layTiffHead([tags]);
  for (let top = 0; top < height; top += rows) {
    yield chunkyRows(content, top, Math.min(rows, height - top));
  }
}

/** Puts pieces together. */
export function joined(parts: readonly Uint8Array[]): Uint8Array {
  const bytes = new Uint8Array(parts.reduce((sum, part) => sum + part.byteLength, 0));
  let at = 0;
  for (const part of parts) {
    bytes.set(part, at);
    at += part.byteLength;
  }
  return bytes;
}

/** Rows of the picture, samples side by side, little-endian. */
function chunkyRows(content: TiffContent, top: number, rows: number): Uint8Array {
  const { width, height, planes, data, integersPerUnit } = content;
  const count = width * rows;
  if (content.interleaved && LITTLE_ENDIAN && integersPerUnit === undefined) {
    const start = data.byteOffset + top * width * planes * data.BYTES_PER_ELEMENT;
    return new Uint8Array(data.buffer, start, count * planes * data.BYTES_PER_ELEMENT);
  }
  const whole = data instanceof Uint16Array || integersPerUnit !== undefined;
  const ordered = whole ? new Uint16Array(count * planes) : new Float32Array(count * planes);
  const value =
    integersPerUnit === undefined
      ? (at: number) => data[at]!
      : // The store cuts off, so half is added; NaN fails the test.
        (at: number) => (data[at]! > 0 ? Math.min(65535, data[at]! * integersPerUnit + 0.5) : 0);
  for (let plane = 0; plane < planes; plane++) {
    const from = content.interleaved ? top * width * planes + plane : (plane * height + top) * width;
    const step = content.interleaved ? planes : 1;
    for (let i = 0, to = plane; i < count; i++, to += planes) ordered[to] = value(from + i * step);
  }
  if (!LITTLE_ENDIAN) {
    const view = new DataView(ordered.buffer);
    ordered.forEach((value, i) => {
      if (ordered instanceof Float32Array) view.setFloat32(4 * i, value, true);
      else view.setUint16(2 * i, value, true);
    });
  }
  return new Uint8Array(ordered.buffer);
}
