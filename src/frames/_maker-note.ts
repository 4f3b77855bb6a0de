import { within } from './_header-fields.js';
import {
  fieldBytes,
  type Ifd,
  number,
  numbers,
  readIfd,
  type TiffStructure,
  text,
  tiffVersion,
} from './_ifd.js';
import { hasText } from './_source.js';

/** What a maker says beyond Exif; only fields that several bodies of the make agree on. */
export interface MakerNote {
  readonly temperature?: number | undefined;
  readonly longExposureNoiseReduction?: boolean | undefined;
  readonly lens?: string | undefined;
  readonly serial?: string | undefined;
  readonly iso?: number | undefined;
  readonly bulb?: boolean | undefined;
  readonly fileNumber?: number | undefined;
}

/**
 * Reads the few maker-note fields that are simple and stable. Anything unknown gives nothing.
 * @source layouts: exiftool 12.57 tag tables (Canon, Nikon, Sony, Panasonic, Olympus, Pentax), which the
 * golden values of the tests come from
 */
export function readMakerNote(
  structure: TiffStructure,
  exif: Ifd | undefined,
  make: string | undefined,
): MakerNote {
  const field = exif?.fields.get(0x927c);
  const bytes = fieldBytes(structure, exif, 0x927c);
  if (field === undefined || bytes === undefined || bytes.byteLength < 12) return {};
  const brand = (make ?? '').toLowerCase();
  const inFile = (offset: number, from = structure): [TiffStructure, Ifd | undefined] => [
    from,
    readIfd(from, field.at + offset - from.base),
  ];
  if (brand.startsWith('canon')) return canon(...inFile(0));
  const nikonDirectory = nikonNote(structure, exif);
  if (nikonDirectory !== undefined) return nikon(nikonDirectory.structure, nikonDirectory.ifd);
  if (brand.startsWith('sony')) return sony(...inFile(hasText(bytes, 0, 'SONY') ? 12 : 0));
  if (hasText(bytes, 0, 'Panasonic\0')) return panasonic(...inFile(12));
  if (hasText(bytes, 0, 'OLYMPUS\0II') || hasText(bytes, 0, 'OM SYSTEM\0')) {
    const start = hasText(bytes, 0, 'OM SYSTEM') ? 16 : 12;
    return olympus(...inFile(start, { ...structure, base: field.at, warnings: [], reach: { end: 0 } }));
  }
  if (hasText(bytes, 0, 'AOC\0')) {
    const littleEndian = hasText(bytes, 4, 'II') || (!hasText(bytes, 4, 'MM') && structure.littleEndian);
    return pentax(...inFile(6, { ...structure, littleEndian, warnings: [], reach: { end: 0 } }));
  }
  return {};
}

/** The directory of a Nikon note, which is a TIFF structure of its own. */
export function nikonNote(
  structure: TiffStructure,
  exif: Ifd | undefined,
): { readonly structure: TiffStructure; readonly ifd: Ifd | undefined } | undefined {
  const field = exif?.fields.get(0x927c);
  const bytes = fieldBytes(structure, exif, 0x927c);
  if (field === undefined || bytes === undefined || !hasText(bytes, 0, 'Nikon\0')) return undefined;
  if (tiffVersion(bytes, 10) !== 42) return undefined;
  const inner: TiffStructure = {
    ...structure,
    base: field.at + 10,
    littleEndian: bytes[10] === 0x49,
    big: false,
    chain: [],
    warnings: [],
    reach: { end: 0 },
  };
  const at = structure.source.view.getUint32(field.at + 14, inner.littleEndian);
  return { structure: inner, ifd: readIfd(inner, at) };
}

function canon(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  const shot = numbers(structure, ifd, 0x0004);
  const settings = numbers(structure, ifd, 0x0001);
  const code = shot[12];
  const serial = number(structure, ifd, 0x000c);
  return {
    // Whole degrees above -128; 0 = not measured.
    temperature: code ? within(code - 128, -40, 90) : undefined,
    lens: text(structure, ifd, 0x0095),
    serial: serial ? String(serial) : undefined,
    // Shot info 24: bulb duration in tenths of a second; camera settings 32 (drive) say nothing of it.
    bulb: (shot[24] ?? 0) > 0 && settings.length > 0 ? true : undefined,
  };
}

function nikon(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  const reduction = text(structure, ifd, 0x0095)?.toUpperCase();
  const iso = numbers(structure, ifd, 0x0002)[1];
  const serial = text(structure, ifd, 0x001d);
  const focal = numbers(structure, ifd, 0x0084);
  return {
    // `FPNR` = fixed-pattern noise reduction, the long-exposure dark subtraction.
    longExposureNoiseReduction: reduction === undefined ? undefined : reduction.includes('FPNR'),
    serial: serial && !/^0+$/.test(serial) ? serial : undefined,
    iso: iso || undefined,
    lens: focal.length === 4 ? lensWords(focal) : undefined,
  };
}

function sony(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  const reduction = number(structure, ifd, 0x2008);
  return { longExposureNoiseReduction: reduction === 0 ? false : reduction === 1 ? true : undefined };
}

function panasonic(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  const reduction = number(structure, ifd, 0x0049);
  return {
    longExposureNoiseReduction: reduction === 1 ? false : reduction === 2 ? true : undefined,
    lens: text(structure, ifd, 0x0051),
  };
}

function olympus(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  const equipment = ifd && number(structure, ifd, 0x2010);
  const sub = equipment === undefined ? undefined : readIfd(structure, equipment);
  return { serial: text(structure, sub, 0x0101), lens: text(structure, sub, 0x0203) };
}

function pentax(structure: TiffStructure, ifd: Ifd | undefined): MakerNote {
  return { temperature: within(number(structure, ifd, 0x0047), -40, 90) };
}

function lensWords([low, high, wide, long]: readonly number[]): string | undefined {
  if (!low || !high || !wide || !long) return undefined;
  const trim = (value: number) => String(Math.round(value * 10) / 10);
  const focal = low === high ? trim(low) : `${trim(low)}-${trim(high)}`;
  return `${focal}mm f/${wide === long ? trim(wide) : `${trim(wide)}-${trim(long)}`}`;
}
