import { type CfaPattern, median, quantile } from '../core/index.js';
import { repeatCfa } from './_mosaic.js';
import { rafPattern } from './_raf.js';
import type { DecodedRaw, DecoderFacts } from './_raw-decoder.js';
import { formatError, type Source } from './_source.js';

const LETTERS = 'RGB';

/**
 * The filter pattern and the black level of each of its sites, from the decoder's window, cross-checked
 * with the masked border (L03, L04).
 * @throws {FormatError} UNSUPPORTED_FORMAT for filters that are not red, green and blue; DECODER_LIMIT when
 * the pattern stays unknown
 */
export function blackAndPattern(
  source: Source,
  decoded: DecodedRaw,
  mosaic: Uint16Array,
): { readonly cfa: CfaPattern; readonly black: readonly number[]; readonly warnings: readonly string[] } {
  const { facts } = decoded;
  const warnings: string[] = [];
  const size = facts.filters > 1000 ? 2 : 6;
  const cfa = patternOfFilters(source, facts) ?? patternOfRaf(source, facts) ?? patternOfProbe(decoded, size);
  if (cfa === undefined) {
    throw formatError(
      source,
      'DECODER_LIMIT',
      'Expected a filter pattern of red, green and blue but the decoder does not tell it',
    );
  }
  const measured = blackOfProbe(decoded, mosaic, cfa);
  const common = decoded.blackAfter || facts.black;
  let black = measured ?? cfa.colors.map(() => common);
  if (black.every((level) => level === 0)) {
    const border = maskedBorder(facts, mosaic);
    if (border !== undefined && border > 2) {
      warnings.push(
        `The file states black level 0 but its masked border lies at ${border} ADU, which was taken off.`,
      );
      black = cfa.colors.map(() => border);
    } else {
      const low = lowLevel(facts, mosaic);
      if (low > 0.02 * facts.maximum) {
        warnings.push(
          `The file states black level 0 but its darkest pixels lie at ${Math.round(low)} ADU; a dark frame will tell.`,
        );
      }
    }
  }
  return { cfa, black, warnings };
}

/** @source LibRaw's `filters`: two bits a pixel, 8 rows of 2 columns, an index into the colour letters. */
function patternOfFilters(source: Source, facts: DecoderFacts): CfaPattern | undefined {
  if (facts.filters <= 1000) return undefined;
  const colors: number[] = [];
  for (let y = 0; y < 8; y++) {
    for (let x = 0; x < 2; x++) {
      const index = (facts.filters >>> ((((y << 1) & 14) | (x & 1)) * 2)) & 3;
      colors.push(LETTERS.indexOf(facts.colorLetters[index] ?? '?'));
    }
  }
  if (colors.some((color) => color < 0)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected filters of red, green and blue but the sensor has ${facts.colorLetters}`,
    );
  }
  const whole: CfaPattern = { width: 2, height: 8, colors: colors as (0 | 1 | 2)[] };
  const short: CfaPattern = { width: 2, height: 2, colors: whole.colors.slice(0, 4) };
  return repeatCfa(short, 2, 8).colors.every((color, i) => color === whole.colors[i]) ? short : whole;
}

function patternOfRaf(source: Source, facts: DecoderFacts): CfaPattern | undefined {
  const full = rafPattern(source);
  if (full === undefined) return undefined;
  return shifted({ width: 6, height: 6, colors: full as (0 | 1 | 2)[] }, facts.left, facts.top);
}

function shifted(cfa: CfaPattern, left: number, top: number): CfaPattern {
  const colors: (0 | 1 | 2)[] = [];
  for (let y = 0; y < cfa.height; y++) {
    for (let x = 0; x < cfa.width; x++) {
      colors.push(cfa.colors[((y + top) % cfa.height) * cfa.width + ((x + left) % cfa.width)]!);
    }
  }
  return { ...cfa, colors };
}

/** The plane that is not zero at each site of the window. */
function patternOfProbe({ probe }: DecodedRaw, size: number): CfaPattern | undefined {
  if (probe === undefined) return undefined;
  const colors = new Array<0 | 1 | 2 | undefined>(size * size).fill(undefined);
  for (let y = 0; y < probe.height; y++) {
    for (let x = 0; x < probe.width; x++) {
      const at = (y * probe.width + x) * 3;
      const site = (y % size) * size + (x % size);
      for (const color of [0, 1, 2] as const) {
        if (probe.data[at + color] === 0) continue;
        if (colors[site] !== undefined && colors[site] !== color) return undefined;
        colors[site] = color;
      }
    }
  }
  return colors.every((color) => color !== undefined)
    ? { width: size, height: size, colors: colors as (0 | 1 | 2)[] }
    : undefined;
}

/** Raw value minus processed value at each site; undefined when the window does not fit the mosaic. */
function blackOfProbe(
  { probe, facts }: DecodedRaw,
  mosaic: Uint16Array,
  cfa: CfaPattern,
): number[] | undefined {
  if (probe === undefined) return undefined;
  const black = new Array<number | undefined>(cfa.colors.length).fill(undefined);
  for (let y = 0; y < probe.height; y++) {
    for (let x = 0; x < probe.width; x++) {
      const site = (y % cfa.height) * cfa.width + (x % cfa.width);
      const value = probe.data[(y * probe.width + x) * 3 + cfa.colors[site]!]!;
      // Zero may be a pixel below black that was clipped.
      if (value === 0) continue;
      const raw = mosaic[(y + probe.top + facts.top) * facts.rawWidth + x + probe.left + facts.left]!;
      if (black[site] === undefined) black[site] = raw - value;
      else if (black[site] !== raw - value) return undefined;
    }
  }
  const known = black.filter((level) => level !== undefined);
  if (known.length === 0 || known.some((level) => level < 0)) return undefined;
  const usual = median(known);
  return black.map((level) => level ?? usual);
}

/** Median of the columns left of the visible area (or the rows above it), when they are even enough to be masked. */
function maskedBorder(facts: DecoderFacts, mosaic: Uint16Array): number | undefined {
  const { left, top, rawWidth, rawHeight, width } = facts;
  const values: number[] = [];
  if (left >= 12) {
    // The outermost and innermost columns often carry something else.
    const step = Math.max(1, Math.floor(rawHeight / 512));
    for (let y = 0; y < rawHeight; y += step) {
      for (let x = 4; x < left - 6; x++) values.push(mosaic[y * rawWidth + x]!);
    }
  } else if (top >= 12) {
    const step = Math.max(1, Math.floor(width / 512));
    for (let y = 4; y < top - 6; y++) {
      for (let x = left; x < left + width; x += step) values.push(mosaic[y * rawWidth + x]!);
    }
  }
  if (values.length < 64) return undefined;
  const [low, middle, high] = [quantile(values, 0.05), median(values), quantile(values, 0.95)];
  return high - low < 0.05 * facts.maximum ? middle : undefined;
}

/** A low percentile of the visible pixels, ADU. */
function lowLevel(facts: DecoderFacts, mosaic: Uint16Array): number {
  const values: number[] = [];
  const step = Math.max(1, Math.floor(Math.sqrt((facts.width * facts.height) / 40_000)));
  for (let y = 0; y < facts.height; y += step) {
    for (let x = 0; x < facts.width; x += step) {
      values.push(mosaic[(y + facts.top) * facts.rawWidth + x + facts.left]!);
    }
  }
  return quantile(values, 0.001);
}
