import {
  type CameraColor,
  FormatError,
  type FrameHeader,
  type FramePixels,
  withArticle,
} from '../core/index.js';
import { exifDirectories, settlePitch } from './_exif-read.js';
import { fillGaps, finishHeader, type HeaderFields, positive, within } from './_header-fields.js';
import { number, readTiffStructure } from './_ifd.js';
import { nikonNote } from './_maker-note.js';
import { mosaicPixels } from './_mosaic.js';
import { blackAndPattern } from './_raw-black.js';
import { endsBefore, type RawContainer, rawContainer, readRawFields } from './_raw-containers.js';
import { type DecodedRaw, type DecoderFacts, decodeRaw, hasRawDecoder, RAW_DECODER } from './_raw-decoder.js';
import { formatError, type Source } from './_source.js';
import { isBlank } from './dng.js';

export function extensionOf(path: string): string {
  return /\.([^./\\]+)$/.exec(path)?.[1]?.toLowerCase() ?? '';
}

function containerOf(source: Source): RawContainer {
  return (
    rawContainer(source.bytes, extensionOf(source.path)) ?? {
      id: 'tiff',
      formatName: 'RAW',
    }
  );
}

/**
 * Reads the header of a RAW file: from its container, and from the decoder what that leaves open (L29).
 * @throws {FormatError} when neither can read it
 */
export async function readRawHeader(source: Source): Promise<FrameHeader> {
  const container = containerOf(source);
  const kind = { format: 'raw', formatName: container.formatName } as const;
  let fields: HeaderFields | undefined;
  let damage: unknown;
  try {
    fields = readRawFields(source, container);
  } catch (error) {
    damage = error;
  }
  // The decoder's word on the size is the one that the pixels will have; a header alone is cheap for it.
  if (hasRawDecoder()) {
    try {
      const { facts } = await decodeRaw(source, { want: 'facts', formatName: container.formatName });
      fields ??= { warnings: [] };
      fillGaps(fields, fieldsOfFacts(facts));
      fields.width = facts.width;
      fields.height = facts.height;
    } catch (error) {
      if (!(error instanceof FormatError)) throw error;
      if (fields === undefined) throw cut(source, container) ?? damage ?? error;
      fields.warnings.push('The RAW decoder does not know this file.');
    }
  }
  if (fields === undefined) throw cut(source, container) ?? damage ?? unknownToUs(source, container);
  settlePitch(fields);
  return finishHeader(kind, fields, source.path);
}

function unknownToUs(source: Source, container: RawContainer): FormatError {
  return formatError(
    source,
    'UNSUPPORTED_FORMAT',
    `Expected a header that is read without the RAW decoder but ${container.formatName} needs it`,
  );
}

function fieldsOfFacts(facts: DecoderFacts): HeaderFields {
  const known = (words: string) => (words === '' ? undefined : words);
  const seconds = positive(facts.timestamp);
  return {
    warnings: [],
    cameraMake: known(facts.make),
    cameraModel: known(facts.model),
    lens: known(facts.lens),
    serial: known(facts.serial),
    iso: positive(facts.iso),
    exposureTime: positive(facts.exposureTime),
    fNumber: within(positive(facts.fNumber), 0.5, 128),
    focalLengthMm: within(positive(facts.focalLengthMm), 0.5, 20_000),
    temperature: facts.temperature,
    orientation: facts.orientation,
    // The decoder counts the wall clock as if it were UTC (no zone is set in its sandbox).
    ...(seconds === undefined || seconds < 631_152_000
      ? {}
      : { wallTime: new Date(seconds * 1000).toISOString().slice(0, 19) }),
  };
}

/** The error for a file that its own description says was longer. */
function cut(source: Source, container: RawContainer): FormatError | undefined {
  const end = endsBefore(source, container);
  return end === undefined
    ? undefined
    : formatError(
        source,
        'TRUNCATED',
        `Expected ${withArticle(container.formatName)} of at least ${end} bytes but the file ends at byte ${source.bytes.byteLength}`,
        { at: source.bytes.byteLength },
      );
}

/** Compressions that the decoder turns into wrong colours or crashes on: told by tag before it is asked (L14). */
function refuseKnownLimits(source: Source, container: RawContainer): void {
  if (container.formatName !== 'Nikon NEF' && container.formatName !== 'Nikon NRW') return;
  try {
    const structure = readTiffStructure(source);
    const compression = nikonCompression(structure);
    if (compression === 13 || compression === 14) {
      throw formatError(
        source,
        'DECODER_LIMIT',
        'Expected a NEF with lossless compression but this one is "high efficiency"; choose lossless compression in the camera',
      );
    }
  } catch (error) {
    if (error instanceof FormatError && error.code === 'DECODER_LIMIT') throw error;
    // A broken directory is the decoder's to report.
  }
}

