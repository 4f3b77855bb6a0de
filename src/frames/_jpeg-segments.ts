import { formatError, hasText, inside, type Source } from './_source.js';

/** What the segments of a JPEG say, pixels aside. */
export interface JpegSegments {
  readonly width?: number;
  readonly height?: number;
  readonly components?: number;
  /** Where the TIFF structure of the EXIF segment starts. */
  readonly exifAt?: number;
  readonly icc?: Uint8Array;
  /** Lossless or arithmetic coding, which nobody's camera JPEG uses. */
  readonly unusual: boolean;
  readonly hasPicture: boolean;
}

/**
 * Walks the marker segments up to the picture data.
 * @throws {FormatError} CORRUPT when it does not start as a JPEG
 * @source ITU-T T.81 (1992) annex B; Exif 2.32 4.7.2 (APP1); ICC.1:2010 annex B.4 (APP2)
 */
export function readJpegSegments(source: Source, start = 0): JpegSegments {
  const { bytes, view } = source;
  if (bytes[start] !== 0xff || bytes[start + 1] !== 0xd8) {
    throw formatError(source, 'CORRUPT', 'Expected a JPEG start marker', { at: start });
  }
  const found: { -readonly [K in keyof JpegSegments]: JpegSegments[K] } = {
    unusual: false,
    hasPicture: false,
  };
  const icc: Uint8Array[] = [];
  let at = start + 2;
  while (inside(source, at, 4)) {
    if (bytes[at] !== 0xff) break;
    const marker = bytes[at + 1]!;
    if (marker === 0xff) {
      at++;
      continue;
    }
    if (marker === 0x01 || (marker >= 0xd0 && marker <= 0xd8)) {
      at += 2;
      continue;
    }
    if (marker === 0xda) {
      found.hasPicture = true;
      break;
    }
    if (marker === 0xd9) break;
    const length = view.getUint16(at + 2);
    if (length < 2) break;
    if (marker >= 0xc0 && marker <= 0xcf && ![0xc4, 0xc8, 0xcc].includes(marker) && inside(source, at, 10)) {
      found.height = view.getUint16(at + 5);
      found.width = view.getUint16(at + 7);
      found.components = bytes[at + 9]!;
      found.unusual = marker !== 0xc0 && marker !== 0xc1 && marker !== 0xc2;
    } else if (marker === 0xe1 && found.exifAt === undefined && hasText(bytes, at + 4, 'Exif\0')) {
      found.exifAt = at + 10;
    } else if (marker === 0xe2 && hasText(bytes, at + 4, 'ICC_PROFILE\0') && inside(source, at, 2 + length)) {
      icc[(bytes[at + 16] ?? 1) - 1] = bytes.subarray(at + 18, at + 2 + length);
    }
    at += 2 + length;
  }
  if (icc.length > 0) {
    const parts = icc.filter((part) => part !== undefined);
    const whole = new Uint8Array(parts.reduce((sum, part) => sum + part.byteLength, 0));
    let to = 0;
    for (const part of parts) {
      whole.set(part, to);
      to += part.byteLength;
    }
    found.icc = whole;
  }
  return found;
}

/** True when the file ends with the JPEG end marker, bytes after it aside. */
export function hasJpegEnd(bytes: Uint8Array): boolean {
  for (let i = bytes.byteLength - 2; i >= 2; i--) if (bytes[i] === 0xff && bytes[i + 1] === 0xd9) return true;
  return false;
}
