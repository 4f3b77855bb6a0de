import { mkdir, readFile } from 'node:fs/promises';
import { dirname } from 'node:path';
import { type BorderLines, FormatError } from '../core/index.js';
import { type FitsCard, readPixels, writeFits } from '../frames/index.js';
import type { Master } from '../stacking/index.js';
import { writeWhole } from './_run-folder.js';

/** A master's file is FITS; what FITS has no words for lies in a JSON file beside it. */
const sideCar = (path: string): string => path.replace(/\.fits$/, '.json');

/** Writes a master: FITS for anyone, a JSON side-car for us. */
export async function saveMasterFile(path: string, master: Master): Promise<void> {
  const { data, ...rest } = master;
  const cards: FitsCard[] = [
    { keyword: 'IMAGETYP', value: `master ${master.kind}` },
    { keyword: 'NCOMBINE', value: master.frames, comment: 'frames combined' },
    {
      keyword: 'BUNIT',
      value: master.kind === 'flat' ? 'relative' : 'adu',
      comment: 'black level taken off',
    },
  ];
  if (master.exposureTime !== undefined) {
    cards.push({ keyword: 'EXPTIME', value: master.exposureTime, comment: 's' });
  }
  if (master.temperature !== undefined) {
    cards.push({ keyword: 'CCD-TEMP', value: master.temperature, comment: 'deg C' });
  }
  await mkdir(dirname(path), { recursive: true });
  await writeWhole(sideCar(path), `${JSON.stringify(rest, listed, 2)}\n`);
  await writeWhole(
    path,
    writeFits({ width: master.width, height: master.height, planes: master.planes, data, cards }),
  );
}

/** Numbers in arrays of one type become lists. */
const listed = (_: string, value: unknown): unknown => (value instanceof Float32Array ? [...value] : value);

/** Reads a master back. @throws {FormatError} when the two files do not belong together */
export async function loadMaster(path: string): Promise<Master> {
  const rest = JSON.parse(await readFile(sideCar(path), 'utf8')) as Omit<Master, 'data'>;
  const pixels = await readPixels(await readFile(path), path);
  if (pixels.width !== rest.width || pixels.height !== rest.height) {
    throw new FormatError(
      'CORRUPT',
      `Expected a master of ${rest.width} x ${rest.height} px in ${path} but found ${pixels.width} x ${pixels.height}; delete it and stack again.`,
      { path },
    );
  }
  const border = (lines: BorderLines | undefined) =>
    lines && { ...lines, values: Float32Array.from(lines.values) };
  const [rows, columns] = [border(rest.darkBorder?.rows), border(rest.darkBorder?.columns)];
  return {
    ...rest,
    ...(rest.darkBorder
      ? { darkBorder: { ...(rows ? { rows } : {}), ...(columns ? { columns } : {}) } }
      : {}),
    data: pixels.data,
  };
}