/** @source exiftool 12.57 Nikon table: 0x0093 NEFCompression, 13 high efficiency, 14 high efficiency* */
function nikonCompression(structure: ReturnType<typeof readTiffStructure>): number | undefined {
  const note = nikonNote(structure, exifDirectories(structure).exif);
  return note && number(note.structure, note.ifd, 0x0093);
}

/**
 * Reads the mosaic of a RAW file, or its three colours where it holds those (L16).
 * @throws {FormatError} TRUNCATED, CORRUPT, DECODER_LIMIT, UNSUPPORTED_FORMAT, NO_PIXELS, TOO_LARGE
 */
export async function readRawPixels(source: Source): Promise<FramePixels> {
  const container = containerOf(source);
  refuseKnownLimits(source, container);
  let decoded: DecodedRaw;
  try {
    decoded = await decodeRaw(source, { want: 'pixels', formatName: container.formatName });
  } catch (error) {
    throw (
      (error instanceof FormatError && error.code !== 'TOO_LARGE' ? cut(source, container) : undefined) ??
      error
    );
  }
  const { facts, mosaic, color, complaints } = decoded;
  if (complaints.some((line) => /corrupt|end of file/i.test(line))) {
    throw (
      cut(source, container) ??
      formatError(source, 'CORRUPT', 'Expected sound RAW data but the decoder met damage in them')
    );
  }
  const samples = mosaic ?? color;
  // An empty picture without an error is a compression that the decoder lacks (L12).
  if (samples === undefined) {
    throw (
      cut(source, container) ??
      formatError(source, 'DECODER_LIMIT', 'Expected pixels but the decoder gave none, without saying why')
    );
  }
  if (isBlank(samples)) {
    throw (
      cut(source, container) ??
      formatError(source, 'NO_PIXELS', 'Expected a picture but every pixel came out zero')
    );
  }
  const balance = colorOf(facts);
  if (mosaic === undefined) return colorPixels(samples, decoded, balance);
  const { cfa, black, warnings } = blackAndPattern(source, decoded, mosaic);
  return mosaicPixels({
    data: mosaic,
    fullWidth: facts.rawWidth,
    fullHeight: facts.rawHeight,
    left: facts.left,
    top: facts.top,
    width: facts.width,
    height: facts.height,
    cfa,
    black,
    white: [decoded.maximum, decoded.maximum, decoded.maximum],
    ...(balance === undefined ? {} : { color: balance }),
    temperature: facts.temperature,
    decoder: RAW_DECODER,
    warnings,
  });
}

/** Balance as shot, else for daylight, and the matrix that the decoder knows for the body. */
function colorOf(facts: DecoderFacts): CameraColor | undefined {
  const usable = (values: readonly number[]) =>
    values.length >= 3 && values.slice(0, 3).every((value) => value > 0 && Number.isFinite(value));
  const raw = usable(facts.multipliers)
    ? facts.multipliers
    : usable(facts.daylight)
      ? facts.daylight
      : undefined;
  if (raw === undefined || facts.cameraToSrgb.length !== 9 || !facts.cameraToSrgb.every(Number.isFinite)) {
    return undefined;
  }
  const multipliers = [raw[0]! / raw[1]!, 1, raw[2]! / raw[1]!] as const;
  return { multipliers, cameraToSrgb: facts.cameraToSrgb };
}

/** Three colours a pixel: small RAW sizes and multi-layer sensors (L16). Black is off already. */
function colorPixels(
  samples: Uint16Array,
  { facts, maximum }: DecodedRaw,
  color: CameraColor | undefined,
): FramePixels {
  const { width, height } = facts;
  const size = width * height;
  const data = new Float32Array(3 * size);
  for (let plane = 0; plane < 3; plane++) {
    for (let i = 0; i < size; i++) data[plane * size + i] = samples[3 * i + plane]!;
  }
  const white = maximum - facts.black;
  return {
    kind: 'color',
    width,
    height,
    data,
    blackLevel: [facts.black],
    whiteLevel: [white, white, white],
    quantization: 1,
    ...(color === undefined ? {} : { color }),
    ...(facts.temperature === undefined ? {} : { temperature: facts.temperature }),
    decoder: RAW_DECODER,
    warnings: ['The file holds three colours a pixel, not a mosaic; mosaic calibration does not apply.'],
  };
}
