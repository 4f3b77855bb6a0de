import type { FrameHeader } from '../core/index.js';
import { FITS_BLOCK, FITS_CARD } from './_fits-cards.js';
import { instantOf } from './instant.js';
import { joined } from './write-tiff.js';

/** One header card. Paths and other long things belong in a side-car (L59). */
export interface FitsCard {
  /** 1 to 8 of A-Z, 0-9, `-`, `_`. */
  readonly keyword: string;
  /** ASCII text, a finite number, or a logical. */
  readonly value: string | number | boolean;
  readonly comment?: string;
}

/** A picture to be written as FITS. */
export interface FitsContent {
  readonly width: number;
  readonly height: number;
  /** 3: planes red, green, blue along NAXIS3; 1: one plane. */
  readonly planes: 1 | 3;
  /** Planar, row-major, top row first; NaN = no data. */
  readonly data: Float32Array;
  readonly cards?: readonly FitsCard[];
  /** Free text lines, ASCII, as HISTORY cards. */
  readonly history?: readonly string[];
}

/** Keywords that the writer sets itself, and those that must not survive the step to floats (L58). */
const RESERVED =
  /^(SIMPLE|BITPIX|NAXIS\d*|EXTEND|BSCALE|BZERO|BLANK|ROWORDER|LONGSTRN|END|CONTINUE|XTENSION)$/;

/**
 * Writes one primary array of 32-bit floats. Rows run upward in the file, as the standard's convention has
 * it: the bottom row of the picture is stored first, and ROWORDER says so. No scaling cards are written.
 *
 * @throws {RangeError} when lengths do not agree or a card is not valid
 * @source FITS Standard 4.0 (2018) sections 3.3, 4.1, 4.2, 4.4.1, 5.3
 */
export function writeFits(content: FitsContent): Uint8Array {
  return joined([...fitsParts(content)]);
}

/** Size of a piece of `fitsParts`, bytes, about. */
const PART_BYTES = 1 << 20;

/** The bytes of `writeFits` one after the other, about a megabyte at a time. */
export function* fitsParts(content: FitsContent): Generator<Uint8Array> {
  const { width, height, planes, data } = content;
  if (data.length !== width * height * planes)
    throw new RangeError(`expected ${width * height * planes} samples but received ${data.length}`);
  const color = planes === 3;
  const own: FitsCard[] = [
    { keyword: 'SIMPLE', value: true, comment: 'file conforms to the FITS standard' },
    { keyword: 'BITPIX', value: -32, comment: '32-bit IEEE floating point' },
    { keyword: 'NAXIS', value: color ? 3 : 2, comment: 'number of axes' },
    { keyword: 'NAXIS1', value: width, comment: 'columns' },
    { keyword: 'NAXIS2', value: height, comment: 'rows' },
    ...(color ? [{ keyword: 'NAXIS3', value: 3, comment: 'planes red, green, blue' }] : []),
    { keyword: 'EXTEND', value: true, comment: 'extensions may follow' },
    { keyword: 'ROWORDER', value: 'BOTTOM-UP', comment: 'the first row stored is the lowest' },
  ];
  const lines = own.flatMap(cardLines);
  for (const card of content.cards ?? []) {
    if (RESERVED.test(card.keyword)) throw new RangeError(`the card ${card.keyword} is the writer's own`);
    lines.push(...cardLines(card));
  }
  if (lines.some((line) => line.startsWith('CONTINUE'))) {
    const at = own.length;
    lines.splice(
      at,
      0,
      ...cardLines({ keyword: 'LONGSTRN', value: 'OGIP 1.0', comment: 'long strings are continued' }),
    );
  }
  for (const line of content.history ?? []) {
    const words = ascii(line);
    for (let at = 0; at < Math.max(1, words.length); at += 72)
      lines.push(`HISTORY ${words.slice(at, at + 72)}`);
  }
  lines.push('END');
  const padded = (size: number) => Math.ceil(size / FITS_BLOCK) * FITS_BLOCK;
  const headerSize = padded(lines.length * FITS_CARD);
  const header = new Uint8Array(headerSize).fill(0x20);
  lines.forEach((line, i) => {
    for (let c = 0; c < line.length; c++) header[i * FITS_CARD + c] = line.charCodeAt(c);
  });
  yield header;
  const most = Math.max(1, Math.floor(PART_BYTES / (4 * width)));
  for (let plane = 0; plane < planes; plane++) {
    for (let below = height; below > 0; below -= most) {
      const rows = Math.min(most, below);
      const view = new DataView(new ArrayBuffer(4 * width * rows));
      for (let row = 0, at = 0; row < rows; row++) {
        const from = (plane * height + below - 1 - row) * width;
        for (let x = 0; x < width; x++, at += 4) view.setFloat32(at, data[from + x]!);
      }
      yield new Uint8Array(view.buffer);
    }
  }
  yield new Uint8Array(padded(data.length * 4) - data.length * 4);
}

