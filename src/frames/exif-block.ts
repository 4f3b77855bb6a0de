import { type Directory, layTiff, type Tag, type TagValue } from './_ifd-write.js';

/**
 * What we say of a picture in its EXIF block. The names are those of `FrameHeader`, so a header can be
 * handed over as it is; unknown = absent and then no tag is written.
 */
export interface ExifFields {
  readonly cameraMake?: string;
  readonly cameraModel?: string;
  readonly serial?: string;
  readonly lens?: string;
  readonly lensMake?: string;
  /** Shortest and longest focal length (mm), then the widest f-number at each. */
  readonly lensSpecification?: readonly [number, number, number, number];
  /** s */
  readonly exposureTime?: number;
  readonly iso?: number;
  readonly fNumber?: number;
  readonly focalLengthMm?: number;
  readonly focalLength35Mm?: number;
  /** Camera wall clock, `YYYY-MM-DDTHH:MM:SS`. */
  readonly wallTime?: string;
  /** Fraction of the second that follows, [0, 1); written to the millisecond. */
  readonly subSecond?: number;
  /** Minutes east of UTC. */
  readonly utcOffsetMinutes?: number;
  readonly orientation?: number;
  readonly gps?: {
    readonly latitude: number;
    readonly longitude: number;
    readonly altitude?: number;
  };
  /** Square pixels, um; becomes the focal-plane resolution. */
  readonly pixelPitchUm?: number;
  readonly description?: string;
  readonly software?: string;
  readonly artist?: string;
  readonly copyright?: string;
  /** Size of the picture, px. */
  readonly width?: number;
  readonly height?: number;
  /** 1 = sRGB, 65535 = anything else (Exif 2.32, ColorSpace). */
  readonly colorSpace?: 1 | 65535;
  /** Free text for the photographer, ASCII. */
  readonly comment?: string;
}

const known = (value: number | undefined): value is number =>
  value !== undefined && Number.isFinite(value) && value > 0;

const ascii = (text: string): TagValue => ({ type: 'ascii', text });
const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });
const rational = (...values: number[]): TagValue => ({ type: 'rational', values });
const textBytes = (text: string): number[] => [...text].map((letter) => letter.charCodeAt(0) & 0x7f);

/** Digits of the sub-second tag: a decimal fraction, `07` = 0.07 s (L23). */
function subSecondDigits(fraction: number): string {
  const milliseconds = Math.min(999, Math.max(0, Math.round(fraction * 1000)));
  const digits = String(milliseconds).padStart(3, '0').replace(/0+$/, '');
  return digits === '' ? '0' : digits;
}

function offsetText(minutes: number): string {
  const size = Math.abs(minutes);
  const pad = (n: number) => String(Math.trunc(n)).padStart(2, '0');
  return `${minutes < 0 ? '-' : '+'}${pad(size / 60)}:${pad(size % 60)}`;
}

/** Degrees, minutes and seconds to a tenth of a milliarcsecond-free 1e-4 s, carried so that 60 never appears. */
function sexagesimal(degrees: number): TagValue {
  const units = Math.round(Math.abs(degrees) * 3600 * 1e4);
  const whole = Math.floor(units / 36e6);
  const minutes = Math.floor((units - whole * 36e6) / 6e5);
  const seconds = units - whole * 36e6 - minutes * 6e5;
  return {
    type: 'fraction',
    values: [
      [whole, 1],
      [minutes, 1],
      [seconds, 10000],
    ],
  };
}

/** Tags of the first directory that describe the picture, without pointers. */
export function imageTags(fields: ExifFields): Tag[] {
  const tags: Tag[] = [];
  const add = (id: number, value: TagValue) => tags.push({ id, value });
  if (fields.description) add(270, ascii(fields.description));
  if (fields.cameraMake) add(271, ascii(fields.cameraMake));
  if (fields.cameraModel) add(272, ascii(fields.cameraModel));
  if (fields.orientation !== undefined) add(274, short(fields.orientation));
  if (fields.software) add(305, ascii(fields.software));
  if (fields.wallTime) add(306, ascii(exifTime(fields.wallTime)));
  if (fields.artist) add(315, ascii(fields.artist));
  if (fields.copyright) add(33432, ascii(fields.copyright));
  return tags;
}

const exifTime = (wallTime: string): string => wallTime.slice(0, 19).replaceAll('-', ':').replace('T', ' ');

