import factory, { type Decoder } from 'libraw-wasm/dist/libraw.js';
import { withArticle } from '../core/index.js';
import { checkSize, formatError, type Source } from './_source.js';

/** Name and version of the decoder: the npm package, which carries LibRaw itself. */
export const RAW_DECODER = 'libraw-wasm 1.6.0';

/** The decoder's own description of a file; only what we use. */
export interface DecoderFacts {
  readonly width: number;
  readonly height: number;
  readonly rawWidth: number;
  readonly rawHeight: number;
  readonly left: number;
  readonly top: number;
  readonly make: string;
  readonly model: string;
  readonly iso: number;
  readonly exposureTime: number;
  readonly fNumber: number;
  readonly focalLengthMm: number;
  /** Seconds from 1970 of the wall clock, read in a zone without offset. */
  readonly timestamp: number;
  readonly lens: string;
  readonly serial: string;
  readonly temperature: number | undefined;
  /** EXIF orientation; the decoder's own codes are others (L09). */
  readonly orientation: number | undefined;
  readonly filters: number;
  readonly colorLetters: string;
  readonly colors: number;
  readonly black: number;
  readonly maximum: number;
  readonly multipliers: readonly number[];
  readonly daylight: readonly number[];
  /** Camera to linear sRGB, row-major 3x3. */
  readonly cameraToSrgb: readonly number[];
}

/** What came out of one decoding. */
export interface DecodedRaw {
  readonly facts: DecoderFacts;
  /** u16[rawHeight*rawWidth] where the file holds a mosaic. */
  readonly mosaic?: Uint16Array | undefined;
  /** u16[height*width*3], side by side, where it holds three colours a pixel. */
  readonly color?: Uint16Array | undefined;
  readonly probe?: Probe | undefined;
  /** The black level as the decoder knows it once the pixels are unpacked, ADU. */
  readonly blackAfter?: number;
  /** Raw level of clipping; some formats unpack to more bits than the file states at first. */
  readonly maximum: number;
  readonly complaints: readonly string[];
}

let wasmBinary: Uint8Array | undefined;
let loaded: ReturnType<typeof load> | undefined;

/**
 * Hands in the RAW decoder's WebAssembly (the file `libraw-wasm/dist/libraw.wasm`), since this folder reads
 * no disk. Call it once in each thread before a RAW file is read.
 */
export function provideRawDecoder(binary: Uint8Array): void {
  wasmBinary = binary;
  loaded = undefined;
}

/** True once the decoder was handed in. */
export function hasRawDecoder(): boolean {
  return wasmBinary !== undefined;
}

async function load(binary: Uint8Array) {
  const complaints: string[] = [];
  const note = (line: string) => {
    if (complaints.length < 20) complaints.push(line);
  };
  const module = await factory({ wasmBinary: binary, print: note, printErr: note });
  return { module, complaints };
}

/** No camera stores less than a bit for forty pixels: a file below that was cut or lies about its size. */
const MOST_PIXELS_PER_BYTE = 40;

/**
 * No automatic brightness or maximum, no turning, no balance, no conversion of colours, no interpolation,
 * linear 16 bit (L01, L02, L09, L11). The matrix of the file stays on, else it is not even told. The curve needs all six numbers, else the decoder silently keeps its own.
 */
const SETTINGS = {
  noAutoBright: true,
  adjustMaximumThr: 0,
  userFlip: 0,
  noAutoScale: true,
  noInterpolation: true,
  outputColor: 0,
  outputBps: 16,
  gamm: [1, 1, 0, 0, 0, 0],
} as const;

/** A part of the visible area, px. */
export interface Probe {
  readonly left: number;
  readonly top: number;
  readonly width: number;
  readonly height: number;
  /** Values after black was taken off, three planes side by side, two of them zero. */
  readonly data: Uint16Array;
}