/** Printable ASCII only; anything else becomes `?` (section 4.2.1). */
function ascii(text: string): string {
  return text.replace(/[^\x20-\x7e]/g, '?');
}

/** The 80-column lines of a card: one, or several for a long string. @source FITS Standard 4.0 section 4.2.1.2 */
function cardLines({ keyword, value, comment }: FitsCard): string[] {
  if (!/^[A-Z0-9_-]{1,8}$/.test(keyword)) throw new RangeError(`${keyword} is no FITS keyword`);
  const start = `${keyword.padEnd(8)}= `;
  const remark = (line: string) =>
    (comment === undefined ? line : `${line} / ${ascii(comment)}`).slice(0, FITS_CARD);
  if (typeof value === 'boolean') return [remark(start + (value ? 'T' : 'F').padStart(20))];
  if (typeof value === 'number') {
    if (!Number.isFinite(value)) throw new RangeError(`a FITS card cannot hold ${value} (${keyword})`);
    const digits = String(value).toUpperCase();
    return [remark(start + digits.padStart(20))];
  }
  const words = ascii(value).replaceAll("'", "''");
  if (words.length <= 68) return [remark(start + `'${words.padEnd(8)}'`.padEnd(20))];
  const lines: string[] = [];
  for (let at = 0; at < words.length; ) {
    let end = Math.min(words.length, at + 67);
    // A doubled quote stays in one piece.
    const quotes = /'*$/.exec(words.slice(at, end))![0].length;
    if (end < words.length && quotes % 2 === 1) end--;
    const more = end < words.length ? '&' : '';
    lines.push(`${at === 0 ? start : 'CONTINUE  '}'${words.slice(at, end)}${more}'`);
    at = end;
  }
  return lines;
}

const ROLE_WORDS = {
  light: 'Light Frame',
  dark: 'Dark Frame',
  flat: 'Flat Field',
  bias: 'Bias Frame',
} as const;

/**
 * Cards for what a header says: DATE-OBS (UTC, when the zone is known), EXPTIME, camera, lens, temperature,
 * position. Unknown things get no card.
 */
export function fitsCardsOf(header: Partial<FrameHeader>): FitsCard[] {
  const cards: FitsCard[] = [];
  const add = (keyword: string, value: string | number | undefined, comment: string) => {
    if (value !== undefined && value !== '') cards.push({ keyword, value, comment });
  };
  const start = instantOf(header);
  add(
    'DATE-OBS',
    start === undefined ? undefined : new Date(start).toISOString().slice(0, 23),
    'UTC, start of exposure',
  );
  add('EXPTIME', header.exposureTime, '[s] exposure time');
  add('ISOSPEED', header.iso, 'ISO setting');
  add('FNUMBER', header.fNumber, 'f-number');
  add('FOCALLEN', header.focalLengthMm, '[mm] focal length');
  add('INSTRUME', header.camera, 'camera');
  add('TELESCOP', header.lens, 'lens');
  add('XPIXSZ', header.pixelPitchUm, '[um] pixel pitch');
  add('YPIXSZ', header.pixelPitchUm, '[um] pixel pitch');
  add('CCD-TEMP', header.temperature, '[degC] sensor or camera temperature');
  const role = header.statedRole;
  if (role === 'light' || role === 'dark' || role === 'flat' || role === 'bias')
    add('IMAGETYP', ROLE_WORDS[role], 'kind of frame');
  add('SITELAT', header.gps?.latitude, '[deg] latitude, north positive');
  add('SITELONG', header.gps?.longitude, '[deg] longitude, east positive');
  return cards;
}
