import type { CfaPattern, FrameHeader, FramePixels, Role } from '../core/index.js';
import { type CardValue, type FitsUnit, readFitsUnits } from './_fits-cards.js';
import { finishHeader, type HeaderFields, parseExifTime, positive, within } from './_header-fields.js';
import { inflate } from './_inflate.js';
import { checkSize, formatError, hasText, openSource, type Source } from './_source.js';

const KIND = { format: 'fits', formatName: 'FITS' } as const;

/** Largest FITS file that we unpack from gzip, bytes. */
const MAX_UNPACKED = 1_700_000_000;

export function isFits(head: Uint8Array): boolean {
  return hasText(head, 0, 'SIMPLE  =');
}

export function isGzip(head: Uint8Array): boolean {
  return head[0] === 0x1f && head[1] === 0x8b && head[2] === 8;
}

async function unpack(source: Source): Promise<Source> {
  if (!isGzip(source.bytes)) return source;
  // RFC 1952: the last four bytes are the size modulo 2^32; a cheap look before anything is unpacked.
  const head = await inflate(source.bytes, 'gzip', 80);
  if (!isFits(head.bytes)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      'Expected a FITS file inside the gzip file but found something else',
    );
  }
  const { bytes, complete, tooLarge } = await inflate(source.bytes, 'gzip', MAX_UNPACKED);
  if (tooLarge)
    throw formatError(source, 'TOO_LARGE', `Expected at most ${MAX_UNPACKED} bytes inside the gzip file`);
  if (!complete) throw formatError(source, 'TRUNCATED', 'Expected a whole gzip file but it breaks off');
  return openSource(bytes, source.path);
}

/** The first unit that holds a picture. */
function pictureUnit(source: Source): { unit: FitsUnit; cards: ReadonlyMap<string, CardValue> } {
  const units = readFitsUnits(source);
  const primary = units[0]!;
  const unit = units.find(
    ({ axes, extension, dataSize }) =>
      dataSize > 0 && axes.length >= 2 && (extension === undefined || extension === 'IMAGE'),
  );
  if (unit === undefined) {
    if (units.some(({ cards }) => cards.get('ZIMAGE') === true)) {
      throw formatError(
        source,
        'UNSUPPORTED_FORMAT',
        'Expected a plain FITS picture but it is tile-compressed; unpack it first',
      );
    }
    throw formatError(source, 'NO_PIXELS', 'Expected a picture but the FITS file holds none');
  }
  // An extension inherits what the primary header says of the exposure.
  return { unit, cards: new Map([...primary.cards, ...unit.cards]) };
}

const ROLE_WORDS: readonly (readonly [RegExp, Role])[] = [
  [/bias|zero|offset/i, 'bias'],
  [/dark/i, 'dark'],
  [/flat/i, 'flat'],
  [/focus|test/i, 'test'],
  [/light|object|science|^sky$/i, 'light'],
];

function roleOf(words: CardValue | undefined): Role | undefined {
  return typeof words === 'string'
    ? ROLE_WORDS.find(([pattern]) => pattern.test(words.trim()))?.[1]
    : undefined;
}

const numeric = (value: CardValue | undefined): number | undefined =>
  typeof value === 'number'
    ? value
    : typeof value === 'string' && value.trim() !== '' && Number.isFinite(Number(value))
      ? Number(value)
      : undefined;

const wording = (value: CardValue | undefined): string | undefined =>
  typeof value === 'string' && value.trim() !== '' ? value.trim() : undefined;

/** Degrees from a number or from `-31 15 00`, `+20:30:00`. */
function degreesOf(value: CardValue | undefined): number | undefined {
  const plain = numeric(value);
  if (plain !== undefined) return plain;
  const match = /^([+-]?)(\d{1,3})[ :](\d{1,2})(?:[ :](\d{1,2}(?:\.\d*)?))?$/.exec(wording(value) ?? '');
  if (match === null) return undefined;
  const size = Number(match[2]) + Number(match[3]) / 60 + Number(match[4] ?? 0) / 3600;
  return match[1] === '-' ? -size : size;
}

/**
 * Start of the exposure, UTC (DATE-OBS; TIMESYS defaults to UTC, the difference to other scales is dropped).
 * @source FITS Standard 4.0 section 9; old form DD/MM/YY: section 4.4.2.1
 */
