import type { FrameHeader, FramePixels } from '../core/index.js';
import { exifDirectories, readExif, settlePitch, statedSize } from './_exif-read.js';
import { finishHeader, type HeaderFields } from './_header-fields.js';
import { readTiffStructure } from './_ifd.js';
import { hasJpegEnd, readJpegSegments } from './_jpeg-segments.js';
import { CODEC, decodeCoded, linearPixels } from './_sharp-pixels.js';
import { checkSize, formatError, type Source } from './_source.js';
import { SRGB_TONE, toneOfProfile } from './_tone.js';

const KIND = { format: 'jpeg', formatName: 'JPEG' } as const;

export function isJpeg(head: Uint8Array): boolean {
  return head[0] === 0xff && head[1] === 0xd8 && head[2] === 0xff;
}

/** EXIF fields of a JPEG that starts at `start`; damage in the EXIF block is a warning, not an error (L28). */
export function readJpegFields(source: Source, start = 0): HeaderFields {
  const segments = readJpegSegments(source, start);
  let fields: HeaderFields = { warnings: [] };
  let stated: ReturnType<typeof statedSize> = {};
  if (segments.exifAt !== undefined) {
    try {
      const directories = exifDirectories(readTiffStructure(source, segments.exifAt));
      fields = readExif(directories);
      stated = statedSize(directories);
    } catch (error) {
      fields.warnings.push(
        `The EXIF block is damaged and was left out: ${error instanceof Error ? error.message : error}`,
      );
    }
  }
  if (segments.width) fields.width = segments.width;
  if (segments.height) fields.height = segments.height;
  settlePitch(fields, stated);
  return fields;
}

export async function readJpegHeader(source: Source): Promise<FrameHeader> {
  return finishHeader(KIND, readJpegFields(source), source.path);
}

/**
 * Reads a JPEG to linear light through its profile's curve, sRGB without one.
 * @throws {FormatError} TRUNCATED, CORRUPT, NO_PIXELS, TOO_LARGE, UNSUPPORTED_FORMAT
 */
export async function readJpegPixels(source: Source): Promise<FramePixels> {
  const segments = readJpegSegments(source);
  if (segments.width !== undefined && segments.height !== undefined) {
    checkSize(source, segments.width, segments.height);
  }
  if (segments.unusual) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      'Expected a baseline or progressive JPEG but found a lossless or arithmetic one',
    );
  }
  if (!segments.hasPicture) {
    throw formatError(
      source,
      hasJpegEnd(source.bytes) ? 'NO_PIXELS' : 'TRUNCATED',
      'Expected picture data but the JPEG holds a header only',
    );
  }
  const picture = await decodeCoded(source, { deep: false });
  const tone = toneOfProfile(segments.icc);
  const warnings =
    segments.icc !== undefined && tone === undefined
      ? ['The embedded colour profile is of a kind that is not read; sRGB was assumed.']
      : [];
  return linearPixels(picture, tone ?? SRGB_TONE, { codes: 256, decoder: CODEC, warnings });
}
