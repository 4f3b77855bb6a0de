import { degToRad } from '../core/index.js';

/** Extinction in V that the moonlight model is used with unless told otherwise, mag a unit of air mass. @source Krisciunas & Schaefer 1991, Mauna Kea: 0.172. */
export const DEFAULT_EXTINCTION = 0.172;

/** Where moon and sky field stand. */
export interface MoonlightInput {
  /** Phase angle of the moon, deg: 0 full, 180 new. */
  readonly phaseAngle: number;
  /** Separation of moon and field, deg. */
  readonly separation: number;
  /** Zenith distances of the moon and the field, deg. */
  readonly moonZenithDistance: number;
  readonly fieldZenithDistance: number;
  /** Moonless zenith sky, V mag/arcsec2. */
  readonly zenithBrightness: number;
  /** Extinction, mag a unit of air mass. */
  readonly extinction?: number;
}

/** The moonlit sky of a field. */
export interface Moonlight {
  /** Moonless and moonlit brightness of the field, V mag/arcsec2. */
  readonly darkBrightness: number;
  readonly moonlitBrightness: number;
  /** How much brighter the moon makes the field, mag, 0 or more. */
  readonly brightening: number;
  /** Light of the moon and of the moonless sky in the field, nanolambert. */
  readonly moonNanolambert: number;
  readonly darkNanolambert: number;
}

/** V mag/arcsec2 to nanolambert. @source Garstang, PASP 101 (1989) 306, as eq. 1 of Krisciunas & Schaefer 1991. */
export const nanolambertOf = (brightness: number): number =>
  34.08 * Math.exp(20.7233 - 0.921_04 * brightness);

/** Nanolambert to V mag/arcsec2. */
export const brightnessOfNanolambert = (nanolambert: number): number =>
  (20.7233 - Math.log(nanolambert / 34.08)) / 0.921_04;

/** Optical path of the moonlight model. @source Krisciunas & Schaefer 1991, eq. 3; finite down to the horizon. */
const path = (zenithDistance: number): number =>
  (1 - 0.96 * Math.sin(degToRad(Math.min(zenithDistance, 90))) ** 2) ** -0.5;

/** Scattering at a separation, deg. @source Krisciunas & Schaefer 1991, eq. 18 to 21; eq. 19 within 10 deg. */
function scattering(separation: number): number {
  const rayleigh = 10 ** 5.36 * (1.06 + Math.cos(degToRad(separation)) ** 2);
  // Held at a quarter of a degree, the moon's own edge: nothing is photographed nearer.
  const mie = separation < 10 ? 6.2e7 / Math.max(separation, 0.25) ** 2 : 10 ** (6.15 - separation / 40);
  return rayleigh + mie;
}

/**
 * Brightening of the sky by moonlight. The moon below the horizon (zenith distance above 90) gives none.
 * The model is good to 8 to 23 %.
 * @source K. Krisciunas & B. E. Schaefer, PASP 103 (1991) 1033, eq. 1 to 3, 15, 20, 21.
 */
export function moonlight(input: MoonlightInput): Moonlight {
  const extinction = input.extinction ?? DEFAULT_EXTINCTION;
  const fieldPath = path(input.fieldZenithDistance);
  const dark =
    nanolambertOf(input.zenithBrightness) * 10 ** (-0.4 * extinction * (fieldPath - 1)) * fieldPath;
  let moon = 0;
  if (input.moonZenithDistance <= 90) {
    const a = Math.abs(input.phaseAngle);
    const illuminance = 10 ** (-0.4 * (3.84 + 0.026 * a + 4e-9 * a ** 4));
    moon =
      scattering(input.separation) *
      illuminance *
      10 ** (-0.4 * extinction * path(input.moonZenithDistance)) *
      (1 - 10 ** (-0.4 * extinction * fieldPath));
  }
  const darkBrightness = brightnessOfNanolambert(dark);
  const moonlitBrightness = brightnessOfNanolambert(dark + moon);
  return {
    darkBrightness,
    moonlitBrightness,
    brightening: darkBrightness - moonlitBrightness,
    moonNanolambert: moon,
    darkNanolambert: dark,
  };
}
