import { srgbDecode } from '../core/index.js';

/** Signal of the darkest broad sky against that of the blank sky. */
const DARK_SHARE = 0.5;

/** Where between black and the blank sky the curve starts to ease out. */
const TOE_SHARE = 0.5;

/** A tone curve on linear light: black point, white point (both ADU) and softening. */
export interface Stretch {
  readonly black: number;
  readonly white: number;
  readonly beta: number;
  /** Level under which the curve eases out toward black instead of being cut there, ADU; absent = cut at `black`. */
  readonly toe?: number;
}

/**
 * Relative brightness out, 0..1 in linear light: asinh(beta*x)/asinh(beta) with x = (value - black)/(white - black).
 * @source R. H. Lupton et al., PASP 116 (2004) 133, eq. 2 (their Q*alpha is this beta).
 */
export function applyStretch(stretch: Stretch, value: number): number {
  const { black, white, beta, toe } = stretch;
  if (toe !== undefined && value < toe) {
    // The exponential that continues the curve with its own slope: dark sky stays above black, and grain is not cut.
    const level = applyStretch(stretch, toe);
    return level * Math.exp(((value - toe) * slopeAt(stretch, toe)) / level);
  }
  const x = (value - black) / (white - black);
  if (!(x > 0)) return 0;
  if (beta < 1e-6) return x;
  return Math.asinh(beta * x) / Math.asinh(beta);
}

/** Derivative of the asinh part, 1/ADU. */
function slopeAt({ black, white, beta }: Stretch, value: number): number {
  if (beta < 1e-6) return 1 / (white - black);
  const x = (value - black) / (white - black);
  return beta / Math.sqrt(1 + (beta * x) ** 2) / Math.asinh(beta) / (white - black);
}

/**
 * Factor on a colour's distance from the mean of the three: the curve's value over the height above black, so
 * that ratios and hue stay; under the toe it goes down with the curve.
 */
export function colorGain(stretch: Stretch, value: number): number {
  const height = Math.max(value, stretch.toe ?? value) - stretch.black;
  return height > 0 ? applyStretch(stretch, value) / height : 0;
}

/**
 * Finds the curve that puts the blank sky and the band where the look wants them.
 *
 * The black point is set so that sky and band stand in the wanted ratio, but never closer to the sky than
 * `2.5 x noise`, so that the sky's own grain is not cut to black; then the softening follows by bisection.
 *
 * @param levels sky, band and white on one scale, ADU; noise = sky noise a pixel, ADU
 */
export function fitStretch(
  levels: {
    readonly sky: number;
    readonly band: number;
    readonly noise: number;
    readonly white: number;
    /** Darkest broad part of the sky (a dust lane), ADU: it must stay above black. */
    readonly dark?: number;
  },
  look: { readonly skyLevel: number; readonly bandLevel: number },
): Stretch {
  const skyOut = srgbDecode(look.skyLevel);
  const bandOut = srgbDecode(look.bandLevel);
  const { sky, noise } = levels;
  // Without a band in the frame a sky lump must not be blown up into one.
  const band = Math.max(levels.band, sky + 4 * noise, sky * 1.06);
  const white = Math.max(levels.white, band * 1.5);
  const wanted = (sky * bandOut - band * skyOut) / (bandOut - skyOut);
  const dark = Math.min(levels.dark ?? sky, sky);
  const darkOut = srgbDecode(look.skyLevel * DARK_SHARE);
  const forDark = dark < sky ? (dark * skyOut - sky * darkOut) / (skyOut - darkOut) : sky;
  const black = Math.min(wanted, forDark, sky - 2.5 * noise, sky * 0.985);
  let low = -3;
  let high = 6;
  for (let i = 0; i < 60; i++) {
    const middle = (low + high) / 2;
    const out = applyStretch({ black, white, beta: 10 ** middle }, sky);
    if (out < skyOut) low = middle;
    else high = middle;
  }
  return { black, white, beta: 10 ** ((low + high) / 2), toe: black + TOE_SHARE * (sky - black) };
}
