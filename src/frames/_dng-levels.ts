import type { CameraColor, CfaPattern } from '../core/index.js';
import { type Ifd, number, numbers, type TiffStructure } from './_ifd.js';
import { colorFromXyzMatrix, repeatCfa } from './_mosaic.js';
import { formatError, type Source } from './_source.js';
import type { RasterLayout } from './_tiff-raster.js';
import { multiply } from './_tone.js';

/** The filter pattern. @throws {FormatError} UNSUPPORTED_FORMAT */
export function cfaOf(source: Source, structure: TiffStructure, picture: Ifd): CfaPattern {
  const [rows, columns] = numbers(structure, picture, 33421);
  const colors = numbers(structure, picture, 33422);
  if (
    !rows ||
    !columns ||
    rows > 8 ||
    columns > 8 ||
    colors.length !== rows * columns ||
    colors.some((c) => c > 2)
  ) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      'Expected a filter pattern of red, green and blue in the DNG',
    );
  }
  return { width: columns, height: rows, colors: colors as (0 | 1 | 2)[] };
}

/** Black levels as stored, ADU; one of 0 without the tag. */
export function blackList(structure: TiffStructure, picture: Ifd): number[] {
  const levels = numbers(structure, picture, 50714).filter(Number.isFinite);
  return levels.length === 0 ? [0] : levels;
}

/** One black level for each site; the pattern is repeated when the black levels repeat over more sites (L04). */
export function blackBySite(
  source: Source,
  structure: TiffStructure,
  picture: Ifd,
  cfa: CfaPattern,
): { pattern: CfaPattern; black: number[] } {
  const levels = blackList(structure, picture);
  const [rows = 1, columns = 1] = numbers(structure, picture, 50713);
  if (levels.length < rows * columns || rows > 8 || columns > 8) {
    return { pattern: cfa, black: cfa.colors.map(() => levels[0]!) };
  }
  if (rows < 1 || columns < 1)
    throw formatError(source, 'CORRUPT', 'Expected a repeat of at least one black level');
  const width = leastCommonMultiple(cfa.width, columns);
  const height = leastCommonMultiple(cfa.height, rows);
  const pattern = repeatCfa(cfa, width, height);
  return {
    pattern,
    black: pattern.colors.map(
      (_, i) => levels[(Math.floor(i / width) % rows) * columns + ((i % width) % columns)]!,
    ),
  };
}

function leastCommonMultiple(a: number, b: number): number {
  let n = a;
  while (n % b !== 0) n += a;
  return n;
}

/** @source DNG 1.4 WhiteLevel: default 2^bits - 1 */
export function whiteLevels(
  structure: TiffStructure,
  picture: Ifd,
  layout: RasterLayout,
  table: readonly number[],
): [number, number, number] {
  const given = numbers(structure, picture, 50717).filter((level) => level > 0);
  const top =
    layout.format === 'float' ? 1 : table.length > 0 ? table[table.length - 1]! : 2 ** layout.bits - 1;
  const level = (i: number) => given[i] ?? given[0] ?? top;
  return [level(0), level(1), level(2)];
}

/** Balance and matrix from the tags of the first directory; D65 is preferred of two illuminants. */
export function cameraColor(structure: TiffStructure): CameraColor | undefined {
  const main = structure.chain[0];
  const get = (tag: number) => numbers(structure, main, tag);
  const neutral = get(50728);
  const multipliers: [number, number, number] =
    neutral.length === 3 && neutral.every((v) => v > 0 && Number.isFinite(v))
      ? [neutral[1]! / neutral[0]!, 1, neutral[1]! / neutral[2]!]
      : [1, 1, 1];
  const second = number(structure, main, 50779) === 21 && get(50722).length === 9;
  let matrix = get(second ? 50722 : 50721);
  if (matrix.length !== 9 || !matrix.every(Number.isFinite)) return undefined;
  const calibration = get(second ? 50724 : 50723);
  if (calibration.length === 9 && calibration.every(Number.isFinite)) matrix = multiply(calibration, matrix);
  const analog = get(50727);
  if (analog.length === 3 && analog.every((v) => v > 0 && Number.isFinite(v))) {
    matrix = matrix.map((value, i) => value * analog[Math.floor(i / 3)]!);
  }
  return colorFromXyzMatrix(matrix, multipliers);
}
