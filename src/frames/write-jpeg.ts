import sharp from 'sharp';
import { type ExifFields, exifBlock } from './exif-block.js';
import { SRGB_ICC } from './icc.js';

/** A finished picture: 8-bit sRGB samples, chunky. */
export interface JpegContent {
  readonly width: number;
  readonly height: number;
  /** u8[height*width*3], red, green, blue side by side. */
  readonly data: Uint8Array | Uint8ClampedArray;
  /** 1..100, default 92. */
  readonly quality?: number;
  readonly exif?: ExifFields;
  /** Default sRGB. */
  readonly icc?: Uint8Array;
}

const letters = (text: string): number[] => [...text].map((letter) => letter.charCodeAt(0));

function segment(marker: number, parts: readonly ArrayLike<number>[]): Uint8Array {
  const length = 2 + parts.reduce((sum, part) => sum + part.length, 0);
  if (length > 65535) throw new RangeError(`a JPEG segment holds at most 65533 bytes, not ${length - 2}`);
  const bytes = new Uint8Array(2 + length);
  bytes.set([0xff, marker, length >> 8, length & 0xff]);
  let at = 4;
  for (const part of parts) {
    bytes.set(part, at);
    at += part.length;
  }
  return bytes;
}

/**
 * Puts an EXIF block and an ICC profile right behind a JPEG's start marker (and its JFIF segment).
 * @source Exif 2.32 section 4.5.4 (APP1), ICC.1:2010 annex B.4 (APP2, parts of 65519 bytes)
 */
export function withJpegMetadata(
  jpeg: Uint8Array,
  { exif, icc }: { readonly exif?: Uint8Array | undefined; readonly icc?: Uint8Array | undefined },
): Uint8Array {
  const parts: Uint8Array[] = [];
  if (exif) parts.push(segment(0xe1, [letters('Exif'), [0, 0], exif]));
  if (icc) {
    const room = 65519;
    const count = Math.ceil(icc.byteLength / room);
    for (let i = 0; i < count; i++) {
      parts.push(
        segment(0xe2, [letters('ICC_PROFILE'), [0, i + 1, count], icc.subarray(i * room, (i + 1) * room)]),
      );
    }
  }
  // Exif wants APP1 first; a JFIF segment would only compete with it, so it goes.
  let rest = 2;
  if (jpeg[2] === 0xff && jpeg[3] === 0xe0) rest = 4 + ((jpeg[4]! << 8) | jpeg[5]!);
  const size = parts.reduce((sum, part) => sum + part.byteLength, 0);
  const out = new Uint8Array(2 + size + jpeg.byteLength - rest);
  out.set([0xff, 0xd8]);
  let at = 2;
  for (const part of parts) {
    out.set(part, at);
    at += part.byteLength;
  }
  out.set(jpeg.subarray(rest), at);
  return out;
}

/**
 * Writes an 8-bit sRGB picture as JPEG with EXIF and an ICC profile; the same input gives the same bytes.
 * @throws {RangeError} when lengths do not agree
 */
export async function writeJpeg(content: JpegContent): Promise<Uint8Array> {
  const { width, height, data } = content;
  if (data.length !== width * height * 3)
    throw new RangeError(`expected ${width * height * 3} samples but received ${data.length}`);
  const jpeg = await sharp(new Uint8Array(data.buffer, data.byteOffset, data.byteLength), {
    raw: { width, height, channels: 3 },
    limitInputPixels: false,
  })
    .jpeg({ quality: content.quality ?? 92, chromaSubsampling: '4:4:4' })
    .toBuffer();
  return withJpegMetadata(jpeg, {
    icc: content.icc ?? SRGB_ICC,
    exif: content.exif && exifBlock({ colorSpace: 1, width, height, ...content.exif }),
  });
}
