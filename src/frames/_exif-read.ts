import {
  type HeaderFields,
  parseExifTime,
  parseOffset,
  parseSubSecond,
  positive,
  within,
} from './_header-fields.js';
import { type Ifd, number, numbers, subDirectories, type TiffStructure, text } from './_ifd.js';
import { readMakerNote } from './_maker-note.js';

/** The directories of one EXIF block, wherever it was found. */
export interface ExifDirectories {
  readonly structure: TiffStructure;
  readonly main: Ifd | undefined;
  readonly exif: Ifd | undefined;
  readonly gps: Ifd | undefined;
}

/** The size that the Exif directory states, which may be that of a larger original. */
export function statedSize({ structure, exif }: ExifDirectories): {
  width?: number | undefined;
  height?: number | undefined;
} {
  return {
    width: positive(number(structure, exif, 0xa002)),
    height: positive(number(structure, exif, 0xa003)),
  };
}

/** Finds the Exif and GPS directories that hang on the first directory. */
export function exifDirectories(structure: TiffStructure): ExifDirectories {
  const main = structure.chain[0];
  const exif = main && subDirectories(structure, main, 0x8769)[0];
  const gps = main && subDirectories(structure, main, 0x8825)[0];
  return { structure, main, exif, gps };
}

/**
 * Turns an EXIF block into header fields. Absent, zero, infinite and absurd values are left out; what is
 * odd enough to tell becomes a warning.
 * @source CIPA DC-008 / JEITA CP-3451 (Exif 2.32, 2019) section 4.6
 */
export function readExif(directories: ExifDirectories): HeaderFields {
  const { structure, main, gps } = directories;
  // TIFF/EP (ISO 12234-2) and some scanners keep the Exif tags in the first directory.
  const exif = directories.exif ?? main;
  const get = (tag: number) => number(structure, exif, tag);
  const words = (tag: number) => text(structure, exif, tag);
  const fields: HeaderFields = { warnings: [...structure.warnings] };

  Object.assign(fields, readTime(directories, fields.warnings));
  const make = text(structure, main, 0x010f);
  const model = text(structure, main, 0x0110);
  fields.cameraMake = make;
  fields.cameraModel = model;
  fields.orientation = within(number(structure, main, 0x0112), 1, 8);

  fields.exposureTime = positive(get(0x829a)) ?? fromApexTime(get(0x9201));
  // ExposureProgram has no bulb; makers say it in their notes or by exposure time 0.
  fields.fNumber = within(positive(get(0x829d)), 0.5, 128) ?? fromApexAperture(get(0x9202));
  fields.iso = readIso(directories);
  fields.focalLengthMm = within(positive(get(0x920a)), 0.5, 20_000);
  fields.focalLength35Mm = within(positive(get(0xa405)), 1, 5000);
  if (fields.focalLengthMm !== undefined && fields.focalLength35Mm !== undefined) {
    // Crop factors run from 0.5 (large format backs) to 15 (the smallest phones).
    fields.focalLength35Mm =
      within(fields.focalLength35Mm / fields.focalLengthMm, 0.4, 20) && fields.focalLength35Mm;
  }
  fields.serial = words(0xa431) ?? text(structure, main, 0xc62f);
  fields.lens =
    usefulLens(words(0xa434)) ?? usefulLens(lensFromSpecification(numbers(structure, exif, 0xa432)));
  if (fields.fNumber !== undefined && fields.fNumber <= 1 && fields.focalLengthMm === undefined) {
    // A dumb adapter writes f/1 (or f/0) and no focal length (L26).
    fields.fNumber = undefined;
  }

  const composite = numbers(structure, exif, 0xa460)[0];
  if (composite === 2 || composite === 3) {
    const count = positive(numbers(structure, exif, 0xa461)[0]);
    if (count === undefined)
      fields.warnings.push('The camera itself combined several exposures into this picture.');
    else fields.compositeCount = count;
  }
  fields.temperature = within(get(0x9400), -60, 100);
  fields.gps = gps && readGps(structure, gps, fields.warnings);
  fields.pixelPitchUm = pitchFromFocalPlane(directories);

  const note = readMakerNote(structure, exif, make);
  fields.temperature = note.temperature ?? fields.temperature;
  fields.longExposureNoiseReduction = note.longExposureNoiseReduction;
  fields.lens ??= usefulLens(note.lens);
  fields.serial ??= note.serial;
  fields.iso ??= note.iso;
  if (note.bulb) fields.bulb = true;
  if (note.fileNumber !== undefined) fields.fileNumber = note.fileNumber;
  return fields;
}

