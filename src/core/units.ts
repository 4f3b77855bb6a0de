/** Sidereal rate of the sky, arcsec/s. @source Explanatory Supplement to the Astronomical Almanac: 360 deg in 86164.0905 s. */
export const SIDEREAL_RATE = 15.041_068_6;

/** FWHM of a Gaussian of unit sigma, 2 sqrt(2 ln 2). */
export const FWHM_PER_SIGMA = 2 * Math.sqrt(2 * Math.LN2);

/** 1.4826: turns a median absolute deviation into the sigma of a normal distribution. @source 1/Phi^-1(3/4). */
export const SIGMA_PER_MAD = 1.482_602_218_505_602;

/** Arcsec in a radian divided by 1000: plate scale = this * pitch(um) / focal length(mm). */
export const PLATE_SCALE_FACTOR = 206.264_806_247;

export const degToRad = (degrees: number): number => (degrees * Math.PI) / 180;
export const radToDeg = (radians: number): number => (radians * 180) / Math.PI;

/** Plate scale on the axis, arcsec/px. */
export function plateScale(pixelPitchUm: number, focalLengthMm: number): number {
  return (PLATE_SCALE_FACTOR * pixelPitchUm) / focalLengthMm;
}