function timeOf(cards: ReadonlyMap<string, CardValue>): Partial<HeaderFields> {
  const get = (key: string) => wording(cards.get(key));
  let words = get('DATE-OBS') ?? get('DATE_OBS');
  const old = /^(\d{2})\/(\d{2})\/(\d{2})$/.exec(words ?? '');
  if (old) words = `19${old[3]}-${old[2]}-${old[1]}`;
  if (words !== undefined && !words.includes('T')) {
    const time = get('TIME-OBS') ?? get('UT') ?? get('UTC');
    words = time === undefined ? undefined : `${words}T${time}`;
  }
  const wallTime = parseExifTime(words);
  if (wallTime === undefined) return {};
  const fraction = /:\d{2}(\.\d+)/.exec(words!)?.[1];
  return {
    wallTime,
    utcOffsetMinutes: 0,
    ...(fraction === undefined ? {} : { subSecond: Number(`0${fraction}`) }),
  };
}

export async function readFitsHeader(packed: Source): Promise<FrameHeader> {
  const source = await unpack(packed);
  const { unit, cards } = pictureUnit(source);
  const get = (...keys: string[]) =>
    keys.map((key) => numeric(cards.get(key))).find((value) => value !== undefined);
  const latitude = degreesOf(cards.get('SITELAT') ?? cards.get('LAT-OBS') ?? cards.get('OBSGEO-B'));
  const longitude = degreesOf(cards.get('SITELONG') ?? cards.get('LONG-OBS') ?? cards.get('OBSGEO-L'));
  const binning = positive(get('XBINNING')) ?? 1;
  const pitch = within(get('XPIXSZ', 'PIXSIZE1'), 0.4, 100);
  const fields: HeaderFields = {
    warnings: [],
    ...timeOf(cards),
    exposureTime: positive(get('EXPTIME', 'EXPOSURE')),
    iso: positive(get('ISOSPEED', 'ISO')),
    fNumber: within(get('FNUMBER'), 0.5, 128),
    focalLengthMm: within(positive(get('FOCALLEN', 'FOCAL')), 0.5, 50_000),
    cameraModel: wording(cards.get('INSTRUME')),
    lens: wording(cards.get('TELESCOP')),
    temperature: within(get('CCD-TEMP', 'DET-TEMP', 'CCDTEMP'), -200, 100),
    pixelPitchUm: pitch,
    statedRole: roleOf(cards.get('IMAGETYP') ?? cards.get('FRAMETYP') ?? cards.get('OBSTYPE')),
    width: unit.axes[0],
    height: unit.axes[1],
    ...(latitude !== undefined &&
    longitude !== undefined &&
    Math.abs(latitude) <= 90 &&
    Math.abs(longitude) <= 360
      ? { gps: { latitude, longitude: longitude > 180 ? longitude - 360 : longitude } }
      : {}),
  };
  if (binning > 1) fields.warnings.push(`The picture was binned ${binning} by ${binning} in the camera.`);
  return finishHeader(KIND, fields, source.path);
}

/**
 * Reads a FITS picture: 2-D, or three planes red, green, blue. Rows of the file run upward by convention,
 * so the last one is the top row here, unless ROWORDER says TOP-DOWN. BLANK and NaN become NaN.
 * @source FITS Standard 4.0 sections 3.3.2, 4.4.2.5 (BSCALE, BZERO, BLANK), 5.2, 5.3
 */
