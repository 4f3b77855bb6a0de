import type { FrameHeader, FramePixels } from '../core/index.js';
import { exifDirectories, readExif } from './_exif-read.js';
import { finishHeader, type HeaderFields } from './_header-fields.js';
import { readTiffStructure } from './_ifd.js';
import { inflate } from './_inflate.js';
import { CODEC, type CodedPicture, decodeCoded, linearPixels } from './_sharp-pixels.js';
import { checkSize, formatError, hasText, inside, latin1, type Source } from './_source.js';
import { LINEAR_TONE, SRGB_TONE, type Tone, toneOfProfile } from './_tone.js';

const KIND = { format: 'png', formatName: 'PNG' } as const;

export function isPng(head: Uint8Array): boolean {
  return head[0] === 0x89 && hasText(head, 1, 'PNG\r\n\x1a\n');
}

interface PngChunks {
  readonly width: number;
  readonly height: number;
  readonly bits: number;
  readonly fields: HeaderFields;
  /** A stated tone: profile, sRGB chunk or gamma; undefined when the file says nothing. */
  readonly tone: Tone | undefined;
  readonly complete: boolean;
}

/** @source W3C PNG specification, 3rd edition, sections 5 and 11 */
async function readChunks(source: Source): Promise<PngChunks> {
  const { view, bytes } = source;
  if (!inside(source, 0, 33) || !hasText(bytes, 12, 'IHDR')) {
    throw formatError(source, bytes.byteLength < 33 ? 'TRUNCATED' : 'CORRUPT', 'Expected a PNG header', {
      at: 8,
    });
  }
  const [width, height, bits] = [view.getUint32(16), view.getUint32(20), bytes[24]!];
  let fields: HeaderFields = { warnings: [] };
  let tone: Tone | undefined;
  let complete = false;
  let at = 8;
  while (inside(source, at, 12)) {
    const length = view.getUint32(at);
    const name = latin1(bytes.subarray(at + 4, at + 8));
    const body = at + 8;
    if (name === 'IEND') {
      complete = true;
      break;
    }
    if (!inside(source, body, length + 4)) break;
    if (name === 'eXIf') {
      try {
        fields = readExif(exifDirectories(readTiffStructure(source, body)));
      } catch (error) {
        fields.warnings.push(
          `The EXIF block is damaged and was left out: ${error instanceof Error ? error.message : error}`,
        );
      }
    } else if (name === 'iCCP') {
      const zero = bytes.subarray(body, body + Math.min(80, length)).indexOf(0);
      if (zero >= 0) {
        const profile = await inflate(bytes.subarray(body + zero + 2, body + length), 'deflate', 4_000_000);
        tone = toneOfProfile(profile.bytes) ?? tone;
      }
    } else if (name === 'sRGB') tone ??= SRGB_TONE;
    else if (name === 'gAMA' && length === 4 && tone === undefined) {
      const gamma = view.getUint32(body) / 100_000;
      // 0.45455 goes with sRGB; 1 is linear.
      if (gamma > 0.1 && gamma < 4)
        tone = { curves: [(signal) => signal ** (1 / gamma)], linear: Math.abs(gamma - 1) < 0.001 };
    }
    at = body + length + 4;
  }
  return { width, height, bits, fields, tone, complete };
}

export async function readPngHeader(source: Source): Promise<FrameHeader> {
  const { fields, width, height } = await readChunks(source);
  fields.width = width;
  fields.height = height;
  return finishHeader(KIND, fields, source.path);
}

/**
 * Reads a PNG. With a stated curve (profile, sRGB, gamma) it is brought to linear light with white at 65535;
 * without one 8 bits are taken as sRGB, and 16 bits as linear counts.
 */
export async function readPngPixels(source: Source): Promise<FramePixels> {
  const chunks = await readChunks(source);
  checkSize(source, chunks.width, chunks.height);
  if (!chunks.complete)
    throw formatError(source, 'TRUNCATED', 'Expected a whole PNG but it ends before its end mark');
  const deep = chunks.bits === 16;
  const picture = await decodeCoded(source, { deep });
  const tone = chunks.tone ?? (deep ? LINEAR_TONE : SRGB_TONE);
  const warnings =
    chunks.tone !== undefined
      ? []
      : [`The PNG does not say what its values mean; ${deep ? 'linear counts were' : 'sRGB was'} assumed.`];
  return linearPixels(grayIfAlike(picture), tone, { codes: deep ? 65536 : 256, decoder: CODEC, warnings });
}

/**
 * A camera without a colour filter whose program wrote each value three times: one plane of it, so that it is
 * calibrated as what it is. Pictures of a single value stay as they are, they tell nothing.
 */
function grayIfAlike(picture: CodedPicture): CodedPicture {
  const { channels, data, width, height } = picture;
  if (channels !== 3) return picture;
  let varies = false;
  for (let i = 0; i < data.length; i += 3) {
    if (data[i] !== data[i + 1] || data[i] !== data[i + 2]) return picture;
    varies ||= data[i] !== data[0];
  }
  if (!varies) return picture;
  const gray = data.slice(0, width * height);
  for (let i = 0; i < gray.length; i++) gray[i] = data[3 * i]!;
  return { width, height, channels: 1, data: gray };
}