/** Tags of the Exif directory. @source CIPA DC-008 / JEITA CP-3451 (Exif 2.32, 2019), tables 7 and 8. */
export function exifTags(fields: ExifFields): Tag[] {
  const tags: Tag[] = [];
  const add = (id: number, value: TagValue) => tags.push({ id, value });
  add(0x9000, { type: 'undefined', bytes: textBytes('0232') });
  if (known(fields.exposureTime)) add(0x829a, rational(fields.exposureTime));
  if (known(fields.fNumber)) add(0x829d, rational(fields.fNumber));
  if (known(fields.iso)) {
    // The field has 16 bits; 65535 says "see the recommended exposure index" (4.6.5, L24).
    add(0x8827, short(Math.min(65535, Math.round(fields.iso))));
    add(0x8830, short(2));
    add(0x8832, long(Math.round(fields.iso)));
  }
  if (fields.wallTime) {
    add(0x9003, ascii(exifTime(fields.wallTime)));
    add(0x9004, ascii(exifTime(fields.wallTime)));
    if (fields.subSecond !== undefined) {
      for (const id of [0x9290, 0x9291, 0x9292]) add(id, ascii(subSecondDigits(fields.subSecond)));
    }
    if (fields.utcOffsetMinutes !== undefined) {
      for (const id of [0x9010, 0x9011, 0x9012]) add(id, ascii(offsetText(fields.utcOffsetMinutes)));
    }
  }
  if (known(fields.focalLengthMm)) add(0x920a, rational(fields.focalLengthMm));
  if (fields.comment)
    add(0x9286, {
      type: 'undefined',
      bytes: [...textBytes('ASCII'), 0, 0, 0, ...textBytes(fields.comment)],
    });
  if (fields.colorSpace !== undefined) add(0xa001, short(fields.colorSpace));
  if (fields.width !== undefined) add(0xa002, long(fields.width));
  if (fields.height !== undefined) add(0xa003, long(fields.height));
  if (known(fields.pixelPitchUm)) {
    // Pixels per centimetre: unit 3 (Exif 2.32, FocalPlaneResolutionUnit).
    add(0xa20e, rational(10_000 / fields.pixelPitchUm));
    add(0xa20f, rational(10_000 / fields.pixelPitchUm));
    add(0xa210, short(3));
  }
  if (known(fields.focalLength35Mm)) add(0xa405, short(Math.round(fields.focalLength35Mm)));
  if (fields.serial) add(0xa431, ascii(fields.serial));
  if (fields.lensSpecification) add(0xa432, rational(...fields.lensSpecification));
  if (fields.lensMake) add(0xa433, ascii(fields.lensMake));
  if (fields.lens) add(0xa434, ascii(fields.lens));
  return tags;
}

function gpsTags(gps: NonNullable<ExifFields['gps']>): Tag[] {
  return [
    { id: 0, value: { type: 'byte', bytes: [2, 3, 0, 0] } },
    { id: 1, value: ascii(gps.latitude < 0 ? 'S' : 'N') },
    { id: 2, value: sexagesimal(gps.latitude) },
    { id: 3, value: ascii(gps.longitude < 0 ? 'W' : 'E') },
    { id: 4, value: sexagesimal(gps.longitude) },
    ...(gps.altitude === undefined
      ? []
      : [
          { id: 5, value: { type: 'byte', bytes: [gps.altitude < 0 ? 1 : 0] } as TagValue },
          { id: 6, value: rational(Math.abs(gps.altitude)) },
        ]),
  ];
}

/** The pointer tags that hang the Exif and GPS directories on a first directory. */
export function pointerTags(fields: ExifFields): Tag[] {
  const pointer = (id: number, directory: Directory): Tag => ({
    id,
    value: { type: 'directories', directories: [directory] },
  });
  return [
    pointer(0x8769, exifTags(fields)),
    ...(fields.gps === undefined ? [] : [pointer(0x8825, gpsTags(fields.gps))]),
  ];
}

/**
 * Makes a stand-alone EXIF block: a small TIFF structure without pixels, as carried by a JPEG's APP1
 * segment after `Exif\0\0`. Dates are wall time; nothing is taken from the computer.
 * @source Exif 2.32 section 4.5
 */
export function exifBlock(fields: ExifFields): Uint8Array {
  return layTiff([[...imageTags(fields), ...pointerTags(fields)]]);
}
