import { formatError, hasText, latin1, type Source } from './_source.js';

/** FITS blocks are 2880 bytes, cards 80. @source FITS Standard 4.0 (2018) sections 3.1, 4.1 */
export const FITS_BLOCK = 2880;
export const FITS_CARD = 80;

const MAX_CARDS = 36 * 1000;

export type CardValue = string | number | boolean;

/** One header-data unit: its cards and where its data lie. */
export interface FitsUnit {
  readonly cards: ReadonlyMap<string, CardValue>;
  readonly dataAt: number;
  /** Bytes of data, padding aside. */
  readonly dataSize: number;
  readonly axes: readonly number[];
  readonly bitpix: number;
  readonly extension: string | undefined;
}

/**
 * Reads the units of a FITS file in order; stops after `most` of them.
 * @throws {FormatError} CORRUPT, TRUNCATED when a header has no END, sizes contradict themselves
 * @source FITS Standard 4.0 sections 3, 4 and 7
 */
export function readFitsUnits(source: Source, most = 64): FitsUnit[] {
  const units: FitsUnit[] = [];
  let at = 0;
  while (units.length < most && at + FITS_CARD <= source.bytes.byteLength) {
    if (units.length > 0 && !hasText(source.bytes, at, 'XTENSION')) break;
    const { cards, end } = readCards(source, at);
    const bitpix = Number(cards.get('BITPIX'));
    const count = Number(cards.get('NAXIS'));
    if (![8, 16, 32, 64, -32, -64].includes(bitpix) || !(count >= 0 && count <= 999)) {
      throw formatError(
        source,
        'CORRUPT',
        `Expected BITPIX and NAXIS of the FITS standard but found ${cards.get('BITPIX')} and ${cards.get('NAXIS')}`,
        { at },
      );
    }
    const axes: number[] = [];
    for (let i = 1; i <= count; i++) {
      const length = Number(cards.get(`NAXIS${i}`));
      if (!Number.isSafeInteger(length) || length < 0) {
        throw formatError(
          source,
          'CORRUPT',
          `Expected a length for NAXIS${i} but found ${cards.get(`NAXIS${i}`)}`,
          { at },
        );
      }
      axes.push(length);
    }
    const values = axes.length === 0 ? 0 : axes.reduce((product, length) => product * length, 1);
    const extra = Number(cards.get('PCOUNT') ?? 0);
    const groups = Number(cards.get('GCOUNT') ?? 1);
    const dataSize = (Math.abs(bitpix) / 8) * groups * (extra + values);
    if (!Number.isSafeInteger(dataSize) || dataSize < 0) {
      throw formatError(
        source,
        'TOO_LARGE',
        `Expected a FITS array that fits memory but the header says ${axes.join(' x ')}`,
        { at },
      );
    }
    const extension = cards.get('XTENSION');
    units.push({
      cards,
      dataAt: end,
      dataSize,
      axes,
      bitpix,
      extension: extension === undefined ? undefined : String(extension).trim(),
    });
    at = end + Math.ceil(dataSize / FITS_BLOCK) * FITS_BLOCK;
  }
  return units;
}

function readCards(source: Source, start: number): { cards: Map<string, CardValue>; end: number } {
  const cards = new Map<string, CardValue>();
  let last: string | undefined;
  for (let i = 0; i < MAX_CARDS; i++) {
    const at = start + i * FITS_CARD;
    if (at + FITS_CARD > source.bytes.byteLength) break;
    const card = latin1(source.bytes.subarray(at, at + FITS_CARD));
    const keyword = card.slice(0, 8).trimEnd();
    if (keyword === 'END') {
      const end = start + Math.ceil(((i + 1) * FITS_CARD) / FITS_BLOCK) * FITS_BLOCK;
      return { cards, end };
    }
    if (keyword === 'CONTINUE' && last !== undefined) {
      // Long strings: the `&` at the end of the piece before is dropped (section 4.2.1.2).
      const before = cards.get(last);
      const piece = parseString(card.slice(8));
      if (typeof before === 'string' && before.endsWith('&') && piece !== undefined) {
        cards.set(last, before.slice(0, -1) + piece);
      }
      continue;
    }
    if (card.slice(8, 10) !== '= ') continue;
    const value = parseValue(card.slice(10));
    if (value !== undefined && !cards.has(keyword)) cards.set(keyword, value);
    last = keyword;
  }
  throw formatError(source, 'TRUNCATED', 'Expected an END card but the FITS header does not end', {
    at: start,
  });
}

function parseString(words: string): string | undefined {
  const match = /^\s*'((?:[^']|'')*)'/.exec(words);
  return match === null ? undefined : match[1]!.replaceAll("''", "'").trimEnd();
}

/** @source FITS Standard 4.0 section 4.2 */
function parseValue(words: string): CardValue | undefined {
  const string = parseString(words);
  if (string !== undefined) return string;
  const plain = words.split('/')[0]!.trim();
  if (plain === 'T') return true;
  if (plain === 'F') return false;
  if (!/^[+-]?(\d+\.?\d*|\.\d+)([EeDd][+-]?\d+)?$/.test(plain)) return undefined;
  return Number(plain.replace(/[Dd]/, 'E'));
}
