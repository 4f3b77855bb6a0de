import type { CfaPattern } from './image.js';

/** What a frame is for. */
export const ROLES = ['light', 'dark', 'flat', 'bias', 'test', 'other'] as const;
export type Role = (typeof ROLES)[number];

/** The decision on a light; other roles have `none`. */
export type Verdict = 'keep' | 'doubt' | 'drop' | 'none';

/** Why a frame is doubtful or dropped; the codes of the JSON contract. */
export const REASON_CODES = [
  'trailed',
  'shaken',
  'moved',
  'cloud',
  'soft',
  'dew',
  'glare',
  'twilight',
  'moon',
  'few-stars',
  'unreadable',
] as const;
export type ReasonCode = (typeof REASON_CODES)[number];

/** One measured reason: the value, the limit it was held against, and one plain sentence. */
export interface Reason {
  readonly code: ReasonCode;
  readonly value?: number;
  readonly limit?: number;
  readonly text: string;
}

export type FrameFormat = 'raw' | 'dng' | 'jpeg' | 'tiff' | 'png' | 'fits';

/**
 * What a file says of its frame. Unknown is absent: never 0, never NaN, never 1970. Nothing here is
 * guessed from the computer's clock, zone or locale.
 */
export interface FrameHeader {
  readonly format: FrameFormat;
  /** The format in words a photographer uses, such as `DNG` or `Canon CR2`. */
  readonly formatName: string;
  /** Camera wall clock without zone, `YYYY-MM-DDTHH:MM:SS`. */
  readonly wallTime?: string;
  /** Fraction of the second that follows `wallTime`, in [0, 1). EXIF SubSec is a decimal fraction string (L23). */
  readonly subSecond?: number;
  /** Minutes east of UTC from the offset tag, a multiple of 15 in [-720, 840] (L19, L20). */
  readonly utcOffsetMinutes?: number;
  /** True when only a weaker date tag than the moment of exposure was found. */
  readonly timeIsGuess?: boolean;
  /** Exposure time as recorded, s, > 0. */
  readonly exposureTime?: number;
  readonly bulb?: boolean;
  readonly iso?: number;
  readonly fNumber?: number;
  readonly focalLengthMm?: number;
  /** 35 mm equivalent focal length, mm. */
  readonly focalLength35Mm?: number;
  readonly cameraMake?: string;
  readonly cameraModel?: string;
  /** Make and model without the make said twice. */
  readonly camera?: string;
  readonly serial?: string;
  readonly lens?: string;
  /** EXIF orientation 1..8: how to turn the stored picture for viewing. Pixels are never turned by readers. */
  readonly orientation?: number;
  /** Size of the full picture as stored (not turned), px. */
  readonly width?: number;
  readonly height?: number;
  readonly gps?: {
    readonly latitude: number;
    readonly longitude: number;
    readonly altitude?: number;
  };
  /** Sensor or camera temperature, deg C; a hint with several degrees of error (P14). */
  readonly temperature?: number;
  /** Digits at the end of the file's own name or the maker's counter. */
  readonly fileNumber?: number;
  readonly longExposureNoiseReduction?: boolean;
  /** EXIF CompositeImage 2 or 3: the camera itself combined this many exposures, when it says so. */
  readonly compositeCount?: number;
  readonly pixelPitchUm?: number;
  /** A role that the file itself states (FITS IMAGETYP and the like). */
  readonly statedRole?: Role;
  /** Things odd enough to tell, each one plain sentence. */
  readonly warnings: readonly string[];
}

/** Camera multipliers (green = 1) and the matrix from balanced camera RGB to linear sRGB, row-major 3x3. */
export interface CameraColor {
  readonly multipliers: readonly [number, number, number];
  readonly cameraToSrgb: readonly number[];
}

/** Black along one side of the sensor. */
export interface BorderLines {
  /** f32[height] or f32[width], ADU. */
  readonly values: Float32Array;
  /** 1-sigma error of one value by chance, ADU. */
  readonly error: number;
}

/**
 * Black as the masked pixels of the sensor show it, ADU less the black level that was taken off: one value for
 * each visible row (from the pixels left of it) and column (from those above it).
 */
export interface DarkBorder {
  readonly rows?: BorderLines;
  readonly columns?: BorderLines;
}

/**
 * The pixels of a frame as every reader hands them over: linear, black removed, not turned, visible area
 * only. ADU are the file's own counts above black for RAW, DNG, TIFF and FITS; a JPEG or sRGB PNG is
 * brought to linear light and scaled so that white is 65535.
 */
export interface FramePixels {
  /** `mosaic`: one value a pixel behind a colour filter; `mono`: one value, no filter; `color`: three planes. */
  readonly kind: 'mosaic' | 'mono' | 'color';
  readonly width: number;
  readonly height: number;
  /** f32[height*width] for mosaic and mono, f32[3*height*width] planar for color; ADU above black, may be negative. */
  readonly data: Float32Array;
  /** Present when `kind` is `mosaic`. */
  readonly cfa?: CfaPattern;
  /** The black level that was taken off, ADU: one value, or one for each site of `cfa` in row order. */
  readonly blackLevel: readonly number[];
  /** ADU above black at which each colour clips, [r, g, b]. */
  readonly whiteLevel: readonly [number, number, number];
  /** Smallest step between neighbouring levels near the dark end, ADU: 1 for RAW, more after an 8-bit curve. */
  readonly quantization: number;
  readonly color?: CameraColor;
  /** Sensor temperature where only the decoder knows it, deg C. */
  readonly temperature?: number;
  /** Where the visible area lies in the full sensor read-out, px. */
  readonly sensorArea?: {
    readonly fullWidth: number;
    readonly fullHeight: number;
    readonly left: number;
    readonly top: number;
  };
  /** What the sensor's masked pixels say, where the file holds enough of them. */
  readonly darkBorder?: DarkBorder;
  /** Name and version of what decoded the pixels; masters from another decoder or geometry do not match (L07). */
  readonly decoder: string;
  readonly warnings: readonly string[];
}
