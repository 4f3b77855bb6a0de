import type { Survey } from './survey.js';
import type { SkyPlace } from './types.js';

export interface Cell {
  readonly u: number;
  readonly v: number;
  /** Toward the zenith, and across, -1..1. */
  readonly h: number;
  readonly w: number;
  /** Squared distance from the middle of the frame, 1 in the corner. */
  readonly r2: number;
  readonly place?: SkyPlace | undefined;
}

/**
 * Without knowing where the band lies: a plane and a bend along the height only. Glow over a horizon bends along
 * the height; a surface that may bend every way would follow the galactic band and eat it.
 */
export const stiffTerms = ({ u, v, h }: Cell): number[] => [1, u, v, h * h];

/**
 * With the band known: a plane, what a lens's falloff may have left, a bend along the height, and the rise toward a
 * horizon, steep and slow and to one side.
 */
export function freeTerms({ u, v, h, w, r2, place }: Cell): number[] {
  const altitude = place?.altitude;
  const [steep, slow, airglow] =
    altitude === undefined
      ? [Math.exp(-3 * (h + 1)), h * h, 0]
      : [Math.exp(-Math.max(0, altitude) / 8), Math.exp(-Math.max(0, altitude) / 22), airglowAt(altitude)];
  return [1, u, v, r2, r2 * r2, steep, slow, steep * w, slow * w, w * w * slow, airglow];
}

/** Square of the earth's radius over that of the layer that glows, 90 km up. */
const LAYER = (6371 / 6461) ** 2;

/** Light that even clear air takes from a broad glow, mag for each air mass: less than from a star. */
const DIFFUSE_EXTINCTION = 0.15;

/**
 * The airglow of an even layer against that overhead, less one: seen aslant there is more of it, and more air before it.
 * @source P. J. van Rhijn, Publ. Groningen 31 (1921); Ch. Leinert et al., A&AS 127 (1998) 1, section 6
 */
function airglowAt(altitude: number): number {
  const sine = Math.sin((Math.max(2, altitude) * Math.PI) / 180);
  const aslant = 1 / Math.sqrt(1 - (1 - sine * sine) * LAYER);
  return aslant * 10 ** (-0.4 * DIFFUSE_EXTINCTION * (1 / (sine + 0.025) - 1)) - 1;
}

/**
 * What is to be expected of the free terms, as a share of the sky, before it is seen: tilts are small where height
 * and side have terms of their own, a town may be anything. A lens is nearly right where stars or a flat told its
 * falloff, and may be off where the sky did.
 */
export function expectedOf({ plan }: Survey, withHeight: boolean): number[] {
  const told = plan.falloffBy === 'stars' || plan.falloffBy === 'flat';
  if (told && withHeight) return [1, 0.01, 0.01, 0.01, 0.01, 0.3, 0.1, 0.2, 0.1, 0.03, 1];
  const lens = told ? [0.02, 0.02] : [0.15, 0.1];
  return [1, 0.03, 0.03, ...lens, 1, 0.6, 0.6, 0.3, 0.1, withHeight ? 1 : 0];
}

/** The same of disc and bulge. */
export const BAND_EXPECTED = [0.8, 0.8, 2];

/** How much the clouds and dust of a cell differ from the plain shape of band and sky, as a share of the sky. */
const UNEVENNESS = 0.05;

/** Cells that go up and down together: the band's clouds are that wide. */
const TOGETHER = 4;

export const pullOf = (expected: number, cells: number): number =>
  (TOGETHER * (UNEVENNESS / Math.max(1e-6, expected)) ** 2) / cells;

/**
 * What the Milky Way gives at a place, in its plainest shape: disc and bulge, exponential. It only keeps the
 * surface from taking the band for a gradient; nothing of it goes into the picture.
 * @source scales after Ch. Leinert et al., A&AS 127 (1998) 1, section 10 (integrated starlight)
 */
export function bandTerms(place: SkyPlace): number[] {
  const { longitude: l, latitude: b } = place;
  // Beyond 25 deg nothing is left: there it could only be mistaken for a slope.
  const disc = Math.max(0, Math.exp(-Math.abs(b + 0.8) / 11) - Math.exp(-25 / 11));
  return [disc, disc * Math.exp(-((l / 75) ** 2)), Math.exp(-Math.hypot(l / 13, (b + 2.6) / 8))];
}

/** How much a cell may say of the gradient: least in the middle of the band, whose clouds and dust no shape tells. */
export function weightOf(place: SkyPlace): number {
  if (CLOUDS.some((cloud) => apart(place, cloud) < cloud.reach)) return 0;
  return Math.min(1, Math.max(0.06, (Math.abs(place.latitude) - 4) / 16));
}

/** The Magellanic Clouds: galactic longitude and latitude and reach, deg. @source IAU positions of NED, J2000 */
const CLOUDS = [
  { longitude: -79.5, latitude: -32.9, reach: 6 },
  { longitude: -57.2, latitude: -44.3, reach: 4 },
];

const apart = (a: SkyPlace, b: { readonly longitude: number; readonly latitude: number }): number =>
  Math.hypot(
    (((a.longitude - b.longitude + 540) % 360) - 180) * Math.cos((b.latitude * Math.PI) / 180),
    a.latitude - b.latitude,
  );
