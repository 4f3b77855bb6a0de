import { FWHM_PER_SIGMA, plateScale } from '../core/index.js';
import { checkPositive, checkRange } from './_check.js';
import { starCatalogue } from './star-catalogue.js';

/**
 * Photons of a star of V magnitude 0 above the air, 1/(s m2), in the V band.
 * @source M. S. Bessell, PASP 91 (1979) 589: 3640 Jy, relative band width 0.16; 1 Jy = 1.51e7 photons/(s m2) per unit of relative width
 */
const PHOTONS_OF_MAGNITUDE_0 = 3640 * 1.51e7 * 0.16;

/** The sensor as earlier nights measured it. */
export interface SensorFacts {
  /** e- */
  readonly readNoise: number;
  /** Electrons at which a pixel clips at this ISO, e-. */
  readonly fullWell?: number;
}

/** Light and glass of an exposure. */
export interface LightInput {
  readonly focalLengthMm: number;
  readonly fNumber: number;
  readonly pixelPitchUm: number;
  /**
   * Share of the V-band photons that become electrons of a green pixel: glass, filter and silicon together.
   * 0.3 is a fair guess for an interchangeable-lens camera; a measured night gives the real one.
   */
  readonly throughput?: number;
}

const DEFAULT_THROUGHPUT = 0.3;

/** Electrons a second in the whole picture of a star. */
function starRate(magnitude: number, input: LightInput): number {
  checkPositive('a focal length', input.focalLengthMm, 'mm');
  checkPositive('an f-number', input.fNumber);
  checkPositive('a pixel pitch', input.pixelPitchUm, 'um');
  const throughput = checkRange('a throughput', input.throughput ?? DEFAULT_THROUGHPUT, {
    min: 1e-4,
    max: 1,
  });
  const aperture = input.focalLengthMm / input.fNumber / 1000;
  return PHOTONS_OF_MAGNITUDE_0 * 10 ** (-0.4 * magnitude) * (Math.PI / 4) * aperture ** 2 * throughput;
}

/** Electrons a second and pixel from a sky of `brightness` mag/arcsec2. Depends on f-number and pitch, not on focal length. */
export function skyRate(brightness: number, input: LightInput): number {
  checkRange('a sky brightness', brightness, { min: 5, max: 25, unit: 'mag/arcsec2' });
  return starRate(brightness, input) * plateScale(input.pixelPitchUm, input.focalLengthMm) ** 2;
}

/**
 * The exposure after which read noise raises the noise of a frame by no more than the share `excess`, s:
 * t = R^2 / (B ((1 + p)^2 - 1)), R the read noise in e-, B the sky in e- a second and pixel.
 * @source variances add (CCD equation, Mortara & Fowler 1981)
 */
export function skyLimitedExposure(input: {
  readonly readNoise: number;
  readonly skyRate: number;
  readonly excess?: number;
}): number {
  const p = checkPositive('a share of excess noise', input.excess ?? 0.05);
  return (
    checkPositive('a read noise', input.readNoise, 'e-') ** 2 /
    (checkPositive('a sky signal', input.skyRate, 'e-/s') * ((1 + p) ** 2 - 1))
  );
}

/** How much noisier `frames` short exposures are than one of the same total time. @source variances add */
export function noiseOfSplitting(input: {
  readonly frames: number;
  readonly totalTime: number;
  readonly skyRate: number;
  readonly readNoise: number;
}): number {
  const sky = checkPositive('a sky signal', input.skyRate * input.totalTime, 'e-');
  const read = checkPositive('a read noise', input.readNoise, 'e-') ** 2;
  return Math.sqrt((sky + checkPositive('a number of frames', input.frames) * read) / (sky + read));
}

/** Share of a star's light in its brightest pixel: a Gaussian of `fwhm` px drawn along a line of `trail` px. */
function peakShare(fwhm: number, trail: number): number {
  const sigma = fwhm / FWHM_PER_SIGMA;
  const across = 1 / (sigma * Math.sqrt(2 * Math.PI));
  if (trail < 1e-3) return Math.min(1, across * across);
  // Mean of the Gaussian over the line, by Simpson's rule with 40 parts.
  let sum = 0;
  for (let i = 0; i <= 40; i++) {
    const x = (i / 40 - 0.5) * trail;
    sum += Math.exp((-x * x) / (2 * sigma * sigma)) * (i === 0 || i === 40 ? 1 : i % 2 === 1 ? 4 : 2);
  }
  return Math.min(1, (across * across * sum) / 120);
}

/** What an exposure does on a sensor. */
export interface ExposureSense {
  /** Sky, e- a pixel. */
  readonly skyElectrons: number;
  /** Share by which read noise raises the noise above the sky's own. */
  readonly excessNoise: number;
  /** True when that share is at most 5 %: a longer exposure or higher ISO would gain next to nothing. */
  readonly skyLimited: boolean;
  /** Exposure from which it is so, s. */
  readonly skyLimitedFrom: number;
  /** Stars brighter than this clip in their middle, mag; absent without a full well or when the sky itself clips. */
  readonly clippingMagnitude?: number;
  /** Stars of the whole sky that clip, of those to magnitude 8, as a share. */
  readonly clippedShare?: number;
}

/** Puts exposure, sky and sensor together. Good to a factor of two with the default throughput. */
export function exposureSense(
  input: LightInput & {
    readonly exposureTime: number;
    readonly skyBrightness: number;
    readonly sensor: SensorFacts;
    /** Star size, px, default 2. */
    readonly fwhm?: number;
    /** Trail in the exposure, px, default 0. */
    readonly trail?: number;
  },
): ExposureSense {
  const rate = skyRate(input.skyBrightness, input);
  const { readNoise, fullWell } = input.sensor;
  const skyElectrons = rate * checkPositive('an exposure time', input.exposureTime, 's');
  const excessNoise = Math.sqrt(1 + readNoise ** 2 / skyElectrons) - 1;
  const sense = {
    skyElectrons,
    excessNoise,
    skyLimited: excessNoise <= 0.05,
    skyLimitedFrom: skyLimitedExposure({ readNoise, skyRate: rate }),
  };
  const room = fullWell === undefined ? 0 : fullWell - skyElectrons;
  if (room <= 0) return sense;
  const share = peakShare(checkPositive('a star size', input.fwhm ?? 2, 'px'), input.trail ?? 0);
  const brightest = starRate(0, input) * input.exposureTime * share;
  const clippingMagnitude = 2.5 * Math.log10(brightest / room);
  const { count, magnitude } = starCatalogue();
  let clipped = 0;
  while (clipped < count && magnitude[clipped]! < clippingMagnitude) clipped++;
  return { ...sense, clippingMagnitude, clippedShare: clipped / count };
}
