import { Body, Equator, GeoVector, Illumination, Observer } from 'astronomy-engine';
import { radToDeg } from '../core/index.js';
import {
  checkPosition,
  type Equatorial,
  type Horizontal,
  type Position,
  skySeparation,
  toHorizontal,
} from './coordinates.js';

const KM_PER_AU = 149_597_870.7;
/** Radius of the Moon, km. @source IAU Working Group on Cartographic Coordinates (2015): 1737.4 km. */
const MOON_RADIUS_KM = 1737.4;
/** Refraction at the horizon that rise and set are reckoned with, deg. @source Astronomical Almanac: 34 arcmin. */
export const HORIZON_REFRACTION = 34 / 60;
/** Altitude of the sun's center at sunrise and sunset, deg: 34 arcmin of refraction and a radius of 16 arcmin. */
export const SUNSET_ALTITUDE = -50 / 60;

/** Where a body stands as seen from a site: position of date, with parallax; altitude geometric; distance in km. */
export interface BodyPosition extends Equatorial, Horizontal {
  readonly distanceKm: number;
}

function positionOf(body: Body, instant: Date, site: Position): BodyPosition {
  checkPosition(site);
  const observer = new Observer(site.latitude, site.longitude, 0);
  const { ra, dec, dist } = Equator(body, instant, observer, true, true);
  const equatorial = { rightAscension: ra * 15, declination: dec };
  return { ...equatorial, ...toHorizontal(equatorial, instant, site), distanceKm: dist * KM_PER_AU };
}

/** Where the sun stands. @source astronomy-engine `Equator` (topocentric, of date, aberration). */
export const sunPosition = (instant: Date, site: Position): BodyPosition =>
  positionOf(Body.Sun, instant, site);

/** Where the moon stands, parallax included. @source astronomy-engine `Equator`. */
export const moonPosition = (instant: Date, site: Position): BodyPosition =>
  positionOf(Body.Moon, instant, site);

/** Angular radius of the moon at a distance in km, deg. */
export const moonRadius = (distanceKm: number): number => radToDeg(Math.asin(MOON_RADIUS_KM / distanceKm));

/** How much of the moon is lit. */
export interface MoonIllumination {
  /** Illuminated share of the disc, 0 to 1, as seen from the center of the Earth. */
  readonly illumination: number;
  /** Angle sun - moon - Earth, deg: 0 at full moon, 180 at new moon. */
  readonly phaseAngle: number;
  /** True from new to full moon. */
  readonly waxing: boolean;
}

/** Illumination of the moon. @source astronomy-engine `Illumination`; the share is (1 + cos i)/2 (Meeus, eq. 48.1). */
export function moonIllumination(instant: Date): MoonIllumination {
  const { phase_fraction, phase_angle } = Illumination(Body.Moon, instant);
  const sun = GeoVector(Body.Sun, instant, true);
  const moon = GeoVector(Body.Moon, instant, true);
  // The moon waxes while it stands east of the sun: the z part of sun x moon is then positive.
  const waxing = sun.x * moon.y - sun.y * moon.x > 0;
  return { illumination: phase_fraction, phaseAngle: phase_angle, waxing };
}

/**
 * Phase angle of the moon, deg, from the apparent geocentric places and distances of sun and moon.
 * @source J. Meeus, Astronomical Algorithms, eq. 48.2 and 48.3.
 */
export function phaseAngle(
  sun: Equatorial & { readonly distanceKm: number },
  moon: Equatorial & { readonly distanceKm: number },
): number {
  const elongation = (skySeparation(sun, moon) * Math.PI) / 180;
  return radToDeg(
    Math.atan2(
      sun.distanceKm * Math.sin(elongation),
      moon.distanceKm - sun.distanceKm * Math.cos(elongation),
    ),
  );
}

/** Illuminated share of a disc at a phase angle, 0 to 1. @source Meeus, eq. 48.1. */
export const illuminatedShare = (angle: number): number => (1 + Math.cos((angle * Math.PI) / 180)) / 2;

/** The moon's phase in the words of a calendar. New and full are the days around: below 2 % and above 98 %; a quarter is within 5 % of half. */
export function phaseName({
  illumination,
  waxing,
}: Pick<MoonIllumination, 'illumination' | 'waxing'>): string {
  if (illumination < 0.02) return 'new moon';
  if (illumination > 0.98) return 'full moon';
  if (Math.abs(illumination - 0.5) <= 0.05) return waxing ? 'first quarter' : 'last quarter';
  return `${waxing ? 'waxing' : 'waning'} ${illumination < 0.5 ? 'crescent' : 'gibbous'}`;
}
