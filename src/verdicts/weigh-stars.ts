import { type Mask, median } from '../core/index.js';
import { estimateBackground, forcedPhotometry, type MeasuringPlane } from '../stars/index.js';

/** Radius of the circle that a star's light is summed in, times its width: some 98 % of a Gaussian star. */
const RADIUS_PER_FWHM = 1.3;

/** How a frame's stars are weighed. */
export interface WeighOptions {
  /** Typical width of the frame's stars, px: the circle follows it, so that sharp and soft frames give the same share. */
  readonly fwhm: number;
  /** Land; 1 = excluded. */
  readonly mask?: Mask | undefined;
  /** ADU above black at which a pixel clips. */
  readonly saturation: number;
}

/**
 * Measures the light at predicted places of a frame. The same circle on empty places beside the stars tells
 * what unseen faint stars and an imperfect background add to it, which grows with the circle; that is taken off.
 *
 * @param plane f32[height*width], ADU above black. Not modified.
 * @param places x, y in px, one entry a star
 * @returns ADU above background; NaN off the frame, on land, and where the star is clipped
 */
export function weighStars(
  plane: MeasuringPlane,
  places: { readonly x: ArrayLike<number>; readonly y: ArrayLike<number> },
  options: WeighOptions,
): Float32Array {
  const { mask } = options;
  const background = estimateBackground(plane, mask === undefined ? {} : { mask });
  const radius = Math.min(20, Math.max(2, RADIUS_PER_FWHM * options.fwhm));
  const onLand = (x: number, y: number) => mask?.data[Math.round(y) * mask.width + Math.round(x)] === 1;
  const found = forcedPhotometry(plane, background, places, { radius });
  const beside = placesBeside(places, Math.max(14, 3 * radius));
  const empty = forcedPhotometry(plane, background, beside, { radius });
  const blank = median(
    Array.from(empty.flux).filter(
      (flux, k) => Number.isFinite(flux) && empty.coverage[k]! >= 0.99 && !onLand(beside.x[k]!, beside.y[k]!),
    ),
  );
  return found.flux.map((flux, k) => {
    const out = found.coverage[k]! < 0.99 || found.peak[k]! >= 0.95 * options.saturation;
    return out || onLand(places.x[k]!, places.y[k]!)
      ? Number.NaN
      : flux - (Number.isFinite(blank) ? blank : 0);
  });
}

/** A place at some distance from each star, in a direction that goes round from star to star. */
function placesBeside(
  { x, y }: { readonly x: ArrayLike<number>; readonly y: ArrayLike<number> },
  distance: number,
): { readonly x: Float64Array; readonly y: Float64Array } {
  // The golden angle spreads any number of directions evenly.
  const angle = (k: number) => k * Math.PI * (3 - Math.sqrt(5));
  return {
    x: Float64Array.from(x, (value, k) => value + distance * Math.cos(angle(k))),
    y: Float64Array.from(y, (value, k) => value + distance * Math.sin(angle(k))),
  };
}
