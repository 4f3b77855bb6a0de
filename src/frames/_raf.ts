import { fillGaps, type HeaderFields } from './_header-fields.js';
import { hasText, inside, latin1, type Source } from './_source.js';
import { readJpegFields } from './jpeg.js';

/**
 * RAF: a header that points to a JPEG with the EXIF block.
 * @source exiftool 12.57 RAF notes: JPEG offset at 84, length at 88; raw directory at 92, pixels at 100 (big-endian)
 */
export function rafFields(source: Source): HeaderFields {
  const { view } = source;
  const fields: HeaderFields = { warnings: [] };
  if (!inside(source, 84, 24)) return fields;
  const jpegAt = view.getUint32(84);
  if (inside(source, jpegAt, 4) && view.getUint16(jpegAt) === 0xffd8)
    fillGaps(fields, readJpegFields(source, jpegAt));
  else {
    fields.cameraMake = 'FUJIFILM';
    const model = latin1(source.bytes.subarray(28, 60)).split('\0')[0]!.trim();
    if (model !== '') fields.cameraModel = model;
  }
  const size = rafRecords(source).get(0x0100);
  fields.width = undefined;
  fields.height = undefined;
  if (size !== undefined && size.byteLength >= 4) {
    const [high, low] = [(size[0]! << 8) | size[1]!, (size[2]! << 8) | size[3]!];
    fields.width = low;
    fields.height = high;
  }
  return fields;
}

/** Records of the RAF raw directory: number -> bytes. */
function rafRecords(source: Source): Map<number, Uint8Array> {
  const { view } = source;
  const records = new Map<number, Uint8Array>();
  if (!inside(source, 92, 8)) return records;
  let at = view.getUint32(92);
  if (!inside(source, at, 4)) return records;
  const count = Math.min(256, view.getUint32(at));
  at += 4;
  for (let i = 0; i < count && inside(source, at, 4); i++) {
    const [tag, size] = [view.getUint16(at), view.getUint16(at + 2)];
    if (!inside(source, at + 4, size)) break;
    records.set(tag, source.bytes.subarray(at + 4, at + 4 + size));
    at += 4 + size;
  }
  return records;
}

/**
 * The 6x6 pattern of a RAF in full sensor coordinates, 0 red, 1 green, 2 blue; undefined for 2x2 sensors.
 * @source exiftool 12.57 RAF record 0x0131 (XTransLayout): 36 bytes, last first, values 0 red, 1 green, 2 blue
 */
export function rafPattern(source: Source): readonly number[] | undefined {
  if (!hasText(source.bytes, 0, 'FUJIFILMCCD-RAW')) return undefined;
  const layout = rafRecords(source).get(0x0131);
  return layout?.byteLength === 36 ? [...layout].reverse().map((value) => value & 3) : undefined;
}
