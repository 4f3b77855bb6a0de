import type { CameraColor, FrameHeader, FramePixels } from '../core/index.js';
import { blackBySite, blackList, cameraColor, cfaOf, whiteLevels } from './_dng-levels.js';
import { finishHeader } from './_header-fields.js';
import { type Ifd, numbers, readTiffStructure, type TiffStructure } from './_ifd.js';
import { mosaicPixels } from './_mosaic.js';
import { decodeRaw, RAW_DECODER } from './_raw-decoder.js';
import { formatError, type Source } from './_source.js';
import { checkStored, decodeRaster, type RasterLayout, readLayout, type Samples } from './_tiff-raster.js';
import { allDirectories, isSensorPicture, mainPicture, readTiffFields } from './tiff.js';

const KIND = { format: 'dng', formatName: 'DNG' } as const;
const DECODER = 'nightcairn DNG 1';

/** The directory with the sensor picture: full size, mosaic or linear. */
function sensorDirectory(source: Source, structure: TiffStructure): Ifd {
  const all = allDirectories(structure);
  const picture = mainPicture(
    structure,
    all.filter((ifd) => isSensorPicture(structure, ifd)),
  );
  if (picture === undefined) {
    throw formatError(source, 'NO_PIXELS', 'Expected sensor data but the DNG holds only a preview');
  }
  return picture;
}

export async function readDngHeader(source: Source): Promise<FrameHeader> {
  const structure = readTiffStructure(source);
  const all = allDirectories(structure);
  const picture = mainPicture(
    structure,
    all.filter((ifd) => isSensorPicture(structure, ifd)),
  );
  const fields = readTiffFields(structure, picture ?? mainPicture(structure, all));
  fields.cameraModel ??= undefined;
  if (picture !== undefined) {
    const area = numbers(structure, picture, 50829);
    if (validArea(area, fields.width ?? 0, fields.height ?? 0)) {
      fields.width = area[3]! - area[1]!;
      fields.height = area[2]! - area[0]!;
    }
  }
  return finishHeader(KIND, fields, source.path);
}

function validArea(area: readonly number[], width: number, height: number): boolean {
  const [top, left, bottom, right] = area;
  return (
    area.length === 4 &&
    top! >= 0 &&
    left! >= 0 &&
    bottom! <= height &&
    right! <= width &&
    bottom! > top! &&
    right! > left!
  );
}

/**
 * Reads the sensor picture of a DNG: mosaic, or three linear planes. The tags are read here; the RAW decoder
 * is asked only for compressed pixels.
 *
 * @throws {FormatError} NO_PIXELS, TRUNCATED, CORRUPT, UNSUPPORTED_FORMAT (lossy compression), DECODER_LIMIT
 * @source Adobe DNG Specification 1.4.0.0 (2012), chapters 4 and 5
 */
export async function readDngPixels(source: Source): Promise<FramePixels> {
  const structure = readTiffStructure(source);
  const picture = sensorDirectory(source, structure);
  const layout = readLayout(structure, picture);
  if (layout.compression === 34892) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      'Expected a DNG without loss but this one is lossy compressed; choose uncompressed or lossless DNG',
    );
  }
  const linear = layout.photometric === 34892;
  if (linear ? layout.samples !== 3 : layout.samples !== 1) {
    throw formatError(
      source,
      'UNSUPPORTED_FORMAT',
      `Expected one sample a pixel behind a filter, or three without, but found ${layout.samples}`,
    );
  }
  const own = [1, 8, 32946, 5].includes(layout.compression) && layout.predictor <= 3;
  const samples = own
    ? await decodeRaster(structure, layout)
    : await samplesByDecoder(source, layout, linear);
  if (isBlank(samples)) {
    throw formatError(
      source,
      'NO_PIXELS',
      'Expected a picture but every pixel is zero although the file is not',
    );
  }
  const table = numbers(structure, picture, 50712);
  const straight = own && table.length > 0 ? applyTable(samples, table) : samples;
  const area = numbers(structure, picture, 50829);
  const valid = validArea(area, layout.width, layout.height);
  const [top, left, bottom, right] = valid
    ? (area as [number, number, number, number])
    : [0, 0, layout.height, layout.width];
  const shape = { left, top, width: right - left, height: bottom - top };
  const warnings = [...structure.warnings];
  if (
    numbers(structure, picture, 50715).some((v) => v !== 0) ||
    numbers(structure, picture, 50716).some((v) => v !== 0)
  ) {
    warnings.push('The black level varies along rows or columns; its mean was taken off.');
  }
  const decoder = own ? DECODER : RAW_DECODER;
  const color = cameraColor(structure);
  const white = whiteLevels(structure, picture, layout, table);
  if (linear)
    return linearPlanes(straight, layout, {
      shape,
      black: blackList(structure, picture),
      white,
      color,
      decoder,
      warnings,
    });
  const cfa = cfaOf(source, structure, picture);
  const { pattern, black } = blackBySite(source, structure, picture, cfa);
  return mosaicPixels({
    data: straight as Uint16Array,
    fullWidth: layout.width,
    fullHeight: layout.height,
    ...shape,
    cfa: pattern,
    black,
    white,
    ...(color === undefined ? {} : { color }),
    decoder,
    warnings,
  });
}

