import { crossings, stretchesAbove } from './_crossings.js';
import { checkPosition, type Position } from './coordinates.js';
import { HORIZON_REFRACTION, moonPosition, moonRadius } from './sun-moon.js';
import type { Interval } from './zoned-time.js';

const STEP = 30 * 60_000;

/** Altitude of the moon's upper limb above the refracted horizon, deg: positive while it is up. */
export function moonAboveHorizon(instant: Date, site: Position): number {
  const { altitude, distanceKm } = moonPosition(instant, site);
  return altitude + moonRadius(distanceKm) + HORIZON_REFRACTION;
}

/** The moon in a stretch of time at a site. */
export interface MoonTimes {
  /** First moonrise in the stretch (upper limb, 34 arcmin of refraction); absent when it does not rise. */
  readonly rise?: Date;
  /** First moonset in the stretch; it may come before the rise. */
  readonly set?: Date;
  /** Whether the moon is up at the start of the stretch. */
  readonly upAtStart: boolean;
  /** When it is up, within the stretch. */
  readonly up: readonly Interval[];
}

/** Finds moonrise and moonset in a stretch of time. @source convention: Astronomical Almanac; positions: astronomy-engine. */
export function moonTimes(site: Position, stretch: Interval): MoonTimes {
  checkPosition(site);
  const f = (ms: number) => moonAboveHorizon(new Date(ms), site);
  const [start, end] = [stretch.start.getTime(), stretch.end.getTime()];
  const found = crossings(f, start, end, STEP);
  const rise = found.find((c) => c.rising);
  const set = found.find((c) => !c.rising);
  return {
    ...(rise === undefined ? {} : { rise: new Date(rise.time) }),
    ...(set === undefined ? {} : { set: new Date(set.time) }),
    upAtStart: f(start) > 0,
    up: stretchesAbove(f, start, end, STEP),
  };
}

/** Highest geometric altitude of the moon's center in a stretch, deg, to 0.01 deg. */
export function highestMoon(site: Position, stretch: Interval): { time: Date; altitude: number } {
  const [start, end] = [stretch.start.getTime(), stretch.end.getTime()];
  const altitude = (ms: number) => moonPosition(new Date(ms), site).altitude;
  const count = Math.max(1, Math.ceil((end - start) / (10 * 60_000)));
  let best = { time: start, altitude: altitude(start) };
  for (let i = 1; i <= count; i++) {
    const time = start + ((end - start) * i) / count;
    const here = altitude(time);
    if (here > best.altitude) best = { time, altitude: here };
  }
  // Within 10 minutes of the sampled top the path is a parabola: refine with two neighbors 5 minutes off.
  const h = 5 * 60_000;
  const [a, c] = [altitude(best.time - h), altitude(best.time + h)];
  const bend = a - 2 * best.altitude + c;
  if (bend < 0) {
    const shift = Math.max(-1, Math.min(1, (a - c) / (2 * bend))) * h;
    const time = Math.max(start, Math.min(end, best.time + shift));
    const top = altitude(time);
    if (top > best.altitude) best = { time, altitude: top };
  }
  return { time: new Date(best.time), altitude: best.altitude };
}
