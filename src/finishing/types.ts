import type { CameraColor, ColorImage, Plane } from '../core/index.js';

/** A look: how the linear stack becomes a picture. Units and effects: `LOOK_PARAMETERS`. */
export interface Look {
  readonly name: string;
  /** Level of the blank sky in the picture, sRGB signal 0..1. Higher = brighter night. */
  readonly skyLevel: number;
  /** Level of the brightest broad part of the sky (the band's middle), sRGB signal 0..1. Higher = more contrast. */
  readonly bandLevel: number;
  /** Chroma multiplier in a perceptual space, 1 = as recorded. */
  readonly saturation: number;
  /** Share of the measured smooth sky gradient taken off, 0..1; 0 leaves the data untouched. */
  readonly gradient: number;
  /** Share of the background's colour cast taken off, 0..1. */
  readonly neutralize: number;
  /** Share of the white balance by star colours that is applied, 0..1; 0 = the camera's own balance. */
  readonly starBalance: number;
  /** Level that typical land is lifted to, sRGB signal 0..1; land already brighter is left alone. */
  readonly landLevel: number;
  /** Strength of the noise smoothing in faint areas, 0..1; 0 = none. Stronger by itself where the stack is thin. */
  readonly smoothing: number;
  /** Share of their light above the sky that small stars lose in the picture, 0..1; 0 = none. */
  readonly starSoftening: number;
}

/** 8-bit maps of a stack, u8[height*width], as its map files hold them. */
export interface StackMaps {
  readonly width: number;
  readonly height: number;
  /** Share of land, 255 = all; absent = no land. */
  readonly land?: Uint8Array;
  /** Frames behind each sky pixel, 255 = all frames; absent = the same everywhere. */
  readonly coverage?: Uint8Array;
}

/** White balance by the colours of stars: the catalogue says what colour each should have. */
export interface StarBalance {
  /** Factors on balanced red and blue that bring the stars to their colours. */
  readonly red: number;
  readonly blue: number;
  /** Stars that told. */
  readonly stars: number;
}

/** What the finish needs to know of a stack besides its pixels. */
export interface StackColor {
  /** Colour of the camera; absent = already linear sRGB. */
  readonly color?: CameraColor;
  /** ADU above black at which each colour clips. */
  readonly whiteLevel: readonly [number, number, number];
  /** EXIF orientation 1..8, applied at the very end; default 1. */
  readonly orientation?: number;
  /** What told the lens's falloff that was divided out; absent = nothing was, or not known. */
  readonly falloffBy?: 'flat' | 'stars' | 'sky' | 'lens';
  /** Absent where the pointing is not solved or too few stars tell. */
  readonly starBalance?: StarBalance;
}

/** A stack in memory. */
export interface FinishInput extends StackColor {
  /** Linear stack, camera-native ADU above black, NaN = no data. Not modified. */
  readonly image: ColorImage;
  /** Frames behind each sky pixel; absent = the same everywhere. */
  readonly coverage?: Plane;
  /** Share of land at each pixel, 0..1; absent = no land. */
  readonly landShare?: Plane;
  /** Where each place looks, where the pointing is known. */
  readonly skyAt?: SkyAt;
}

/** Where a place of the stack looks, deg. */
export interface SkyPlace {
  /** Galactic longitude -180..180 and latitude; NaN where the lens shows none. */
  readonly longitude: number;
  readonly latitude: number;
  /** Height above the horizon, where site and clock are known. */
  readonly altitude?: number;
}

/** Tells where a place on the stack, px, looks. */
export type SkyAt = (x: number, y: number) => SkyPlace;

/** A rectangle of pixels: left, top and size. */
export interface Rect {
  readonly x: number;
  readonly y: number;
  readonly width: number;
  readonly height: number;
}

/** Whole rows of a stack, planar, f32[3*rows*width]: row 0 is row `top` of the stack. NaN = no data. */
export interface Band {
  readonly top: number;
  readonly rows: number;
  readonly width: number;
  readonly data: Float32Array;
}

/** Broad sky levels in linear sRGB light on the stack's scale, ADU. */
export interface SkyLevels {
  readonly level: number;
  readonly band: number;
  readonly noise: number;
}

/** The finished picture and what was done to get it. */
export interface Picture {
  readonly width: number;
  readonly height: number;
  /** sRGB, 16 bit, pixel-interleaved RGB, u16[3*height*width]. */
  readonly data: Uint16Array;
  /** Part of the stack that the picture shows, before turning. */
  readonly crop: Rect;
  readonly sky: SkyLevels;
  /** Share of pixels with a channel at the top of the range. */
  readonly clippedShare: number;
  /** Coarse picture of the gradient that was taken off, ADU in camera colours. */
  readonly gradient: ColorImage;
}
