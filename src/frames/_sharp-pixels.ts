import sharp from 'sharp';
import type { FramePixels } from '../core/index.js';
import { planesThrough, roomDuring } from './_light-planes.js';
import { checkSize, formatError, MAX_PIXELS, type Source } from './_source.js';
import { lightTables, type Tone } from './_tone.js';

// One frame at a time; the codec's own cache and threads only cost memory here (L52).
sharp.cache(false);
sharp.concurrency(1);

/** Codes of a coded picture, samples side by side. */
export interface CodedPicture {
  readonly width: number;
  readonly height: number;
  readonly channels: number;
  readonly data: Uint8Array | Uint16Array;
  /** Zeros for the result, f32[planes*height*width], asked of the system while the codec worked. */
  readonly room?: Float32Array;
}

/**
 * Decodes a JPEG or PNG to its own codes: no rotation, no profile applied, alpha taken off.
 * @throws {FormatError} TRUNCATED, CORRUPT, TOO_LARGE, UNSUPPORTED_FORMAT
 */
export async function decodeCoded(
  source: Source,
  { deep }: { readonly deep: boolean },
): Promise<CodedPicture> {
  try {
    const image = sharp(source.bytes, {
      failOn: 'truncated',
      limitInputPixels: MAX_PIXELS,
      ignoreIcc: true,
      sequentialRead: true,
    });
    const meta = await image.metadata();
    checkSize(source, meta.width, meta.height);
    if (meta.space === 'cmyk') {
      throw formatError(
        source,
        'UNSUPPORTED_FORMAT',
        'Expected RGB or gray but the picture is CMYK, as for print',
      );
    }
    const gray = meta.channels <= 2 && !meta.isPalette;
    // What already is three bytes a pixel is handed over as it is: asking for nothing saves a walk over all of it.
    const asIs = !deep && meta.space === 'srgb' && meta.channels === 3 && meta.depth === 'uchar';
    const work = (
      asIs
        ? image
        : image.removeAlpha().toColourspace(deep ? (gray ? 'grey16' : 'rgb16') : gray ? 'b-w' : 'srgb')
    ).raw({ depth: deep ? 'ushort' : 'uchar' });
    const decoding = work.toBuffer({ resolveWithObject: true });
    const room = await roomDuring((gray ? 1 : 3) * meta.width * meta.height, decoding);
    const { data, info } = await decoding;
    const count = info.width * info.height * info.channels;
    // The codec hands over bytes: the length says whether they are what was asked for (L44).
    if (data.byteLength !== count * (deep ? 2 : 1)) {
      throw formatError(
        source,
        'CORRUPT',
        `Expected ${count} samples but the codec gave ${data.byteLength} bytes`,
      );
    }
    return {
      width: info.width,
      height: info.height,
      channels: info.channels,
      data: deep ? asUint16(data) : new Uint8Array(data.buffer, data.byteOffset, data.byteLength),
      ...(room ? { room } : {}),
    };
  } catch (error) {
    throw translate(source, error);
  }
}

function asUint16(data: Uint8Array): Uint16Array {
  return data.byteOffset % 2 === 0
    ? new Uint16Array(data.buffer, data.byteOffset, data.byteLength / 2)
    : new Uint16Array(data.slice().buffer);
}

function translate(source: Source, error: unknown): unknown {
  if (error instanceof Error && 'byteOffset' in error) return error;
  const message = error instanceof Error ? error.message : String(error);
  const cut = /premature|truncated|unexpected end|end of (stream|file)|read error|IDAT/i.test(message);
  if (/exceeds pixel limit/i.test(message)) {
    return formatError(source, 'TOO_LARGE', `Expected a picture of at most ${MAX_PIXELS / 1e6} megapixels`, {
      cause: error,
    });
  }
  return formatError(
    source,
    cut ? 'TRUNCATED' : 'CORRUPT',
    cut
      ? 'Expected a whole picture but its data end early'
      : `Expected a readable picture but its data are damaged: ${message.split('\n')[0]!.slice(0, 200)}`,
    { cause: error },
  );
}

/** Codes -> linear light through the tone's curves, planar, white at 65535. */
export function linearPixels(
  picture: CodedPicture,
  tone: Tone,
  {
    codes,
    decoder,
    warnings = [],
  }: { readonly codes: number; readonly decoder: string; readonly warnings?: readonly string[] },
): FramePixels {
  const { width, height, channels, data } = picture;
  const planes = channels >= 3 ? 3 : 1;
  const size = width * height;
  const { room } = picture;
  const out = room?.length === planes * size ? room : new Float32Array(planes * size);
  const tables = lightTables(tone, codes);
  const [red, green = red, blue = red] = tables as [Float32Array, Float32Array?, Float32Array?];
  if (planes === 1) {
    for (let i = 0, from = 0; i < size; i++, from += channels) out[i] = red[data[from]!]!;
  } else {
    planesThrough(data, [red, green, blue], { channels, out });
  }
  return {
    kind: planes === 3 ? 'color' : 'mono',
    width,
    height,
    data: out,
    blackLevel: [0],
    whiteLevel: [65535, 65535, 65535],
    quantization: red[1]!,
    ...(planes === 3
      ? {
          color: {
            multipliers: [1, 1, 1] as const,
            cameraToSrgb: tone.toSrgb ?? [1, 0, 0, 0, 1, 0, 0, 0, 1],
          },
        }
      : {}),
    decoder,
    warnings,
  };
}

/** Name and version of the codec, for `FramePixels.decoder`. */
export const CODEC = `sharp ${sharp.versions.sharp ?? ''} (libvips ${sharp.versions.vips})`;
