import type { Alignment } from '../alignment/index.js';
import { degToRad } from '../core/index.js';
import { type Equatorial, galacticToEquatorial, type Target } from '../sky/index.js';
import { ZONES } from './transparency.js';
import type { RunPhotometry } from './types.js';

/** The part of the sky that a run is judged by. */
export interface ZoneOfInterest {
  /** What it lies about, as a sentence names it: "the galactic center", "Antares". */
  readonly name: string;
  /** How far it reaches from there, deg. */
  readonly radius: number;
  /** 1 = the track's star belongs to it, u8[trackCount]. */
  readonly stars: Uint8Array;
}

/**
 * How far the target's part of the sky reaches, deg: to each side of the middle of the Milky Way for the arch,
 * around the target else. The bright middle of the Milky Way reaches some 10 deg from its centre.
 */
export const INTEREST_RADIUS = 10;

/**
 * Finds the run's stars that belong to a target's part of the sky.
 *
 * @param pointing row-major 3x3, J2000 direction to the reference camera's axes (`solvePointing`)
 * @returns undefined when the run has no directions of its stars
 */
export function zoneOfInterest(
  alignment: Alignment,
  pointing: readonly number[],
  target: Target,
  radius: number = INTEREST_RADIUS,
): ZoneOfInterest | undefined {
  const { trackDirections, trackCount } = alignment;
  if (!trackDirections) return undefined;
  // Of the arch the galactic pole is the axis: what stands square to it belongs to the band.
  const axis = vectorOf(target.kind === 'arch' ? galacticToEquatorial(0, 90) : target);
  const seen = [0, 1, 2].map(
    (row) =>
      pointing[3 * row]! * axis[0] + pointing[3 * row + 1]! * axis[1] + pointing[3 * row + 2]! * axis[2],
  );
  const belongs =
    target.kind === 'arch'
      ? (cosine: number) => Math.abs(cosine) <= Math.sin(degToRad(radius))
      : (cosine: number) => cosine >= Math.cos(degToRad(radius));
  const stars = new Uint8Array(trackCount);
  for (let k = 0; k < trackCount; k++) {
    const cosine = seen.reduce((sum, value, c) => sum + value * trackDirections[3 * k + c]!, 0);
    stars[k] = belongs(cosine) ? 1 : 0;
  }
  return { name: spokenName(target), radius, stars };
}

/** A target as a sentence names it. */
export const spokenName = ({ kind, name }: Target): string => (kind === 'point' ? name : `the ${name}`);

function vectorOf({ rightAscension, declination }: Equatorial): readonly [number, number, number] {
  const [ra, dec] = [degToRad(rightAscension), degToRad(declination)];
  return [Math.cos(dec) * Math.cos(ra), Math.cos(dec) * Math.sin(ra), Math.sin(dec)];
}

/**
 * Counts how many stars of the zone of interest each zone of each frame shows, row by row, f64[frames*25].
 * A star counts where its light could be measured: in the picture, not behind land.
 */
export function starsByZone(
  { trackCount, flux, x, y }: RunPhotometry,
  { stars }: ZoneOfInterest,
  { width, height }: { readonly width: number; readonly height: number },
): Float64Array {
  const frames = trackCount === 0 ? 0 : flux.length / trackCount;
  const counts = new Float64Array(frames * ZONES * ZONES);
  for (let at = 0; at < flux.length; at++) {
    if (stars[at % trackCount] !== 1 || !Number.isFinite(flux[at]!)) continue;
    const column = Math.min(ZONES - 1, Math.max(0, Math.floor((x[at]! / width) * ZONES)));
    const row = Math.min(ZONES - 1, Math.max(0, Math.floor((y[at]! / height) * ZONES)));
    counts[Math.floor(at / trackCount) * ZONES * ZONES + row * ZONES + column]!++;
  }
  return counts;
}
