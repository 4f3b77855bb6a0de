import { hoursIn } from './_crossings.js';
import { asText, iso, known } from './_facts-text.js';
import { notesOf } from './_notes.js';
import { archFacts, runAndSuggestions, seasonFacts } from './_run-facts.js';
import { shutterFacts } from './_shutter-facts.js';
import type { Horizontal } from './coordinates.js';
import { type Darkness, darkness, nightStretch } from './darkness.js';
import { type ExposureSense, exposureSense, type SensorFacts } from './exposure.js';
import type { Framing } from './framing.js';
import { highestMoon, moonTimes } from './moon.js';
import { checkPlan, PLAN_DEFAULTS, type Plan, type PlanCamera, planCamera } from './plan.js';
import type {
  DarknessFacts,
  MoonFacts,
  PlanFacts,
  SkyFacts,
  TargetFacts,
  WindowFacts,
} from './plan-facts-types.js';
import { CLASS_TABLES, NATURAL_BRIGHTNESS, skyClass } from './sky-brightness.js';
import { moonIllumination, phaseName } from './sun-moon.js';
import { altitudeTable, type TargetTrack, targetTimes, trackTarget } from './target-track.js';
import { parseTarget, type Target } from './targets.js';
import { moonlightAt, type NightWindow, nightWindowFor } from './window.js';
import type { Interval } from './zoned-time.js';

function darknessFacts(facts: Darkness): DarknessFacts {
  const text = (instant: Date | undefined) => (instant === undefined ? undefined : iso(instant));
  return known<DarknessFacts>({
    dusk: text(facts.dusk),
    dawn: text(facts.dawn),
    hours: facts.hours,
    state: facts.astronomical.state,
    sunset: text(facts.sun.evening),
    sunrise: text(facts.sun.morning),
    civilDusk: text(facts.civil.evening),
    civilDawn: text(facts.civil.morning),
    nauticalDusk: text(facts.nautical.evening),
    nauticalDawn: text(facts.nautical.morning),
    darkest: iso(facts.lowestSun.time),
    lowestSun: facts.lowestSun.altitude,
    text: facts.text,
  });
}

function windowFacts(window: NightWindow, facts: Darkness, minimumAltitude: number): WindowFacts {
  let text: string;
  if (window.best !== undefined)
    text = `${window.hours.toFixed(1)} h dark, with the target up and the moon down or harmless.`;
  else if (facts.hours === 0) text = 'No window: it does not get dark in this night.';
  else if (window.darkAndUp.length === 0) {
    text = `No window: the target is not above ${minimumAltitude} deg while it is dark.`;
  } else text = 'No window: the moon lights the sky whenever the target is up and it is dark.';
  return {
    ...(window.best === undefined ? {} : asText(window.best)),
    hours: window.hours,
    intervals: window.usable.map(asText),
    darkAndUpHours: hoursIn(window.darkAndUp),
    moonDownHours: hoursIn(window.moonDown),
    minimumAltitude,
    harmlessMoon: PLAN_DEFAULTS.harmlessMoon,
    text,
  };
}

function moonFacts(plan: Plan, facts: Darkness, track: TargetTrack): MoonFacts {
  const { site } = plan;
  const times = moonTimes(site, facts.window);
  const stretches = facts.dark.length > 0 ? facts.dark : [nightStretch(facts)];
  const highest = stretches
    .map((stretch) => highestMoon(site, stretch))
    .reduce((best, one) => (one.altitude > best.altitude ? one : best));
  const { illumination, waxing } = moonIllumination(facts.lowestSun.time);
  const brightenings = facts.dark.flatMap((stretch) =>
    altitudeTable(track, stretch)
      .filter((row) => row.altitude > 0)
      .map((row) => brighteningAt(row.time, plan, track)),
  );
  return known<MoonFacts>({
    illumination,
    waxing,
    phase: phaseName({ illumination, waxing }),
    rise: times.rise === undefined ? undefined : iso(times.rise),
    set: times.set === undefined ? undefined : iso(times.set),
    maxAltitude: highest.altitude,
    maxAltitudeAt: iso(highest.time),
    up: times.up.map(asText),
    maxBrightening: brightenings.length === 0 ? undefined : Math.max(...brightenings),
  });
}

const brighteningAt = (instant: Date, plan: Plan, track: TargetTrack): number =>
  moonlightAt(instant, {
    site: plan.site,
    track,
    ...(plan.skyBrightness === undefined ? {} : { zenithBrightness: plan.skyBrightness }),
  }).brightening;

function targetFacts(plan: Plan, target: Target, facts: Darkness, track: TargetTrack): TargetFacts {
  const altitudes = altitudeTable(track, nightStretch(facts)).map((row) => ({
    ...row,
    time: iso(row.time),
    ...(row.altitude > 0 ? { moonBrightening: brighteningAt(row.time, plan, track) } : {}),
  }));
  if (target.kind === 'arch') return { name: target.name, altitudes };
  const times = targetTimes(target, plan.site, { stretch: facts.window });
  const { rightAscension, declination } = track(facts.lowestSun.time);
  return known<TargetFacts>({
    name: target.name,
    rightAscension: target.rightAscension,
    declination: target.declination,
    ofDate: { rightAscension, declination },
    rise: times.rise === undefined ? undefined : iso(times.rise),
    transit: times.transit === undefined ? undefined : iso(times.transit.time),
    transitAltitude: times.transit?.altitude,
    set: times.set === undefined ? undefined : iso(times.set),
    state: times.state,
    altitudes,
  });
}

