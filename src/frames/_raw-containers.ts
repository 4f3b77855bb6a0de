import { FormatError } from '../core/index.js';
import { type ExifDirectories, exifDirectories, readExif } from './_exif-read.js';
import { fillGaps, type HeaderFields, positive, within } from './_header-fields.js';
import { type Ifd, number, numbers, readTiffStructure, type TiffStructure, tiffVersion } from './_ifd.js';
import { rafFields } from './_raf.js';
import { hasText, inside, latin1, type Source } from './_source.js';
import { readJpegFields } from './jpeg.js';
import { allDirectories, isSensorPicture, mainPicture } from './tiff.js';

/** Raw containers by signature, in words a photographer uses. */
export interface RawContainer {
  readonly id: 'tiff' | 'raf' | 'cr3' | 'mrw' | 'crw' | 'x3f';
  readonly formatName: string;
}

/** Names of TIFF-structured RAW by extension; which one a file is, its maker's tags do not always say. */
const TIFF_RAW: Record<string, string> = {
  cr2: 'Canon CR2',
  nef: 'Nikon NEF',
  nrw: 'Nikon NRW',
  arw: 'Sony ARW',
  sr2: 'Sony SR2',
  srf: 'Sony SRF',
  pef: 'Pentax PEF',
  srw: 'Samsung SRW',
  orf: 'Olympus ORF',
  ori: 'Olympus ORI',
  rw2: 'Panasonic RW2',
  rwl: 'Leica RWL',
  raw: 'RAW',
  kdc: 'Kodak KDC',
  dcr: 'Kodak DCR',
  k25: 'Kodak K25',
  iiq: 'Phase One IIQ',
  '3fr': 'Hasselblad 3FR',
  fff: 'Hasselblad FFF',
  erf: 'Epson ERF',
  mef: 'Mamiya MEF',
  mos: 'Leaf MOS',
  gpr: 'GoPro GPR',
};

/** Extensions of RAW files, lower case. */
export const RAW_EXTENSIONS: readonly string[] = [
  ...Object.keys(TIFF_RAW),
  'raf',
  'cr3',
  'mrw',
  'crw',
  'x3f',
];

/** The container of a RAW file, by its first bytes; TIFF-structured ones need the name or their tags. */
export function rawContainer(head: Uint8Array, extension: string): RawContainer | undefined {
  if (hasText(head, 0, 'FUJIFILMCCD-RAW')) return { id: 'raf', formatName: 'Fujifilm RAF' };
  if (hasText(head, 4, 'ftypcrx ')) return { id: 'cr3', formatName: 'Canon CR3' };
  if (hasText(head, 0, '\0MRM')) return { id: 'mrw', formatName: 'Minolta MRW' };
  if (hasText(head, 6, 'HEAPCCDR')) return { id: 'crw', formatName: 'Canon CRW' };
  if (hasText(head, 0, 'FOVb')) return { id: 'x3f', formatName: 'Sigma X3F' };
  const version = tiffVersion(head);
  if (version === 0x55)
    return { id: 'tiff', formatName: extension === 'rwl' ? 'Leica RWL' : 'Panasonic RW2' };
  if (version === 0x4f52 || version === 0x5352) return { id: 'tiff', formatName: 'Olympus ORF' };
  if (version === 42 && hasText(head, 8, 'CR')) return { id: 'tiff', formatName: 'Canon CR2' };
  if (version === 42 && TIFF_RAW[extension] !== undefined)
    return { id: 'tiff', formatName: TIFF_RAW[extension]! };
  return undefined;
}

/** Header fields of a RAW file from its container; undefined where only the decoder can tell. */
export function readRawFields(source: Source, container: RawContainer): HeaderFields | undefined {
  switch (container.id) {
    case 'tiff':
      return tiffFields(source);
    case 'raf':
      return rafFields(source);
    case 'cr3':
      return cr3Fields(source);
    case 'mrw':
      return mrwFields(source);
    default:
      return undefined;
  }
}

