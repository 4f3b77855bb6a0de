import { createHash } from 'node:crypto';
import sharp from 'sharp';
import { type ColorImage, many, type Plane } from '../core/index.js';
import { toMap } from '../finishing/index.js';
import { type ExifFields, type FitsCard, fitsParts, LINEAR_SRGB_ICC, tiffParts } from '../frames/index.js';
import { writeParts, writeWhole } from './_run-folder.js';

/** What is known of a stack beyond its pixels, for the headers of its files. */
export interface StackFacts {
  readonly exif: ExifFields;
  /** s */
  readonly totalExposure: number;
  readonly frames: number;
  readonly method: string;
  /** UTC instants. */
  readonly start?: string;
  readonly middle?: string;
  readonly software: string;
  /** ADU above black that the highest 16-bit value of the linear TIFF stands for. */
  readonly white: number;
}

const PIXEL_MEANING =
  'Linear light, camera-native colours, ADU above black, lens falloff divided out; no white balance, no gradient taken off';

/**
 * Writes a linear image as 16-bit TIFF with its scale stated: value = ADU * 65535 / white; below black and no
 * data become 0.
 */
export async function writeLinearTiff(
  path: string,
  image: ColorImage,
  facts: StackFacts,
  xmp?: string,
): Promise<void> {
  await writeParts(
    path,
    tiffParts({
      width: image.width,
      height: image.height,
      planes: 3,
      data: image.data,
      integersPerUnit: 65535 / facts.white,
      icc: LINEAR_SRGB_ICC,
      exif: { ...facts.exif, colorSpace: 65535 },
      description: `LINEAR. ${PIXEL_MEANING}. 65535 = ${facts.white} ADU. ${many(facts.frames, 'frame')}, ${facts.totalExposure} s in all, ${facts.method}.`,
      ...(xmp === undefined ? {} : { xmp }),
    }),
  );
}

/** Writes a linear image as 32-bit float FITS, three planes red, green, blue. */
export async function writeLinearFits(
  path: string,
  image: ColorImage,
  facts: StackFacts,
  plate: readonly FitsCard[] = [],
): Promise<void> {
  const cards: FitsCard[] = [
    { keyword: 'BUNIT', value: 'adu', comment: 'above black, linear' },
    { keyword: 'EXPTIME', value: facts.totalExposure, comment: 's, all frames together' },
    { keyword: 'NCOMBINE', value: facts.frames, comment: 'frames combined' },
    { keyword: 'COMBINE', value: facts.method, comment: 'how they were combined' },
    { keyword: 'FILTER', value: 'RGB', comment: 'planes red, green, blue of the camera' },
    { keyword: 'CREATOR', value: facts.software },
  ];
  if (facts.start)
    cards.push({ keyword: 'DATE-OBS', value: facts.start.replace('Z', ''), comment: 'UTC, start' });
  if (facts.middle)
    cards.push({ keyword: 'DATE-AVG', value: facts.middle.replace('Z', ''), comment: 'UTC, middle' });
  const { exif } = facts;
  if (exif.cameraModel) cards.push({ keyword: 'INSTRUME', value: ascii(exif.cameraModel) });
  if (exif.lens) cards.push({ keyword: 'TELESCOP', value: ascii(exif.lens), comment: 'lens' });
  if (exif.focalLengthMm) cards.push({ keyword: 'FOCALLEN', value: exif.focalLengthMm, comment: 'mm' });
  if (exif.iso) cards.push({ keyword: 'ISOSPEED', value: exif.iso });
  await writeParts(
    path,
    fitsParts({
      width: image.width,
      height: image.height,
      planes: 3,
      data: image.data,
      cards: [...cards, ...plate],
      history: [PIXEL_MEANING],
    }),
  );
}

const ascii = (text: string): string => text.replace(/[^\x20-\x7e]/g, '?').slice(0, 60);

/** Writes a plane as a grey picture, black = 0, white = `top`. */
export async function writeGrey(path: string, plane: Plane, top: number): Promise<void> {
  const data = toMap(plane, top);
  await writeWhole(
    path,
    await sharp(data, { raw: { width: plane.width, height: plane.height, channels: 1 } })
      .png()
      .toBuffer(),
  );
}

/** A short name for a recipe: the same settings and inputs give the same. */
export const recipeKey = (recipe: unknown): string =>
  createHash('sha256').update(JSON.stringify(recipe)).digest('hex').slice(0, 8);
