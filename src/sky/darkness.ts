import { Body, Observer, SearchHourAngle } from 'astronomy-engine';
import { crossings, hoursIn, minimumBetween, stretchesAbove } from './_crossings.js';
import { checkPosition, type Position } from './coordinates.js';
import { SUNSET_ALTITUDE, sunPosition } from './sun-moon.js';
import { checkZone, type Interval, nightWindow } from './zoned-time.js';

const HOUR = 3_600_000;
const STEP = 30 * 60_000;

/** Sun altitudes that bound the night, deg, geometric, of the sun's center. @source Astronomical Almanac, glossary: twilight. */
export const TWILIGHT = { civil: -6, nautical: -12, astronomical: -18 } as const;

/** A position with its time zone: what a night needs. */
export interface NightSite extends Position {
  /** IANA zone. */
  readonly zone: string;
}

/**
 * When the sun is below one altitude in a night. `crosses`: with an evening and a morning instant, one of
 * which is absent in the rare night at high latitude when only the other happens. `always-below` and
 * `always-above`: it stays on one side all night, both are absent.
 */
export interface SunBelow {
  readonly state: 'crosses' | 'always-below' | 'always-above';
  readonly evening?: Date;
  readonly morning?: Date;
}

/** The night's light, from sunset to sunrise. */
export interface Darkness {
  /** Local noon to local noon. */
  readonly window: Interval;
  readonly sun: SunBelow;
  readonly civil: SunBelow;
  readonly nautical: SunBelow;
  readonly astronomical: SunBelow;
  /** Lowest altitude of the sun in the night, deg, and when: the middle of the night. */
  readonly lowestSun: { readonly time: Date; readonly altitude: number };
  /** End of evening twilight (sun at -18 deg); absent when that does not happen. */
  readonly dusk?: Date;
  /** Start of morning twilight. */
  readonly dawn?: Date;
  /** Hours with the sun below -18 deg between this noon and the next. */
  readonly hours: number;
  /** The dark stretches themselves, within the night's noon to noon. */
  readonly dark: readonly Interval[];
  /** The night in one plain sentence. */
  readonly text: string;
}

/** The sun's lowest point nearest the middle of a window; at a pole, where it hardly moves, its lower culmination. */
function lowestSun(window: Interval, site: Position): { time: number; altitude: number } {
  const altitude = (ms: number) => sunPosition(new Date(ms), site).altitude;
  const middle = (window.start.getTime() + window.end.getTime()) / 2;
  const observer = new Observer(site.latitude, site.longitude, 0);
  const culmination = SearchHourAngle(Body.Sun, observer, 12, new Date(middle - 12 * HOUR), +1);
  const at = culmination.time.date.getTime();
  const low = minimumBetween(altitude, at - 2 * HOUR, at + 2 * HOUR);
  const time = Math.abs(low - at) < 1.9 * HOUR ? low : at;
  return { time, altitude: altitude(time) };
}

/** One instant for one event: two searches for it end some ms apart. */
const same = (found: Date, event: Date | undefined): Date =>
  event !== undefined && Math.abs(found.getTime() - event.getTime()) < 1000 ? event : found;

/** Puts the light of a night into one sentence. */
function describe(darkness: Omit<Darkness, 'text'>): string {
  const { sun, nautical, astronomical, lowestSun: low, hours } = darkness;
  const depth = `the sun's lowest altitude is ${low.altitude.toFixed(1)} deg`;
  if (sun.state === 'always-above') return `The sun does not set (${depth}).`;
  if (astronomical.state === 'always-below') return 'It is fully dark around the clock.';
  if (astronomical.state === 'crosses') {
    const length = `${hours.toFixed(1)} h of full darkness`;
    return sun.state === 'always-below' ? `Polar night, with ${length}.` : `${length}.`;
  }
  if (nautical.state === 'crosses') return `No full darkness, nautical twilight at best (${depth}).`;
  return `No darkness, civil twilight or brighter all night (${depth}).`;
}

/**
 * Works out the darkness of a night at a site: sunset, twilights, darkest moment, hours without sunlight.
 * Sunset is geometric altitude -50 arcmin; twilights are geometric without refraction. Sea-level horizon.
 *
 * @param night the evening's local date, `YYYY-MM-DD`
 * @throws {InputError} an impossible position, zone or date
 * @source conventions of the Astronomical Almanac; positions from astronomy-engine
 */
export function darkness(site: NightSite, night: string): Darkness {
  checkPosition(site);
  const window = nightWindow(night, checkZone(site.zone));
  const low = lowestSun(window, site);
  // The same sampled times serve four limits.
  const known = new Map<number, number>();
  const altitude = (ms: number): number => {
    let value = known.get(ms);
    if (value === undefined) {
      value = sunPosition(new Date(ms), site).altitude;
      known.set(ms, value);
    }
    return value;
  };
  const from = low.time - 12 * HOUR;
  const to = low.time + 12 * HOUR;
  const below = (limit: number): SunBelow => {
    const f = (ms: number) => altitude(ms) - limit;
    const found = crossings(f, from, to, STEP);
    const evening = found.findLast((c) => !c.rising && c.time <= low.time);
    const morning = found.find((c) => c.rising && c.time >= low.time);
    if (evening === undefined && morning === undefined) {
      return { state: low.altitude > limit ? 'always-above' : 'always-below' };
    }
    return {
      state: 'crosses',
      ...(evening === undefined ? {} : { evening: new Date(evening.time) }),
      ...(morning === undefined ? {} : { morning: new Date(morning.time) }),
    };
  };
  const astronomical = below(TWILIGHT.astronomical);
  const dark = stretchesAbove(
    (ms) => TWILIGHT.astronomical - altitude(ms),
    window.start.getTime(),
    window.end.getTime(),
    STEP,
  ).map(({ start, end }) => ({
    start: same(start, astronomical.evening),
    end: same(end, astronomical.morning),
  }));
  const facts = {
    window,
    sun: below(SUNSET_ALTITUDE),
    civil: below(TWILIGHT.civil),
    nautical: below(TWILIGHT.nautical),
    astronomical,
    lowestSun: { time: new Date(low.time), altitude: low.altitude },
    ...(astronomical.evening === undefined ? {} : { dusk: astronomical.evening }),
    ...(astronomical.morning === undefined ? {} : { dawn: astronomical.morning }),
    hours: hoursIn(dark),
    dark,
  };
  return { ...facts, text: describe(facts) };
}

/** From sunset to sunrise; the whole noon-to-noon window where the sun does not set or rise. */
export function nightStretch(facts: Darkness): Interval {
  return { start: facts.sun.evening ?? facts.window.start, end: facts.sun.morning ?? facts.window.end };
}
