import type { CfaPattern } from '../core/index.js';
import { cameraName } from './_header-fields.js';
import { type Directory, layTiff, type Tag, type TagValue } from './_ifd-write.js';
import { type ExifFields, imageTags, pointerTags } from './exif-block.js';

/** A mosaic to be written as DNG. */
export interface DngContent {
  /** Size of `data`, masked border included, px. */
  readonly width: number;
  readonly height: number;
  /** u16[height*width], row-major, raw ADU with black still in. */
  readonly data: Uint16Array;
  /** Visible area; default all. */
  readonly activeArea?: {
    readonly left: number;
    readonly top: number;
    readonly width: number;
    readonly height: number;
  };
  /** Pattern of the visible area, starting at its first pixel. */
  readonly cfa: CfaPattern;
  /** ADU: one value, or one for each site of `cfa` in row order. */
  readonly blackLevel: number | readonly number[];
  /** Raw ADU (black included) at which a pixel clips. */
  readonly whiteLevel: number;
  /** CIE XYZ to camera RGB, row-major 3x3, for the illuminant D65. */
  readonly colorMatrix: readonly number[];
  /** Camera RGB of a neutral object, largest 1: reciprocal of the multipliers. */
  readonly asShotNeutral: readonly [number, number, number];
  readonly exif: ExifFields;
  /** A baseline JPEG shown by browsers of the card. */
  readonly preview?: {
    readonly jpeg: Uint8Array;
    readonly width: number;
    readonly height: number;
  };
}

const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });
const bytes = (...values: number[]): TagValue => ({ type: 'byte', bytes: values });

/** Little-endian view of 16-bit values without a copy where the machine allows it. */
function littleEndianBytes(data: Uint16Array): Uint8Array {
  if (new Uint8Array(new Uint16Array([1]).buffer)[0] === 1) {
    return new Uint8Array(data.buffer, data.byteOffset, data.byteLength);
  }
  const out = new Uint8Array(data.byteLength);
  const view = new DataView(out.buffer);
  data.forEach((value, i) => {
    view.setUint16(2 * i, value, true);
  });
  return out;
}

/**
 * Writes a mosaic as an uncompressed 16-bit DNG 1.4, little-endian, one strip.
 * The raw picture lies in the first directory, or in a sub-directory when a preview is given.
 *
 * @throws {RangeError} when lengths do not agree
 * @source Adobe DNG Specification 1.4.0.0 (2012), chapters 2, 4 and 6; TIFF/EP ISO 12234-2:2001 for the CFA tags
 */
export function writeDng(content: DngContent): Uint8Array {
  const { width, height, data, cfa, exif } = content;
  if (data.length !== width * height)
    throw new RangeError(`expected ${width * height} samples but received ${data.length}`);
  const black = typeof content.blackLevel === 'number' ? [content.blackLevel] : content.blackLevel;
  if (black.length !== 1 && black.length !== cfa.colors.length)
    throw new RangeError(`expected 1 or ${cfa.colors.length} black levels but received ${black.length}`);
  if (content.colorMatrix.length !== 9)
    throw new RangeError(`expected 9 matrix values but received ${content.colorMatrix.length}`);
  const active = content.activeArea ?? { left: 0, top: 0, width, height };

  const raw: Tag[] = [
    { id: 254, value: long(0) },
    { id: 256, value: long(width) },
    { id: 257, value: long(height) },
    { id: 258, value: short(16) },
    { id: 259, value: short(1) },
    { id: 262, value: short(32803) },
    { id: 273, value: { type: 'blocks', blocks: [littleEndianBytes(data)] } },
    { id: 277, value: short(1) },
    { id: 278, value: long(height) },
    { id: 279, value: long(data.byteLength) },
    { id: 284, value: short(1) },
    { id: 33421, value: short(cfa.height, cfa.width) },
    { id: 33422, value: { type: 'byte', bytes: [...cfa.colors] } },
    { id: 50710, value: bytes(0, 1, 2) },
    { id: 50711, value: short(1) },
    { id: 50713, value: black.length === 1 ? short(1, 1) : short(cfa.height, cfa.width) },
    { id: 50714, value: { type: 'rational', values: black } },
    { id: 50717, value: long(content.whiteLevel) },
    { id: 50718, value: { type: 'rational', values: [1, 1] } },
    { id: 50719, value: long(0, 0) },
    { id: 50720, value: long(active.width, active.height) },
    {
      id: 50829,
      value: long(active.top, active.left, active.top + active.height, active.left + active.width),
    },
  ];
  const camera: Tag[] = [
    ...imageTags({ orientation: 1, ...exif }),
    ...pointerTags({ width: active.width, height: active.height, ...exif }),
    { id: 50706, value: bytes(1, 4, 0, 0) },
    { id: 50707, value: bytes(1, 1, 0, 0) },
    {
      id: 50708,
      value: {
        type: 'ascii',
        text: cameraName(exif.cameraMake, exif.cameraModel) ?? 'unknown camera',
      },
    },
    { id: 50721, value: { type: 'srational', values: content.colorMatrix } },
    { id: 50728, value: { type: 'rational', values: content.asShotNeutral } },
    // 21 = D65 (Exif LightSource)
    { id: 50778, value: short(21) },
  ];
  if (exif.serial) camera.push({ id: 50735, value: { type: 'ascii', text: exif.serial } });
  if (exif.lensSpecification)
    camera.push({ id: 50736, value: { type: 'rational', values: exif.lensSpecification } });

  if (content.preview === undefined) return layTiff([[...raw, ...camera]]);
  const { preview } = content;
  const first: Directory = [
    ...camera,
    { id: 254, value: long(1) },
    { id: 256, value: long(preview.width) },
    { id: 257, value: long(preview.height) },
    { id: 258, value: short(8, 8, 8) },
    { id: 259, value: short(7) },
    { id: 262, value: short(6) },
    { id: 273, value: { type: 'blocks', blocks: [preview.jpeg] } },
    { id: 277, value: short(3) },
    { id: 278, value: long(preview.height) },
    { id: 279, value: long(preview.jpeg.byteLength) },
    { id: 284, value: short(1) },
    { id: 330, value: { type: 'directories', directories: [raw] } },
  ];
  return layTiff([first]);
}
