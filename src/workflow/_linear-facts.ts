import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { StorageError } from '../core/index.js';
import type { Rect, StackColor, StackMaps } from '../finishing/index.js';
import { type StackSource, shared } from './_finish-stack.js';
import { readGrey } from './_grey-picture.js';
import { writeWhole } from './_run-folder.js';
import { type SkyPointing, skyPlaces } from './_sky-pointing.js';
import type { StackFacts } from './_stack-files.js';

/** What the numbers of a stack's linear files mean; `linear.json` beside them. */
export interface LinearFacts extends StackColor {
  readonly width: number;
  readonly height: number;
  readonly facts: StackFacts;
  /** Where the stack's grid points, where pole, latitude and clock told. */
  readonly pointing?: SkyPointing;
  /** The part of the frame where stars are about as small as in the middle, px; absent = all of it. */
  readonly sharp?: Rect;
}

const ABOUT =
  'What the numbers of linear.tif, linear.fits and the maps mean. whiteLevel: ADU above black at which red, green and blue clip. color: multipliers that make grey equal, and the matrix from there to linear sRGB. orientation: EXIF, not yet applied. facts: exposure, frames, times, camera.';

/** Names of a stack's files in its folder. */
export const STACK_FILES = {
  linearTiff: 'linear.tif',
  fits: 'linear.fits',
  facts: 'linear.json',
  sky: 'sky-linear.tif',
  land: 'land-linear.tif',
  mask: 'land-mask.png',
  coverage: 'coverage.png',
  rejected: 'rejected.png',
  recipe: 'recipe.json',
  singleJpeg: 'single.jpg',
} as const;

export async function writeLinearFacts(folder: string, facts: LinearFacts): Promise<void> {
  await writeWhole(
    join(folder, STACK_FILES.facts),
    `${JSON.stringify({ about: ABOUT, ...facts }, null, 2)}\n`,
  );
}

/** @throws {StorageError} NOT_READABLE when the stack is from before such a file, or it was taken away */
export async function readLinearFacts(folder: string): Promise<LinearFacts> {
  const path = join(folder, STACK_FILES.facts);
  try {
    return JSON.parse(await readFile(path, 'utf8')) as LinearFacts;
  } catch (cause) {
    throw new StorageError(
      'NOT_READABLE',
      `Expected ${path}, which says what the stack's numbers mean, but it cannot be read; run "stack" again.`,
      { path, cause },
    );
  }
}

async function readMap(path: string, width: number, height: number): Promise<Uint8Array | undefined> {
  const map = await readGrey(path);
  if (!map) return undefined;
  if (map.width !== width || map.height !== height) {
    throw new StorageError(
      'NOT_READABLE',
      `Expected ${path} to be ${width} x ${height} px as its stack is, but it is ${map.width} x ${map.height}; run "stack" again.`,
      { path },
    );
  }
  return shared(map.data);
}

/** The maps of a stack, in memory that threads share. */
export async function readMaps(folder: string, width: number, height: number): Promise<StackMaps> {
  const [coverage, land] = await Promise.all([
    readMap(join(folder, STACK_FILES.coverage), width, height),
    readMap(join(folder, STACK_FILES.mask), width, height),
  ]);
  return { width, height, ...(coverage ? { coverage } : {}), ...(land ? { land } : {}) };
}

/** A stack's files as the finish wants them. */
export async function stackSource(folder: string, linear: LinearFacts): Promise<StackSource> {
  return {
    path: join(folder, STACK_FILES.fits),
    maps: await readMaps(folder, linear.width, linear.height),
    whiteLevel: linear.whiteLevel,
    ...(linear.color === undefined ? {} : { color: linear.color }),
    ...(linear.orientation === undefined ? {} : { orientation: linear.orientation }),
    ...(linear.starBalance === undefined ? {} : { starBalance: linear.starBalance }),
    ...(linear.falloffBy === undefined ? {} : { falloffBy: linear.falloffBy }),
    ...(linear.pointing === undefined ? {} : { skyAt: skyPlaces(linear.pointing) }),
  };
}
