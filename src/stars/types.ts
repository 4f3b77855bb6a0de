import type { CfaPattern, Mask, Plane, StarTable } from '../core/index.js';

/**
 * A plane that stars are measured on. When it was interpolated from a mosaic it remembers where the green
 * pixels lie: stars are found on the whole plane and fitted on what was really measured.
 */
export interface MeasuringPlane extends Plane {
  readonly sampled?: CfaPattern;
}

/** Smooth background of a plane and its noise. */
export interface Background {
  /** Level at each pixel, ADU. */
  readonly level: Plane;
  /** 1-sigma noise at each mesh cell and the typical value over the unmasked frame, ADU. */
  readonly noise: number;
  /** Median level over the unmasked frame, ADU. */
  readonly median: number;
  /** The coarse nodes that `level` was interpolated from, and the noise at each. */
  readonly mesh?: BackgroundMesh;
}

/** Background nodes at the centres of mesh cells, row by row. */
export interface BackgroundMesh {
  readonly columns: number;
  readonly rows: number;
  /** Cell size, px; not always whole, so that the cells tile the frame exactly. */
  readonly cellWidth: number;
  readonly cellHeight: number;
  /** Level at each cell's centre, ADU, f32[rows*columns]; empty cells filled from their neighbours. */
  readonly level: Float32Array;
  /** 1-sigma pixel noise of each cell, ADU, f32[rows*columns]; filled likewise. */
  readonly noise: Float32Array;
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
  /** Share of the zone's elongation tensor that points to the centre and grows with the radius, 0..1; NaN unknown. */
  readonly comaShare?: number;
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
  /** All stars found, before the table was cut to `maxStars`. */
  readonly detectedCount?: number;
  /** Noise of a flux as the matched filter sees it, per pixel, ADU: above `noise` where neighbouring pixels are correlated. */
  readonly effectiveNoise?: number;
  /** Elongation at the field's edge that points to its centre (coma), as the length of a line in px; NaN unknown. */
  readonly cornerComa?: number;
  /** Largest difference of the background over the frame's unmasked mesh, ADU. */
  readonly backgroundRange?: number;
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
  /** e- for one ADU where known (`estimateNoise`); adds the stars' own photon noise to the errors. */
  readonly gain?: number;
  /** Whether to look for streaks; default true. */
  readonly streaks?: boolean;
}

/** Fluxes at given places, one entry a place. */
export interface ForcedFluxes {
  /** Flux above background within the aperture, ADU; NaN where the aperture leaves the frame or meets no data. */
  readonly flux: Float32Array;
  /** 1-sigma error of `flux` from the background noise (and the photons where the gain is known), ADU. */
  readonly error: Float32Array;
  /** Share of aperture area that had data, 0..1. */
  readonly coverage: Float32Array;
  /** Highest pixel of the aperture above background, ADU. */
  readonly peak: Float32Array;
}

/** Gain and read noise of a body at one ISO, from its own frames. */
export interface NoiseModel {
  /** e- for one ADU. */
  readonly gain: number;
  /** 1-sigma error of `gain`. */
  readonly gainError: number;
  /** Read noise, ADU, quantisation taken off. */
  readonly readNoise: number;
  readonly readNoiseError: number;
  /** Blocks of pixels that went in. */
  readonly blocks: number;
  /** Lowest and highest mean level seen, ADU: outside it the model is an extrapolation. */
  readonly levels: readonly [number, number];
  /** False when the levels are too much alike to tell gain and read noise apart. */
  readonly known: boolean;
}