function tiffFields(source: Source): HeaderFields {
  const structure = readTiffStructure(source);
  const fields = readExif(exifDirectories(structure));
  const main = structure.chain[0]!;
  const picture = rawPicture(structure);
  fields.width = number(structure, picture, 256);
  fields.height = number(structure, picture, 257);
  if (tiffVersion(source.bytes) === 0x55) panasonicFields(source, structure, main, fields);
  return fields;
}

/** The sensor picture of a TIFF-structured RAW: a mosaic where one is marked, else the largest (L31). */
function rawPicture(structure: TiffStructure): Ifd | undefined {
  const all = allDirectories(structure);
  return (
    mainPicture(
      structure,
      all.filter((ifd) => isSensorPicture(structure, ifd)),
    ) ?? mainPicture(structure, all)
  );
}

/** @source exiftool 12.57 PanasonicRaw table: 2 width, 3 height, 4-7 borders, 0x17 ISO, 0x2e embedded JPEG */
function panasonicFields(source: Source, structure: TiffStructure, main: Ifd, fields: HeaderFields): void {
  const get = (tag: number) => number(structure, main, tag);
  const [top, left, bottom, right] = [4, 5, 6, 7].map(get);
  if (
    top !== undefined &&
    left !== undefined &&
    bottom !== undefined &&
    right !== undefined &&
    right > left &&
    bottom > top
  ) {
    fields.width = right - left;
    fields.height = bottom - top;
  } else {
    fields.width = get(2);
    fields.height = get(3);
  }
  const jpeg = main.fields.get(0x2e);
  if (jpeg !== undefined && source.bytes[jpeg.at] === 0xff && source.bytes[jpeg.at + 1] === 0xd8) {
    const { width: _w, height: _h, ...inner } = readJpegFields(source, jpeg.at);
    fillGaps(fields, inner);
  }
  fields.iso ??= positive(get(0x17));
}

/**
 * CR3: boxes of the ISO base media format; the Exif directories lie in CMT1 (main), CMT2 (Exif), CMT4 (GPS).
 * @source ISO/IEC 14496-12 (box structure); exiftool 12.57 Canon uuid box (CMT1 to CMT4)
 */
function cr3Fields(source: Source): HeaderFields {
  const parts = new Map<string, { at: number; end: number }>();
  const walk = (from: number, to: number, depth: number): void => {
    let at = from;
    for (let n = 0; n < 200 && at + 8 <= to; n++) {
      let size = source.view.getUint32(at);
      const name = latin1(source.bytes.subarray(at + 4, at + 8));
      let body = at + 8;
      if (size === 1 && at + 16 <= to) {
        size = Number(source.view.getBigUint64(at + 8));
        body = at + 16;
      } else if (size === 0) size = to - at;
      if (size < 8) return;
      const end = Math.min(to, at + size);
      if (name.startsWith('CMT') || name === 'CRAW') parts.set(name, { at: body, end });
      if (name === 'moov' || name === 'trak') walk(body, end, depth + 1);
      if (name === 'uuid' && depth === 1) walk(body + 16, end, depth + 1);
      at += size;
    }
  };
  walk(0, source.bytes.byteLength, 0);
  const open = (name: string): TiffStructure | undefined => {
    const part = parts.get(name);
    if (part === undefined) return undefined;
    try {
      return readTiffStructure(source, part.at);
    } catch {
      // A damaged part leaves the others readable (L28).
      return undefined;
    }
  };
  const [main, exif, gps, note] = [open('CMT1'), open('CMT2'), open('CMT4'), open('CMT3')];
  if (main === undefined && exif === undefined)
    return { warnings: ['The header boxes of the file are missing or damaged.'] };
  const fields = readSplitExif({ main, exif, gps, note });
  return fields;
}

