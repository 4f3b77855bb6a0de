import type { LensShape, ScenarioCamera, ScenarioLens, SkyConditions } from './night-scenario.js';

/** Balanced camera colour to linear sRGB of our invented bodies; rows sum to 1. */
const CAMERA_TO_SRGB = [1.72, -0.58, -0.14, -0.19, 1.44, -0.25, 0.03, -0.46, 1.43];

/** An invented body: 22.5 mm wide sensor, 1.5 megapixels. */
export const TARNWICK: ScenarioCamera = {
  make: 'Tarnwick',
  model: 'Tarnwick T3',
  serial: 'TW3-004417',
  width: 1500,
  height: 1000,
  pixelPitchUm: 15,
  blackLevel: 512,
  whiteLevel: 16383,
  unityIso: 1920,
  readNoise: 3.2,
  rowNoise: 0.35,
  columnPattern: 0.25,
  efficiency: 0.25,
  pixelResponse: 0.004,
  darkCurrent: 0.12,
  hotPixels: 520,
  coldPixels: 14,
  ampGlow: 4,
  dust: 3,
  multipliers: [2.05, 1, 1.62],
  cameraToSrgb: CAMERA_TO_SRGB,
};

/** A lens of the common kind: barrel distortion of a few percent, soft corners. */
export const LENS_SHAPE: LensShape = {
  projection: 'rectilinear',
  k1: -0.062,
  k2: 0.021,
  offsetX: 4.3,
  offsetY: -2.8,
};

export function lensOf(
  focalLengthMm: number,
  fNumber: number,
  change: Partial<ScenarioLens> = {},
): ScenarioLens {
  return {
    make: 'Aldermoor',
    model: `Aldermoor ${focalLengthMm}mm F${fNumber}`,
    headerFocalLengthMm: focalLengthMm,
    headerFNumber: fNumber,
    focalLengthMm,
    fNumber,
    shape: LENS_SHAPE,
    coreSigma: 0.86,
    cornerSigma: 0.45,
    coma: 1.3,
    wingShare: 0.08,
    wingSigma: 3.2,
    vignetting: 0.32,
    ...change,
  };
}

/** A dark country sky. */
export const DARK_SKY: SkyConditions = {
  brightness: 21.7,
  milkyWay: 1,
  airglowBands: 0.25,
  lightDomes: [],
  extinction: [0.1, 0.15, 0.24],
  refraction: true,
  sunAndMoon: true,
};