/** The date of the exposure with its fraction and zone, kept apart (L18 to L23). */
function readTime({ structure, main, exif }: ExifDirectories, warnings: string[]): Partial<HeaderFields> {
  const candidates = [
    { words: text(structure, exif ?? main, 0x9003), sub: 0x9291, offset: 0x9011, guess: false },
    { words: text(structure, exif ?? main, 0x9004), sub: 0x9292, offset: 0x9012, guess: false },
    { words: text(structure, main, 0x0132), sub: 0x9290, offset: 0x9010, guess: true },
  ];
  const chosen = candidates.find(({ words }) => parseExifTime(words) !== undefined);
  if (chosen === undefined) {
    if (candidates.some(({ words }) => words !== undefined))
      warnings.push('The date of the exposure is blank or impossible; the time is unknown.');
    return {};
  }
  const read: Partial<HeaderFields> = {
    wallTime: parseExifTime(chosen.words),
    subSecond: parseSubSecond(text(structure, exif, chosen.sub)),
  };
  if (chosen.guess) read.timeIsGuess = true;
  // The offset of the tag itself, else any of the three: they come from one clock.
  for (const tag of [chosen.offset, 0x9011, 0x9012, 0x9010]) {
    const offset = text(structure, exif, tag);
    if (offset === undefined) continue;
    read.utcOffsetMinutes = parseOffset(offset);
    if (read.utcOffsetMinutes !== undefined) return read;
    if (/\d/.test(offset))
      warnings.push(`The time zone "${offset}" of the header is not one; the zone is unknown.`);
  }
  return read;
}

/**
 * The sensitivity: the 16-bit field, unless it is 0 or full (65535), then the fields that
 * SensitivityType names (L24).
 * @source Exif 2.32 4.6.5: SensitivityType 1 SOS, 2 REI, 3 ISO speed, 4 SOS+REI, 5 SOS+ISO, 6 REI+ISO, 7 all
 */
function readIso({ structure, main, exif }: ExifDirectories): number | undefined {
  const inOrder = (tag: number) =>
    positive(number(structure, exif, tag)) ?? positive(number(structure, main, tag));
  const plain = inOrder(0x8827);
  if (plain !== undefined && plain < 65535) return plain;
  const [sos, rei, speed] = [inOrder(0x8831), inOrder(0x8832), inOrder(0x8833)];
  const type = number(structure, exif, 0x8830);
  const byType = [rei, sos, rei, speed, rei, speed, rei, rei][type ?? 0];
  return byType ?? rei ?? speed ?? sos ?? (plain === 65535 ? undefined : plain);
}

/** @source Exif 2.32 annex C: Tv = -log2 t */
function fromApexTime(value: number | undefined): number | undefined {
  return value !== undefined && Number.isFinite(value) && Math.abs(value) < 20 && value !== 0
    ? 2 ** -value
    : undefined;
}

/** @source Exif 2.32 annex C: Av = 2 log2 N */
function fromApexAperture(value: number | undefined): number | undefined {
  return value !== undefined && value > 0 && value < 14 ? 2 ** (value / 2) : undefined;
}

function usefulLens(name: string | undefined): string | undefined {
  if (name === undefined) return undefined;
  // Dashes, zeros and "unknown" stand for a lens without contacts.
  return /[a-z1-9]/i.test(name) &&
    !/^(unknown|none|n\/a|no lens|manual)\b/i.test(name) &&
    !/^0+\s*mm/i.test(name)
    ? name
    : undefined;
}

/** A name from shortest and longest focal length and their f-numbers, as `14-24mm f/2.8`. */
function lensFromSpecification(values: readonly number[]): string | undefined {
  const [low, high, wide, long] = values.map((value) => positive(value));
  if (low === undefined) return undefined;
  const trim = (value: number) => String(Math.round(value * 10) / 10);
  const focal = high !== undefined && high !== low ? `${trim(low)}-${trim(high)}` : trim(low);
  const stops =
    wide === undefined
      ? ''
      : long !== undefined && long !== wide
        ? ` f/${trim(wide)}-${trim(long)}`
        : ` f/${trim(wide)}`;
  return `${focal}mm${stops}`;
}

/**
 * Position with signs; nothing unless all six numbers and both directions are there (L25).
 * @source Exif 2.32 4.6.6
 */