/** Exif directories that lie in structures of their own. */
function readSplitExif(parts: {
  readonly main: TiffStructure | undefined;
  readonly exif: TiffStructure | undefined;
  readonly gps: TiffStructure | undefined;
  readonly note: TiffStructure | undefined;
}): HeaderFields {
  const fields: HeaderFields = { warnings: [] };
  const read = (structure: TiffStructure | undefined, place: keyof Omit<ExifDirectories, 'structure'>) => {
    if (structure === undefined) return;
    const ifd = structure.chain[0];
    fillGaps(fields, readExif({ structure, main: undefined, exif: undefined, gps: undefined, [place]: ifd }));
  };
  read(parts.exif, 'exif');
  read(parts.main, 'main');
  read(parts.gps, 'gps');
  const shot = canonTemperature(parts.note);
  if (shot !== undefined) fields.temperature ??= shot;
  return fields;
}

/** Camera temperature of a Canon note directory (shot info, value 12, degrees above -128). */
function canonTemperature(note: TiffStructure | undefined): number | undefined {
  const code = note && numbers(note, note.chain[0], 0x0004)[12];
  return code ? within(code - 128, -40, 90) : undefined;
}

/** MRW: blocks, of which TTW holds a TIFF structure. @source exiftool 12.57 MinoltaRaw notes */
function mrwFields(source: Source): HeaderFields {
  const { view, bytes } = source;
  let fields: HeaderFields = { warnings: [] };
  const end = inside(source, 4, 4) ? 8 + view.getUint32(4) : 0;
  let at = 8;
  while (at + 8 <= end && inside(source, at, 8)) {
    const name = latin1(bytes.subarray(at + 1, at + 4));
    const size = view.getUint32(at + 4);
    if (name === 'TTW') {
      const {
        width: _w,
        height: _h,
        ...found
      } = readExif(exifDirectories(readTiffStructure(source, at + 8)));
      fields = { ...found, width: fields.width, height: fields.height };
    } else if (name === 'PRD' && inside(source, at + 8, 16)) {
      fields.height = view.getUint16(at + 8 + 8);
      fields.width = view.getUint16(at + 8 + 10);
    }
    at += 8 + size;
  }
  return fields;
}

/**
 * Where the file says that it goes on past its own end: the byte it should reach, or undefined. Tells a cut
 * file from one that the decoder cannot read (L13).
 */
export function endsBefore(source: Source, container: RawContainer): number | undefined {
  const size = source.bytes.byteLength;
  const { view } = source;
  if (container.id === 'raf' && inside(source, 84, 24)) {
    const end = view.getUint32(100) + view.getUint32(104);
    return end > size ? end : undefined;
  }
  if (container.id === 'cr3') {
    let at = 0;
    for (let n = 0; n < 100 && inside(source, at, 16); n++) {
      const short = view.getUint32(at);
      const length = short === 1 ? Number(view.getBigUint64(at + 8)) : short === 0 ? size - at : short;
      if (length < 8) return undefined;
      at += length;
    }
    return at > size ? at : undefined;
  }
  if (container.id !== 'tiff') return undefined;
  try {
    const structure = readTiffStructure(source);
    let far = 0;
    for (const ifd of allDirectories(structure)) {
      for (const [at, length] of [
        [273, 279],
        [324, 325],
        [513, 514],
      ] as const) {
        const lengths = numbers(structure, ifd, length);
        numbers(structure, ifd, at).forEach((offset, i) => {
          const end = offset + (lengths[i] ?? 0);
          // Makers fill unused offsets with all ones.
          if (end < 1_000_000_000) far = Math.max(far, end);
        });
      }
    }
    far = Math.max(far, structure.reach.end);
    return far > size ? far : undefined;
  } catch (error) {
    // The first directory lies beyond the end, or there is none to ask and the decoder's own word stands.
    return error instanceof FormatError && error.code === 'TRUNCATED'
      ? (error.byteOffset ?? size) + 2
      : undefined;
  }
}
