import type { FrameHeader, FramePixels } from '../core/index.js';
import { exifDirectories, readExif, settlePitch } from './_exif-read.js';
import { finishHeader, type HeaderFields } from './_header-fields.js';
import {
  fieldBytes,
  type Ifd,
  number,
  numbers,
  readTiffStructure,
  subDirectories,
  type TiffStructure,
} from './_ifd.js';
import { formatError, type Source } from './_source.js';
import { decodeRaster, type RasterLayout, readLayout, type Samples } from './_tiff-raster.js';
import { lightTables, SRGB_TONE, type Tone, toneOfProfile } from './_tone.js';

const KIND = { format: 'tiff', formatName: 'TIFF' } as const;

/** Every directory of the file that may hold a picture: the chain, then what hangs on it. */
export function allDirectories(structure: TiffStructure): Ifd[] {
  const found = [...structure.chain];
  for (const ifd of structure.chain) {
    for (const sub of subDirectories(structure, ifd, 330)) {
      if (!found.some((one) => one.at === sub.at)) found.push(sub);
    }
  }
  return found;
}

/** The largest picture that is not marked as a reduced one. */
export function mainPicture(structure: TiffStructure, candidates: readonly Ifd[]): Ifd | undefined {
  const area = (ifd: Ifd) => (number(structure, ifd, 256) ?? 0) * (number(structure, ifd, 257) ?? 0);
  const full = candidates.filter((ifd) => area(ifd) > 0 && ((number(structure, ifd, 254) ?? 0) & 1) === 0);
  return (full.length > 0 ? full : candidates.filter((ifd) => area(ifd) > 0)).reduce<Ifd | undefined>(
    (best, ifd) => (best === undefined || area(ifd) > area(best) ? ifd : best),
    undefined,
  );
}

/** Header fields of a TIFF-structured file, with the size of its main picture. */
export function readTiffFields(structure: TiffStructure, picture: Ifd | undefined): HeaderFields {
  const fields = readExif(exifDirectories(structure));
  fields.width = number(structure, picture, 256);
  fields.height = number(structure, picture, 257);
  settlePitch(fields);
  return fields;
}

export async function readTiffHeader(source: Source): Promise<FrameHeader> {
  const structure = readTiffStructure(source);
  return finishHeader(
    KIND,
    readTiffFields(structure, mainPicture(structure, allDirectories(structure))),
    source.path,
  );
}

/**
 * Reads a TIFF: 8, 16, 32-bit integers and floats, strips and tiles, chunky and planar. With a profile it
 * is brought to linear light by the profile's curve; 8 bits without one are taken as sRGB; deeper integers
 * and floats are the file's own counts.
 */
export async function readTiffPixels(source: Source): Promise<FramePixels> {
  const structure = readTiffStructure(source);
  const picture = mainPicture(structure, allDirectories(structure));
  if (picture === undefined)
    throw formatError(source, 'NO_PIXELS', 'Expected a picture but the TIFF file holds none');
  const layout = readLayout(structure, picture);
  if (![0, 1, 2, 34892].includes(layout.photometric)) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected a gray or RGB picture but the TIFF's colours are of kind ${layout.photometric} (palette, CMYK, YCbCr or Lab)`,
    );
  }
  const color = layout.photometric === 2 || layout.photometric === 34892;
  if (color && layout.samples < 3) {
    throw formatError(source, 'CORRUPT', `Expected three colours but found ${layout.samples}`);
  }
  const samples = await decodeRaster(structure, layout);
  const warnings = [...structure.warnings];
  const profile = fieldBytes(structure, picture, 34675);
  let tone = toneOfProfile(profile);
  if (profile !== undefined && tone === undefined) {
    warnings.push('The embedded colour profile is of a kind that is not read and was left out.');
  }
  if (tone === undefined && layout.bits === 8 && layout.format === 'uint') tone = SRGB_TONE;
  if (tone === undefined && color && layout.format === 'uint') {
    warnings.push('The TIFF carries no colour profile; its values were taken as linear counts.');
  }
  return assemble(layout, samples, { tone, color, warnings, noData: noDataValue(structure, picture) });
}

/** A value that stands for "no data" in rasters of measured quantities (GDAL's tag 42113). */
function noDataValue(structure: TiffStructure, ifd: Ifd): number | undefined {
  const bytes = fieldBytes(structure, ifd, 42113);
  if (bytes === undefined || bytes.length > 64) return undefined;
  const value = Number.parseFloat(new TextDecoder('latin1').decode(bytes));
  return Number.isFinite(value) ? value : undefined;
}

function assemble(
  layout: RasterLayout,
  samples: Samples,
  {
    tone,
    color,
    warnings,
    noData,
  }: {
    readonly tone: Tone | undefined;
    readonly color: boolean;
    readonly warnings: readonly string[];
    readonly noData: number | undefined;
  },
): FramePixels {
  const { width, height, bits, format } = layout;
  const size = width * height;
  const planes = color ? 3 : 1;
  const top = format === 'float' ? 1 : format === 'int' ? 2 ** (bits - 1) - 1 : 2 ** bits - 1;
  const curved = tone !== undefined && !tone.linear;
  const data = new Float32Array(planes * size);
  let highest = 0;
  let quantization = format === 'float' ? 0 : 1;
  if (curved && format === 'uint' && bits <= 16) {
    const tables = lightTables(tone, 2 ** bits);
    for (let plane = 0; plane < planes; plane++) {
      const table = tables[plane] ?? tables[0]!;
      for (let i = plane * size; i < (plane + 1) * size; i++) data[i] = table[samples[i]!]!;
    }
    quantization = tables[0]![1]!;
  } else {
    for (let i = 0; i < planes * size; i++) data[i] = samples[i]!;
    if (curved) {
      for (let plane = 0; plane < planes; plane++) {
        const curve = tone.curves[plane] ?? tone.curves[0]!;
        for (let i = plane * size; i < (plane + 1) * size; i++) {
          const signal = data[i]! / top;
          data[i] = 65535 * (signal < 0 ? 0 : curve(Math.min(1, signal)));
        }
      }
      quantization = 0;
    }
  }
  if (noData !== undefined)
    for (let i = 0; i < data.length; i++)
      if (samples[i] === Math.fround(noData) || samples[i] === noData) data[i] = Number.NaN;
  if (format === 'float') for (let i = 0; i < data.length; i++) if (data[i]! > highest) highest = data[i]!;
  // White is zero (photometric 0): the counts run backwards.
  if (layout.photometric === 0)
    for (let i = 0; i < data.length; i++) data[i] = (curved ? 65535 : top) - data[i]!;
  const white = curved ? 65535 : format === 'float' ? (highest <= 1 ? 1 : Math.max(65535, highest)) : top;
  return {
    kind: color ? 'color' : 'mono',
    width,
    height,
    data,
    blackLevel: [0],
    whiteLevel: [white, white, white],
    quantization,
    ...(color
      ? {
          color: {
            multipliers: [1, 1, 1] as const,
            cameraToSrgb: tone?.toSrgb ?? [1, 0, 0, 0, 1, 0, 0, 0, 1],
          },
        }
      : {}),
    decoder: 'nightcairn TIFF 1',
    warnings,
  };
}

/** True when a directory describes a colour-filter mosaic or linear sensor data, as RAW files do. */
export function isSensorPicture(structure: TiffStructure, ifd: Ifd): boolean {
  return numbers(structure, ifd, 262)[0] === 32803 || numbers(structure, ifd, 262)[0] === 34892;
}
