import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import sharp from 'sharp';
import { lookValues } from '../finishing/index.js';
import {
  type ExifFields,
  exifBlock,
  SRGB_ICC,
  tiffParts,
  withJpegMetadata,
  writeJpeg,
} from '../frames/index.js';
import { type Library, stored } from '../library/index.js';
import type { Finished } from './_finish-stack.js';
import { writeParts, writeWhole } from './_run-folder.js';
import type { StackFacts } from './_stack-files.js';

/** Long sides of the smaller copies, px: for a screen, and for a contact sheet. */
const PREVIEWS = { preview: 2048, thumbnail: 512 } as const;

/** Where the files of one picture lie. */
export interface PictureFiles {
  readonly pictureTiff: string;
  readonly pictureJpeg: string;
  readonly preview: string;
  readonly thumbnail: string;
  readonly gradient: string;
  readonly pictureRecipe: string;
}

export interface PictureOptions {
  /** Base of the file names, `picture` or the picture's own name. */
  readonly base: string;
  /** How the crop was asked for, for the recipe. */
  readonly cropAsked: string;
  /** Place of the camera, deg, to be told in the EXIF block; absent = not told. */
  readonly place?: { readonly latitude: number; readonly longitude: number };
}

function pictureExif(finished: Finished, facts: StackFacts, options: PictureOptions): ExifFields {
  const { width, height, look } = finished;
  // A picture goes out to others: which body took it is nobody's business.
  const { serial: _serial, ...told } = facts.exif;
  return {
    ...told,
    orientation: 1,
    width,
    height,
    colorSpace: 1,
    description: `${facts.frames} frames, ${facts.totalExposure} s in all, ${facts.method}; look ${look.name}.`,
    ...(options.place ? { gps: options.place } : {}),
  };
}

/** The smaller copies; a picture that is smaller already is copied at its own size. */
async function writePreview(
  path: string,
  finished: Finished,
  longSide: number,
  exif: ExifFields,
): Promise<void> {
  const { width, height, small } = finished;
  const { data, info } = await sharp(Buffer.from(small), { raw: { width, height, channels: 3 } })
    .resize({
      width: longSide,
      height: longSide,
      fit: 'inside',
      withoutEnlargement: true,
      kernel: 'lanczos3',
    })
    .jpeg({ quality: 88, chromaSubsampling: '4:4:4' })
    .toBuffer({ resolveWithObject: true });
  const own = exifBlock({ ...exif, width: info.width, height: info.height });
  await writeWhole(path, withJpegMetadata(data, { icc: SRGB_ICC, exif: own }));
}

/** The gradient that was taken off, as a small picture around middle grey, the steepest colour to full contrast. */
async function writeGradient(path: string, finished: Finished): Promise<void> {
  const { width, height, data } = finished.gradientPicture;
  const most = data.reduce((top, value) => Math.max(top, Math.abs(value)), 1e-6);
  const size = width * height;
  const pixels = new Uint8Array(3 * size);
  for (let i = 0; i < size; i++) {
    for (let c = 0; c < 3; c++) pixels[3 * i + c] = 127.5 * (1 + data[c * size + i]! / most) + 0.5;
  }
  const png = await sharp(pixels, { raw: { width, height, channels: 3 } })
    .resize({ width: 8 * width, kernel: 'cubic' })
    .png()
    .toBuffer();
  await writeWhole(path, png);
}

/** Everything that made the picture out of its stack, without the time it was made. */
function pictureRecipe(finished: Finished, facts: StackFacts, options: PictureOptions) {
  const { look, crop, gradient, sky, clippedShare } = finished;
  const round = (value: number): number => Number(value.toPrecision(6));
  return {
    tool: facts.software,
    look: { name: look.name, ...lookValues(look) },
    crop: { asked: options.cropAsked, ...crop },
    gradient: {
      found: gradient.kind,
      ...(gradient.sensorGlow ? { sensorGlow: gradient.sensorGlow } : {}),
    },
    sky: { level: round(sky.level), band: round(sky.band), noise: round(sky.noise) },
    clippedShare: round(clippedShare),
    location: options.place !== undefined,
  };
}

/** Writes a finished picture: 16-bit TIFF, JPEG, smaller copies, the gradient's picture, recipe. */
export async function writePictureFiles(
  folder: string,
  finished: Finished,
  facts: StackFacts,
  options: PictureOptions,
): Promise<PictureFiles> {
  await mkdir(folder, { recursive: true });
  const { width, height, data, small } = finished;
  const file = (tail: string) => join(folder, `${options.base}${tail}`);
  const exif = pictureExif(finished, facts, options);
  const files: PictureFiles = {
    pictureTiff: file('.tif'),
    pictureJpeg: file('.jpg'),
    preview: file(`-${PREVIEWS.preview}.jpg`),
    thumbnail: file(`-${PREVIEWS.thumbnail}.jpg`),
    gradient: file('-gradient.png'),
    pictureRecipe: file('.json'),
  };
  const description = exif.description ?? '';
  // One after the other: each holds a picture of its own.
  await writeParts(
    files.pictureTiff,
    tiffParts({ width, height, planes: 3, data, interleaved: true, icc: SRGB_ICC, exif, description }),
  );
  await writeWhole(
    files.pictureJpeg,
    await writeJpeg({ width, height, data: Uint8Array.from(small), exif, quality: 93 }),
  );
  await writePreview(files.preview, finished, PREVIEWS.preview, exif);
  await writePreview(files.thumbnail, finished, PREVIEWS.thumbnail, exif);
  await writeGradient(files.gradient, finished);
  await writeWhole(
    files.pictureRecipe,
    `${JSON.stringify(pictureRecipe(finished, facts, options), null, 2)}\n`,
  );
  return files;
}

/** One single frame finished the same way, for comparison, as JPEG. */
export async function writeSinglePicture(path: string, finished: Finished, facts: StackFacts): Promise<void> {
  const { width, height, small } = finished;
  const exif: ExifFields = {
    ...pictureExif(finished, facts, { base: '', cropAsked: '' }),
    description: 'One single frame, finished like the stack.',
  };
  await writeWhole(path, await writeJpeg({ width, height, data: Uint8Array.from(small), exif, quality: 90 }));
}

/** Paths of a picture's files as the catalogue keeps them. */
export const storedFiles = (library: Library, files: PictureFiles): Record<string, string> =>
  Object.fromEntries(Object.entries(files).map(([key, path]) => [key, stored(library.dir, path)]));
