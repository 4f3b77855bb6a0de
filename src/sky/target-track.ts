import { SIDEREAL_RATE } from '../core/index.js';
import { crossings } from './_crossings.js';
import {
  apparentPlaces,
  checkPosition,
  type Equatorial,
  fromHorizontal,
  galacticToEquatorial,
  type Horizontal,
  type Position,
  toHorizontal,
} from './coordinates.js';
import { airmass, apparentAltitude } from './refraction.js';
import { localSiderealTime } from './sidereal.js';
import type { Target } from './targets.js';
import type { Interval } from './zoned-time.js';

const MINUTE = 60_000;
const STEP = 30 * MINUTE;

/** Where a target stands at an instant: geometric altitude, azimuth, and the apparent place of date. */
export type TargetTrack = (instant: Date) => Horizontal & Equatorial;

/**
 * Prepares where a target stands through one night. For the arch it is the summit of the galactic equator
 * above the horizon, at right angles to where the band meets it.
 *
 * @param middle an instant within the night: the apparent place is taken there
 * @throws {InputError} an impossible position
 */
export function trackTarget(target: Target, site: Position, middle: Date): TargetTrack {
  checkPosition(site);
  const places = apparentPlaces(middle);
  if (target.kind !== 'arch') {
    const place = places(target);
    return (instant) => ({ ...place, ...toHorizontal(place, instant, site) });
  }
  const pole = places(galacticToEquatorial(0, 90));
  return (instant) => {
    const { altitude, azimuth } = toHorizontal(pole, instant, site);
    const summit = {
      altitude: 90 - Math.abs(altitude),
      azimuth: altitude >= 0 ? (azimuth + 180) % 360 : azimuth,
    };
    return { ...summit, ...fromHorizontal(summit, instant, site) };
  };
}

/** One row of the altitude table. */
export interface AltitudeRow {
  readonly time: Date;
  /** Geometric altitude, deg. */
  readonly altitude: number;
  /** Altitude with refraction, deg. */
  readonly apparentAltitude: number;
  /** From north through east, deg. */
  readonly azimuth: number;
  /** Relative air mass; absent below the horizon. */
  readonly airmass?: number;
}

/** Altitudes of a track over a stretch, every `everyMinutes` on the round minutes of UTC. */
export function altitudeTable(track: TargetTrack, stretch: Interval, everyMinutes = 10): AltitudeRow[] {
  const step = everyMinutes * MINUTE;
  const rows: AltitudeRow[] = [];
  for (let ms = Math.floor(stretch.start.getTime() / step) * step; ; ms += step) {
    const { altitude, azimuth } = track(new Date(ms));
    const seen = apparentAltitude(altitude);
    const mass = airmass(seen);
    rows.push({
      time: new Date(ms),
      altitude,
      apparentAltitude: seen,
      azimuth,
      ...(mass === undefined ? {} : { airmass: mass }),
    });
    if (ms >= stretch.end.getTime()) return rows;
  }
}

/** The daily path of a point target in a stretch of time. */
export interface TargetTimes {
  /** First rise over the geometric horizon in the stretch; absent when it does not rise. */
  readonly rise?: Date;
  /** First upper passage of the meridian, and the altitude then, deg. */
  readonly transit?: { readonly time: Date; readonly altitude: number };
  /** First setting; it may come before the rise. */
  readonly set?: Date;
  readonly state: 'rises-and-sets' | 'always-up' | 'never-up';
}

/**
 * Rise, transit and set of a point target in a stretch, without refraction.
 * @param options `horizon`: the geometric altitude to rise over, deg, default 0
 */
export function targetTimes(
  target: Target & Equatorial,
  site: Position,
  options: { readonly stretch: Interval; readonly horizon?: number },
): TargetTimes {
  const [start, end] = [options.stretch.start.getTime(), options.stretch.end.getTime()];
  const track = trackTarget(target, site, new Date((start + end) / 2));
  const f = (ms: number) => track(new Date(ms)).altitude - (options.horizon ?? 0);
  const found = crossings(f, start, end, STEP);
  const rise = found.find((c) => c.rising);
  const set = found.find((c) => !c.rising);
  // The hour angle grows with the sidereal clock alone, so the meridian is met after the rest of the turn.
  const { rightAscension } = track(options.stretch.start);
  const toGo = (rightAscension - localSiderealTime(options.stretch.start, site.longitude) + 720) % 360;
  const transit = new Date(start + ((toGo * 3600) / SIDEREAL_RATE) * 1000);
  return {
    ...(rise === undefined ? {} : { rise: new Date(rise.time) }),
    ...(transit.getTime() > end ? {} : { transit: { time: transit, altitude: track(transit).altitude } }),
    ...(set === undefined ? {} : { set: new Date(set.time) }),
    state: found.length > 0 ? 'rises-and-sets' : f(start) > 0 ? 'always-up' : 'never-up',
  };
}