export async function readFitsPixels(packed: Source): Promise<FramePixels> {
  const source = await unpack(packed);
  const { unit, cards } = pictureUnit(source);
  const [width, height, planes] = [unit.axes[0]!, unit.axes[1]!, unit.axes[2] ?? 1];
  checkSize(source, width, height);
  if (unit.axes.slice(3).some((length) => length > 1) || (planes !== 1 && planes !== 3)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected one picture or three colour planes but found an array of ${unit.axes.join(' x ')}`,
    );
  }
  if (unit.dataAt + unit.dataSize > source.bytes.byteLength) {
    throw formatError(
      source,
      'TRUNCATED',
      `Expected ${unit.dataSize} bytes of picture from byte ${unit.dataAt} but the file ends at byte ${source.bytes.byteLength}`,
      { at: unit.dataAt },
    );
  }
  const scale = numeric(cards.get('BSCALE')) ?? 1;
  const zero = numeric(cards.get('BZERO')) ?? 0;
  const blank = unit.bitpix > 0 ? numeric(unit.cards.get('BLANK')) : undefined;
  const topDown = /^top/i.test(wording(cards.get('ROWORDER')) ?? '');
  const data = new Float32Array(width * height * planes);
  const bytesEach = Math.abs(unit.bitpix) / 8;
  // Scaled in double precision: a 32-bit count near 2^31 does not fit single precision.
  const stored = new Float64Array(width);
  let highest = Number.NEGATIVE_INFINITY;
  for (let plane = 0; plane < planes; plane++) {
    for (let row = 0; row < height; row++) {
      const y = topDown ? row : height - 1 - row;
      const to = (plane * height + y) * width;
      readFitsRow(source.view, unit.dataAt + (plane * height + row) * width * bytesEach, unit.bitpix, stored);
      for (let x = 0; x < width; x++) {
        const value = blank !== undefined && stored[x] === blank ? Number.NaN : zero + scale * stored[x]!;
        data[to + x] = value;
        if (value > highest) highest = value;
      }
    }
  }
  const white = whiteOf(cards, unit.bitpix, { scale, zero, highest });
  const cfa = planes === 1 ? cfaOf(cards, height, topDown) : undefined;
  return {
    kind: planes === 3 ? 'color' : cfa === undefined ? 'mono' : 'mosaic',
    width,
    height,
    data,
    ...(cfa === undefined ? {} : { cfa }),
    blackLevel: [0],
    whiteLevel: [white, white, white],
    quantization: unit.bitpix > 0 ? Math.abs(scale) : 0,
    decoder: 'nightcairn FITS 1',
    warnings: [],
  };
}

function readFitsRow(view: DataView, start: number, bitpix: number, out: Float64Array): void {
  let at = start;
  for (let x = 0; x < out.length; x++) {
    switch (bitpix) {
      case 8:
        out[x] = view.getUint8(at++);
        break;
      case 16:
        out[x] = view.getInt16(at);
        at += 2;
        break;
      case 32:
        out[x] = view.getInt32(at);
        at += 4;
        break;
      case 64:
        out[x] = Number(view.getBigInt64(at));
        at += 8;
        break;
      case -32:
        out[x] = view.getFloat32(at);
        at += 4;
        break;
      default:
        out[x] = view.getFloat64(at);
        at += 8;
    }
  }
}

/** The level at which pixels clip: stated, else the top of the integer type, else what the values suggest. */
function whiteOf(
  cards: ReadonlyMap<string, CardValue>,
  bitpix: number,
  { scale, zero, highest }: { readonly scale: number; readonly zero: number; readonly highest: number },
): number {
  const stated = numeric(cards.get('SATURATE')) ?? numeric(cards.get('DATAMAX'));
  // A stated level below what the file holds is a slip of whoever wrote it.
  if (stated !== undefined && stated > 0 && stated * 1.02 >= highest) return stated;
  if (bitpix === 8) return zero + scale * 255;
  if (bitpix === 16) return zero + scale * 32767;
  if (highest <= 1) return 1;
  return Math.max(65535, highest);
}

/** The colour filter pattern, turned into top-down order when the rows are. */
function cfaOf(
  cards: ReadonlyMap<string, CardValue>,
  height: number,
  topDown: boolean,
): CfaPattern | undefined {
  const letters = wording(cards.get('BAYERPAT'))?.toUpperCase();
  if (letters === undefined || !/^[RGB]{4}$/.test(letters)) return undefined;
  const shiftX = numeric(cards.get('XBAYROFF')) ?? 0;
  const shiftY = numeric(cards.get('YBAYROFF')) ?? 0;
  const colors: (0 | 1 | 2)[] = [];
  for (let y = 0; y < 2; y++) {
    for (let x = 0; x < 2; x++) {
      const row = (topDown ? y : height - 1 - y) + shiftY;
      colors.push(
        'RGB'.indexOf(letters[(((row % 2) + 2) % 2) * 2 + ((((x + shiftX) % 2) + 2) % 2)]!) as 0 | 1 | 2,
      );
    }
  }
  return { width: 2, height: 2, colors };
}