function readGps(structure: TiffStructure, gps: Ifd, warnings: string[]): HeaderFields['gps'] {
  const angle = (tag: number, reference: number, letters: string, limit: number): number | undefined => {
    const letter = text(structure, gps, reference)?.[0]?.toUpperCase();
    const parts = numbers(structure, gps, tag);
    if (letter === undefined || !letters.includes(letter) || parts.length !== 3) return undefined;
    const [degrees, minutes, seconds] = parts as [number, number, number];
    if (!parts.every(Number.isFinite) || minutes >= 60 || seconds >= 60) return undefined;
    const value = degrees + minutes / 60 + seconds / 3600;
    return value > limit ? undefined : letter === letters[1] ? -value : value;
  };
  const latitude = angle(2, 1, 'NS', 90);
  const longitude = angle(4, 3, 'EW', 180);
  if (latitude === undefined || longitude === undefined) {
    if (gps.fields.has(2) || gps.fields.has(4))
      warnings.push('The position in the header is incomplete and was left out.');
    return undefined;
  }
  if (latitude === 0 && longitude === 0) {
    warnings.push('The position in the header is 0, 0, which stands for none; it was left out.');
    return undefined;
  }
  const height = number(structure, gps, 6);
  const below = number(structure, gps, 5) === 1;
  return {
    latitude,
    longitude,
    ...(height !== undefined && Number.isFinite(height) ? { altitude: below ? -height : height } : {}),
  };
}

/**
 * Pixel pitch from the focal-plane resolution, um, when both axes agree and it is one a camera can have.
 * The resolution belongs to the picture whose size the Exif directory states; `scaledPitch` corrects it.
 * @source Exif 2.32 4.6.5: FocalPlaneResolutionUnit 2 inch, 3 cm; 4 mm and 5 um are in use
 */
function pitchFromFocalPlane({ structure, main, exif }: ExifDirectories): number | undefined {
  const where = exif?.fields.has(0xa20e) ? exif : main;
  const x = positive(number(structure, where, 0xa20e));
  const y = positive(number(structure, where, 0xa20f)) ?? x;
  const unit = { 2: 25_400, 3: 10_000, 4: 1000, 5: 1 }[number(structure, where, 0xa210) ?? 2];
  if (x === undefined || y === undefined || unit === undefined || Math.abs(x / y - 1) > 0.05)
    return undefined;
  return within(unit / Math.sqrt(x * y), 0.4, 40);
}

/**
 * Settles the pixel pitch once the size of the picture is known: the focal-plane value where it agrees with
 * the 35 mm equivalent, corrected when the picture was made smaller than the Exif directory says; else the
 * 35 mm equivalent's own.
 */
export function settlePitch(
  fields: HeaderFields,
  stated: { readonly width?: number | undefined; readonly height?: number | undefined } = {},
): void {
  const { width, height } = fields;
  let pitch = fields.pixelPitchUm;
  if (pitch !== undefined && width && height && stated.width && stated.height) {
    const [across, down] = [stated.width / width, stated.height / height];
    if (across > 1.02 && Math.abs(across / down - 1) < 0.02) pitch *= across;
  }
  const equivalent = pitchFrom35Mm(fields.focalLengthMm, fields.focalLength35Mm, fields);
  // The equivalent is rounded to whole millimetres; beyond a quarter one of the two is wrong.
  if (pitch !== undefined && equivalent !== undefined && Math.abs(pitch / equivalent - 1) > 0.25)
    pitch = equivalent;
  pitch ??= equivalent;
  fields.pixelPitchUm = pitch === undefined ? undefined : Math.round(pitch * 1e5) / 1e5;
}

/**
 * Pixel pitch from the 35 mm equivalent, um: the diagonal of 36 x 24 mm is divided by the ratio of focal
 * lengths and spread over the picture's diagonal. The equivalent is a whole number, so the pitch is good to
 * a few percent only.
 * @source CIPA DCG-001 (35 mm equivalent by diagonal 43.27 mm)
 */
function pitchFrom35Mm(
  focalLengthMm: number | undefined,
  focalLength35Mm: number | undefined,
  size: { readonly width?: number | undefined; readonly height?: number | undefined },
): number | undefined {
  if (!focalLengthMm || !focalLength35Mm || !size.width || !size.height) return undefined;
  const diagonalUm = (Math.hypot(36, 24) * 1000 * focalLengthMm) / focalLength35Mm;
  return within(diagonalUm / Math.hypot(size.width, size.height), 0.4, 200);
}