/**
 * A small window whose processed values are compared with the raw ones: their difference is the black level
 * of each site, and their colour plane is the filter pattern, neither of which the decoder tells otherwise.
 * Its corner is a multiple of every pattern size (2, 6, 8).
 */
function probeArea({ width, height }: DecoderFacts): Omit<Probe, 'data'> {
  const [left, top] = [width >= 72 ? 24 : 0, height >= 72 ? 24 : 0];
  return { left, top, width: Math.min(48, width - left), height: Math.min(48, height - top) };
}

/**
 * Opens a file with a fresh decoder object (L10), which never outlives the call.
 *
 * @param want `facts`: metadata only; `pixels`: the mosaic or the three colours as well
 * @throws {FormatError} TOO_LARGE, TRUNCATED, CORRUPT, DECODER_LIMIT, UNSUPPORTED_FORMAT
 * @throws {TypeError} when the decoder was not handed in
 */
export async function decodeRaw(
  source: Source,
  { want, formatName }: { readonly want: 'facts' | 'pixels'; readonly formatName: string },
): Promise<DecodedRaw> {
  if (wasmBinary === undefined) throw new TypeError('provideRawDecoder has not been called in this thread');
  // Another file may have spoiled the decoder while we waited for it.
  let used: typeof loaded;
  let ready: Awaited<ReturnType<typeof load>>;
  do {
    loaded ??= load(wasmBinary);
    used = loaded;
    ready = await used;
  } while (used !== loaded);
  const { module, complaints } = ready;
  complaints.length = 0;
  const run = <T>(settings: object, use: (decoder: Decoder, facts: DecoderFacts) => T): T => {
    const decoder = new module.LibRaw();
    let step = 'open';
    try {
      decoder.open(source.bytes, settings);
      step = 'metadata';
      const facts = readFacts(decoder.metadata(true));
      checkSize(source, facts.rawWidth, facts.rawHeight);
      checkSize(source, facts.width, facts.height);
      step = 'pixels';
      return use(decoder, facts);
    } catch (error) {
      if (error instanceof Error && 'byteOffset' in error) throw error;
      // A file that it gave up on, or a trap, leaves the decoder in a state that spoils the next file (it
      // refuses a sound one or never ends): that one gets a new decoder.
      loaded = undefined;
      throw refusal(source, { step, complaints, formatName, cause: error });
    } finally {
      try {
        decoder.delete();
      } catch {
        // After a trap even letting go may fail; the instance is dropped with its memory.
        loaded = undefined;
      }
    }
  };

  const done = (result: Omit<DecodedRaw, 'complaints' | 'maximum'>): DecodedRaw => {
    if (complaints.length > 0) loaded = undefined;
    return { maximum: result.facts.maximum, ...result, complaints: [...complaints] };
  };
  const facts = run(SETTINGS, (_, first) => first);
  if (want === 'facts') return done({ facts });
  if (facts.rawWidth * facts.rawHeight > MOST_PIXELS_PER_BYTE * source.bytes.byteLength) {
    throw formatError(
      source,
      'TRUNCATED',
      `Expected a picture of ${facts.rawWidth} x ${facts.rawHeight} px but the file has only ${source.bytes.byteLength} bytes`,
    );
  }
  if (facts.filters === 0) {
    return done({
      facts,
      ...run(SETTINGS, (decoder) => ({
        color: samplesOf(decoder.imageData(), 3 * facts.width * facts.height),
      })),
    });
  }
  const area = probeArea(facts);
  return done({
    facts,
    ...run({ ...SETTINGS, cropbox: [area.left, area.top, area.width, area.height] }, (decoder) => {
      // The window first: asked for afterwards, the decoder hands back a stale buffer.
      const data = samplesOf(decoder.imageData(), 3 * area.width * area.height);
      const probe = data && { ...area, data };
      const mosaic = samplesOf(decoder.rawImageData(), facts.rawWidth * facts.rawHeight);
      const after = readFacts(decoder.metadata(true));
      return { mosaic, probe, blackAfter: after.black, maximum: Math.max(facts.maximum, after.maximum) };
    }),
  });
}

