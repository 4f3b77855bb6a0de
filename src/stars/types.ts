import type { Mask, Plane, StarTable } from '../core/index.js';

/** Smooth background of a plane and its noise. */
export interface Background {
  /** Level at each pixel, ADU. */
  readonly level: Plane;
  /** 1-sigma noise at each mesh cell and the typical value over the unmasked frame, ADU. */
  readonly noise: number;
  /** Median level over the unmasked frame, ADU. */
  readonly median: number;
}

/** Measurements of one zone of the frame (5 x 5 zones, row by row). */
export interface ZoneMeasure {
  readonly starCount: number;
  /** Medians over the zone's good stars; NaN where it has none. */
  readonly fwhm: number;
  readonly fwhmMinor: number;
  readonly trailLength: number;
  readonly trailAngle: number;
  readonly background: number;
  readonly noise: number;
}

/** A straight line of light: aircraft, satellite or meteor. */
export interface Streak {
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
  readonly width: number;
  /** Mean brightness above background along the line, ADU. */
  readonly brightness: number;
}

/** Everything measured on one frame. */
export interface FrameMeasurement {
  readonly width: number;
  readonly height: number;
  readonly stars: StarTable;
  /** Medians over good stars (not flagged), whole frame; NaN when there are none. */
  readonly fwhm: number;
  readonly fwhmMinor: number;
  readonly elongation: number;
  readonly trailLength: number;
  readonly trailAngle: number;
  /** Median sky level and 1-sigma pixel noise of the measuring plane (green), ADU above black. */
  readonly background: number;
  readonly noise: number;
  /** Median level on the land mask, ADU above black; absent without one. */
  readonly landLevel?: number;
  readonly zones: readonly ZoneMeasure[];
  readonly streaks: readonly Streak[];
  /** Share of pixels at the white level. */
  readonly clippedShare: number;
}

/** Options of `measureFrame`. */
export interface MeasureOptions {
  /** Land or other pixels to leave out; 1 = excluded. */
  readonly mask?: Mask;
  /** ADU above black at which a pixel clips. */
  readonly saturation: number;
  /** Smallest level step, ADU (8-bit sources need it as a noise floor). */
  readonly quantization: number;
  /** Detection threshold in units of the filtered map's own noise; default 5. */
  readonly threshold?: number;
  /** Brightest stars kept per frame, spread over zones; default 1500. */
  readonly maxStars?: number;
}