async function samplesByDecoder(source: Source, layout: RasterLayout, linear: boolean): Promise<Samples> {
  checkStored(source, layout);
  const { mosaic, color, facts, complaints } = await decodeRaw(source, { want: 'pixels', formatName: 'DNG' });
  if (complaints.some((line) => /corrupt|end of file/i.test(line))) {
    throw formatError(
      source,
      'TRUNCATED',
      'Expected sound compressed data but they break off or contradict themselves',
    );
  }
  const size = layout.width * layout.height;
  if (
    linear &&
    color !== undefined &&
    color.length === 3 * facts.width * facts.height &&
    color.length === 3 * size
  ) {
    const planes = new Uint16Array(3 * size);
    for (let plane = 0; plane < 3; plane++) {
      for (let i = 0; i < size; i++) planes[plane * size + i] = color[3 * i + plane]!;
    }
    return planes;
  }
  if (!linear && mosaic !== undefined && mosaic.length === size) return mosaic;
  throw formatError(
    source,
    'DECODER_LIMIT',
    'Expected the decoder to unpack the whole picture but it gave none (an unsupported compression, as a rule)',
  );
}

/** True when every sample is zero: a decoder's silent failure, or a cut file (L12). */
export function isBlank(samples: ArrayLike<number>): boolean {
  for (let i = 0; i < samples.length; i++) if (samples[i] !== 0) return false;
  return true;
}

function applyTable(samples: Samples, table: readonly number[]): Samples {
  const out = new Uint16Array(samples.length);
  const last = table.length - 1;
  for (let i = 0; i < samples.length; i++) out[i] = table[Math.min(last, samples[i]!)]!;
  return out;
}

function linearPlanes(
  samples: Samples,
  layout: RasterLayout,
  rest: {
    readonly shape: { left: number; top: number; width: number; height: number };
    readonly black: readonly number[];
    readonly white: readonly [number, number, number];
    readonly color: CameraColor | undefined;
    readonly decoder: string;
    readonly warnings: readonly string[];
  },
): FramePixels {
  const { left, top, width, height } = rest.shape;
  const data = new Float32Array(3 * width * height);
  const level = (plane: number) => rest.black[plane] ?? rest.black[0]!;
  for (let plane = 0; plane < 3; plane++) {
    for (let y = 0; y < height; y++) {
      const from = (plane * layout.height + y + top) * layout.width + left;
      const to = (plane * height + y) * width;
      for (let x = 0; x < width; x++) data[to + x] = samples[from + x]! - level(plane);
    }
  }
  return {
    kind: 'color',
    width,
    height,
    data,
    blackLevel: [level(0)],
    whiteLevel: [rest.white[0] - level(0), rest.white[1] - level(1), rest.white[2] - level(2)],
    quantization: layout.format === 'float' ? 0 : 1,
    ...(rest.color === undefined ? {} : { color: rest.color }),
    sensorArea: { fullWidth: layout.width, fullHeight: layout.height, left, top },
    decoder: rest.decoder,
    warnings: [
      ...rest.warnings,
      'The DNG holds three colours a pixel, not a mosaic; mosaic calibration does not apply.',
    ],
  };
}
