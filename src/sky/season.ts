import { checkRange } from './_check.js';
import { crossings, hoursIn, intersect, stretchesAbove } from './_crossings.js';
import { checkPosition, toHorizontal } from './coordinates.js';
import { type NightSite, TWILIGHT } from './darkness.js';
import { moonAboveHorizon } from './moon.js';
import { moonIllumination, sunPosition } from './sun-moon.js';
import { trackTarget } from './target-track.js';
import type { Target } from './targets.js';
import { addDays, checkZone, type Interval, nightWindow } from './zoned-time.js';

const HOUR = 3_600_000;
const STEP = HOUR / 2;

/** One night of the season. */
export interface SeasonNight {
  /** The evening's local date. */
  readonly night: string;
  /** Hours of full darkness. */
  readonly darkHours: number;
  /** Hours that are dark, with the target up and the moon down. */
  readonly hours: number;
  /** Illuminated share of the moon in the middle of the night. */
  readonly moon: number;
  /** Whether the target is up within two hours after dusk. */
  readonly upInEvening: boolean;
}

/** One month of the season. */
export interface SeasonMonth {
  /** `YYYY-MM`; the first and the last may be cut by the span looked at. */
  readonly month: string;
  /** Nights looked at. */
  readonly nights: number;
  /** Of them those that give two hours or more, and those in which the target is up in the evening. */
  readonly goodNights: number;
  readonly evenings: number;
  /** The night that gives most; absent when none gives anything. */
  readonly best?: SeasonNight;
}

/** A year at a site for one target. */
export interface SeasonView {
  readonly nights: readonly SeasonNight[];
  /** The nights with most hours, best first, at most 12, none without an hour. */
  readonly best: readonly SeasonNight[];
  readonly months: readonly SeasonMonth[];
  /** First and last nights of each span in which the target is up in the evening. */
  readonly evenings: readonly { readonly from: string; readonly to: string }[];
}

/** What to look for. */
export interface SeasonInput {
  readonly site: NightSite;
  readonly target: Target;
  /** First night, `YYYY-MM-DD`. */
  readonly from: string;
  /** Default 365. */
  readonly nights?: number;
  /** Geometric altitude that the target must be above, deg, default 10. */
  readonly minimumAltitude?: number;
}

/** Sun altitude through one noon-to-noon window from its places at both ends: linear between them is good to 0.001 deg. */
function sunAltitude(site: NightSite, window: Interval): (ms: number) => number {
  const [start, end] = [window.start.getTime(), window.end.getTime()];
  const [a, b] = [sunPosition(window.start, site), sunPosition(window.end, site)];
  const turn = ((b.rightAscension - a.rightAscension + 540) % 360) - 180;
  return (ms) => {
    const t = (ms - start) / (end - start);
    const place = {
      rightAscension: a.rightAscension + t * turn,
      declination: a.declination + t * (b.declination - a.declination),
    };
    return toHorizontal(place, new Date(ms), site).altitude;
  };
}

/** A slow function known at hourly points and read between them. @source cubic convolution, Keys 1981 (Catmull-Rom); error 0.01 deg for the moon */
function hourly(f: (ms: number) => number): (ms: number) => number {
  const known = new Map<number, number>();
  const at = (hour: number): number => {
    let value = known.get(hour);
    if (value === undefined) {
      value = f(hour * HOUR);
      known.set(hour, value);
    }
    return value;
  };
  return (ms) => {
    const hour = Math.floor(ms / HOUR);
    const t = ms / HOUR - hour;
    const [p, q, r, s] = [at(hour - 1), at(hour), at(hour + 1), at(hour + 2)];
    return q + (t / 2) * (r - p + t * (2 * p - 5 * q + 4 * r - s + t * (3 * (q - r) + s - p)));
  };
}

/**
 * Looks through the nights ahead: how many hours each gives and when the target is up in the evening. Times
 * are good to a minute, which is what choosing a night needs; `darkness` has the exact ones.
 *
 * @throws {InputError} an impossible position, zone, date, span or altitude
 */
export function seasonView(input: SeasonInput): SeasonView {
  const { site, target } = input;
  checkPosition(site);
  checkZone(site.zone);
  const count = checkRange('a number of nights', input.nights ?? 365, { min: 1, max: 3660 });
  const minimumAltitude = checkRange('a lowest target altitude', input.minimumAltitude ?? 10, {
    min: -5,
    max: 89,
    unit: 'deg',
  });
  const moonUp = hourly((ms) => moonAboveHorizon(new Date(ms), site));
  const nights: SeasonNight[] = [];
  for (let i = 0; i < count; i++) {
    const night = addDays(input.from, i);
    const window = nightWindow(night, site.zone);
    const [start, end] = [window.start.getTime(), window.end.getTime()];
    const middle = new Date((start + end) / 2);
    const sun = sunAltitude(site, window);
    const dark = stretchesAbove((ms) => TWILIGHT.astronomical - sun(ms), start, end, STEP);
    const track = trackTarget(target, site, middle);
    const high = (ms: number): number => track(new Date(ms)).altitude - minimumAltitude;
    const up = dark.flatMap((one) => stretchesAbove(high, one.start.getTime(), one.end.getTime(), STEP));
    const moonless = dark.flatMap((one) =>
      stretchesAbove((ms) => -moonUp(ms), one.start.getTime(), one.end.getTime(), STEP),
    );
    const dusk = dark[0]?.start.getTime();
    nights.push({
      night,
      darkHours: hoursIn(dark),
      hours: hoursIn(intersect(up, moonless)),
      moon: moonIllumination(middle).illumination,
      upInEvening:
        dusk !== undefined &&
        (high(dusk) > 0 || crossings(high, dusk, dusk + 2 * HOUR, STEP).some((c) => c.rising)),
    });
  }
  const best = nights
    .filter(({ hours }) => hours >= 1)
    .sort((a, b) => b.hours - a.hours || (a.night < b.night ? -1 : 1))
    .slice(0, 12);
  return { nights, best, months: monthsOf(nights), evenings: spans(nights) };
}

/** h; a night that gives less is hardly worth the way. */
const GOOD_HOURS = 2;

function monthsOf(nights: readonly SeasonNight[]): SeasonMonth[] {
  const months = new Map<string, SeasonNight[]>();
  for (const one of nights) {
    const month = one.night.slice(0, 7);
    months.set(month, [...(months.get(month) ?? []), one]);
  }
  return [...months].map(([month, own]) => {
    const best = own.reduce((most, one) => (one.hours > most.hours ? one : most));
    return {
      month,
      nights: own.length,
      goodNights: own.filter(({ hours }) => hours >= GOOD_HOURS).length,
      evenings: own.filter(({ upInEvening }) => upInEvening).length,
      ...(best.hours > 0 ? { best } : {}),
    };
  });
}

/** Unbroken spans of evenings. */
function spans(nights: readonly SeasonNight[]): { from: string; to: string }[] {
  const found: { from: string; to: string }[] = [];
  let open = false;
  for (const { night, upInEvening } of nights) {
    if (upInEvening && open) found[found.length - 1] = { from: found.at(-1)!.from, to: night };
    else if (upInEvening) found.push({ from: night, to: night });
    open = upInEvening;
  }
  return found;
}