/** Samples of a result, when it holds as many as it should, 16 bits each (L11, L12, L44). */
export function samplesOf(result: unknown, count: number): Uint16Array | undefined {
  const data = record(result).data;
  if (data instanceof Uint16Array && data.length === count) return data;
  if (data instanceof Uint8Array && data.byteLength === 2 * count)
    return new Uint16Array(data.slice().buffer);
  return undefined;
}

/** The decoder throws opaque objects: the sentence is ours, the code comes from its log. */
function refusal(
  source: Source,
  {
    step,
    complaints,
    formatName,
    cause,
  }: {
    readonly step: string;
    readonly complaints: readonly string[];
    readonly formatName: string;
    readonly cause: unknown;
  },
) {
  const log = complaints.join('; ').toLowerCase();
  const options = { cause: cause instanceof Error ? cause : new Error(log || 'the RAW decoder refused') };
  if (step === 'open') {
    return formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected ${withArticle(formatName)} of a camera that the RAW decoder knows but it refused the file`,
      options,
    );
  }
  if (log.includes('end of file')) {
    return formatError(source, 'TRUNCATED', 'Expected the whole picture but the RAW data end early', options);
  }
  if (log.includes('corrupt')) {
    return formatError(source, 'CORRUPT', 'Expected sound RAW data but they contradict themselves', options);
  }
  return formatError(
    source,
    'DECODER_LIMIT',
    'Expected RAW data that the decoder can unpack but it gave up',
    options,
  );
}

type Loose = Record<string, unknown>;
const record = (value: unknown): Loose =>
  typeof value === 'object' && value !== null ? (value as Loose) : {};
const num = (value: unknown): number => (typeof value === 'number' ? value : Number.NaN);
const list = (value: unknown): number[] =>
  Array.isArray(value) || ArrayBuffer.isView(value) ? Array.from(value as ArrayLike<unknown>, num) : [];
const str = (value: unknown): string => (typeof value === 'string' ? value.trim() : '');

function readFacts(metadata: unknown): DecoderFacts {
  const meta = record(metadata);
  const color = record(meta.color_data);
  const common = record(meta.metadata_common);
  const lens = record(meta.lens);
  const shooting = record(meta.shootinginfo);
  // The decoder swaps the sides it reports when it means to turn the picture; the margins tell what is stored.
  const turned = (num(meta.flip) & 4) !== 0;
  const [a, b] = [num(meta.width), num(meta.height)];
  const rows: unknown[] = Array.isArray(color.rgb_cam) ? color.rgb_cam : [];
  const temperature = [common.SensorTemperature, common.CameraTemperature]
    .map(num)
    .find((value) => value > -100 && value < 100 && Math.abs(value) > 1e-6);
  return {
    width: turned ? b : a,
    height: turned ? a : b,
    rawWidth: num(meta.raw_width),
    rawHeight: num(meta.raw_height),
    left: num(meta.left_margin),
    top: num(meta.top_margin),
    make: str(meta.camera_make),
    model: str(meta.camera_model),
    iso: num(meta.iso_speed),
    exposureTime: num(meta.shutter),
    fNumber: num(meta.aperture),
    focalLengthMm: num(meta.focal_len),
    timestamp: num(meta.timestamp),
    lens: str(lens.Lens) || str(record(lens.makernotes).Lens),
    serial: str(shooting.BodySerial),
    temperature,
    orientation: { 0: 1, 3: 3, 5: 8, 6: 6 }[num(meta.flip)],
    filters: num(meta.filters) >>> 0,
    colorLetters: str(meta.cdesc),
    colors: num(meta.colors),
    black: num(color.black),
    maximum: num(color.maximum),
    multipliers: list(color.cam_mul),
    daylight: list(color.pre_mul),
    cameraToSrgb: rows.slice(0, 3).flatMap((row) => list(row).slice(0, 3)),
  };
}
