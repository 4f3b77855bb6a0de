import { hoursIn, intersect, stretchesAbove } from './_crossings.js';
import { type Position, separation } from './coordinates.js';
import { moonTimes } from './moon.js';
import { type Moonlight, moonlight } from './moonlight.js';
import { apparentAltitude } from './refraction.js';
import { NATURAL_BRIGHTNESS } from './sky-brightness.js';
import { moonIllumination, moonPosition } from './sun-moon.js';
import type { TargetTrack } from './target-track.js';
import type { Interval } from './zoned-time.js';

const STEP = 15 * 60_000;

/** What makes an hour usable. */
export interface WindowInput {
  readonly site: Position;
  readonly track: TargetTrack;
  /** Dark stretches of the night. */
  readonly dark: readonly Interval[];
  /** Geometric altitude that the target must be above, deg. */
  readonly minimumAltitude: number;
  /** Brightening by the moon at the target that is harmless, mag. */
  readonly harmlessMoon: number;
  /** Moonless zenith sky, mag/arcsec2; a natural sky unless given. */
  readonly zenithBrightness?: number;
}

/** When a target can be photographed in a night. */
export interface NightWindow {
  /** Dark, and the target above its lowest altitude. */
  readonly darkAndUp: readonly Interval[];
  /** The same, and the moon below the horizon. */
  readonly moonDown: readonly Interval[];
  /** The same, and the moon down or harmless: the window proper. */
  readonly usable: readonly Interval[];
  /** The longest usable stretch; absent when there is none. */
  readonly best?: Interval;
  /** Hours in `usable`. */
  readonly hours: number;
}

/** Brightness of the sky at the target under the moon of that moment. @source Krisciunas & Schaefer 1991, see `moonlight` */
export function moonlightAt(
  instant: Date,
  input: Pick<WindowInput, 'site' | 'track' | 'zenithBrightness'>,
): Moonlight {
  const moon = moonPosition(instant, input.site);
  const field = input.track(instant);
  return moonlight({
    phaseAngle: moonIllumination(instant).phaseAngle,
    separation: separation([moon.azimuth, moon.altitude], [field.azimuth, field.altitude]),
    moonZenithDistance: 90 - apparentAltitude(moon.altitude),
    fieldZenithDistance: Math.min(90, 90 - apparentAltitude(field.altitude)),
    zenithBrightness: input.zenithBrightness ?? NATURAL_BRIGHTNESS,
  });
}

/** Finds the hours of a night in which it is dark, the target is high enough and the moon is down or harmless. */
export function nightWindowFor(input: WindowInput): NightWindow {
  const darkAndUp: Interval[] = [];
  const moonDown: Interval[] = [];
  const usable: Interval[] = [];
  for (const stretch of input.dark) {
    const [start, end] = [stretch.start.getTime(), stretch.end.getTime()];
    const high = stretchesAbove(
      (ms) => input.track(new Date(ms)).altitude - input.minimumAltitude,
      start,
      end,
      STEP,
    );
    darkAndUp.push(...high);
    if (high.length === 0) continue;
    const down = downTimes(moonTimes(input.site, stretch).up, stretch);
    const harmless = stretchesAbove(
      (ms) => input.harmlessMoon - moonlightAt(new Date(ms), input).brightening,
      start,
      end,
      STEP,
    );
    moonDown.push(...intersect(high, down));
    usable.push(...intersect(high, union(down, harmless)));
  }
  const best = usable.reduce<Interval | undefined>(
    (longest, one) => (longest === undefined || length(one) > length(longest) ? one : longest),
    undefined,
  );
  return { darkAndUp, moonDown, usable, ...(best === undefined ? {} : { best }), hours: hoursIn(usable) };
}

const length = ({ start, end }: Interval): number => end.getTime() - start.getTime();

/** The rest of a stretch. */
function downTimes(up: readonly Interval[], stretch: Interval): Interval[] {
  const rest: Interval[] = [];
  let from = stretch.start;
  for (const one of up) {
    if (one.start > from) rest.push({ start: from, end: one.start });
    from = one.end;
  }
  if (stretch.end > from) rest.push({ start: from, end: stretch.end });
  return rest;
}

/** Two lists of stretches as one, overlaps and touching ends merged. */
function union(a: readonly Interval[], b: readonly Interval[]): Interval[] {
  const merged: Interval[] = [];
  for (const one of [...a, ...b].sort((x, y) => x.start.getTime() - y.start.getTime())) {
    const last = merged.at(-1);
    if (last !== undefined && one.start.getTime() <= last.end.getTime() + 1000) {
      if (one.end > last.end) merged[merged.length - 1] = { start: last.start, end: one.end };
    } else merged.push(one);
  }
  return merged;
}