function skyFacts({ skyBrightness, skySource }: Plan): SkyFacts {
  if (skyBrightness === undefined) return {};
  return {
    brightness: skyBrightness,
    class: skyClass(skyBrightness),
    source: `${skySource ?? 'the plan'}; class 1 to 9 by ${CLASS_TABLES[0]!.name}, a hint`,
    classes: CLASS_TABLES.map(({ id, name }) => ({ table: name, class: skyClass(skyBrightness, id) })),
  };
}

/** The frame aimed at the target in the middle of the window, or when it stands highest; absent when it is never up. */
function framingOf(
  plan: Plan,
  camera: PlanCamera,
  {
    best,
    night,
    track,
  }: { readonly best: Interval | undefined; readonly night: Darkness; readonly track: TargetTrack },
): Framing | undefined {
  if (plan.focalLengthMm === undefined) return undefined;
  let aim: Horizontal;
  if (best !== undefined) aim = track(new Date((best.start.getTime() + best.end.getTime()) / 2));
  else {
    const rows = altitudeTable(track, nightStretch(night));
    aim = rows.reduce((highest, row) => (row.altitude > highest.altitude ? row : highest));
  }
  if (aim.altitude <= 0) return undefined;
  return {
    aim: { altitude: aim.altitude, azimuth: aim.azimuth },
    focalLengthMm: plan.focalLengthMm,
    ...(plan.portrait === true
      ? { widthMm: camera.sensorHeightMm, heightMm: camera.sensorWidthMm }
      : { widthMm: camera.sensorWidthMm, heightMm: camera.sensorHeightMm }),
  };
}

/** Exposure, sky and a measured sensor put together; absent when one of them is missing. */
function exposureFacts(
  plan: Plan,
  camera: PlanCamera,
  {
    sensor,
    exposureTime,
    trail,
  }: {
    readonly sensor: SensorFacts | undefined;
    readonly exposureTime: number | undefined;
    readonly trail: number;
  },
): ExposureSense | undefined {
  const { focalLengthMm, fNumber, skyBrightness } = plan;
  const { pixelPitchUm } = camera;
  if (sensor === undefined || focalLengthMm === undefined || fNumber === undefined) return undefined;
  if (exposureTime === undefined || pixelPitchUm === undefined) return undefined;
  return exposureSense({
    focalLengthMm,
    fNumber,
    pixelPitchUm,
    exposureTime,
    skyBrightness: skyBrightness ?? NATURAL_BRIGHTNESS,
    sensor,
    trail,
  });
}

/** What else to work out. */
export interface PlanFactsOptions {
  /** The year ahead too: about a second of work. Default false. */
  readonly season?: boolean;
  /** The camera as earlier nights measured it at the planned ISO. */
  readonly sensor?: SensorFacts;
}

/**
 * Works out everything that a plan can be told: shutter limits, darkness, moon, target, sky, best window,
 * run, framing. Instants are ISO 8601 UTC ending in Z; what is unknown or does not happen is absent; no NaN,
 * no Infinity.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE or VALUE_NOT_UNDERSTOOD, one sentence, for an impossible plan
 */
export function planFacts(plan: Plan, options: PlanFactsOptions = {}): PlanFacts {
  checkPlan(plan);
  const camera = planCamera(plan);
  const target = parseTarget(plan.target);
  const night = darkness(plan.site, plan.night);
  const track = trackTarget(target, plan.site, night.lowestSun.time);
  const minimumAltitude = plan.minimumAltitude ?? PLAN_DEFAULTS.minimumAltitude;
  const window = nightWindowFor({
    site: plan.site,
    track,
    dark: night.dark,
    minimumAltitude,
    harmlessMoon: PLAN_DEFAULTS.harmlessMoon,
    ...(plan.skyBrightness === undefined ? {} : { zenithBrightness: plan.skyBrightness }),
  });
  const { best } = window;
  const framing = framingOf(plan, camera, { best, night, track });
  const declination = target.kind === 'arch' ? 0 : track(night.lowestSun.time).declination;
  const shutter = shutterFacts(plan, camera, { declination, framing });
  const { run, suggestions } = runAndSuggestions(plan, { best, framing, camera, shutter });
  const facts = known<Omit<PlanFacts, 'notes' | 'suggestions'>>({
    shutter,
    darkness: darknessFacts(night),
    moon: moonFacts(plan, night, track),
    target: targetFacts(plan, target, night, track),
    sky: skyFacts(plan),
    window: windowFacts(window, night, minimumAltitude),
    run,
    arch: archFacts(plan, { best, framing }),
    exposure: exposureFacts(plan, camera, {
      sensor: options.sensor,
      exposureTime: run?.exposureTime,
      // A suggested shutter is one that keeps the trail within what is accepted.
      trail: shutter.trailAtPlanned ?? shutter.tolerance,
    }),
    season: options.season === true ? seasonFacts(plan, target) : undefined,
  });
  return {
    ...facts,
    suggestions,
    notes: notesOf(plan, facts, camera),
  };
}
