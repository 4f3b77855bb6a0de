import { plateScale } from '../core/index.js';
import { hoursIn } from './_crossings.js';
import { type Darkness, darkness, nightStretch } from './darkness.js';
import { highestMoon, moonTimes } from './moon.js';
import { checkPlan, PLAN_DEFAULTS, type Plan, type PlanCamera, planCamera } from './plan.js';
import type {
  DarknessFacts,
  IntervalText,
  MoonFacts,
  PlanFacts,
  ShutterFacts,
  SkyFacts,
  TargetFacts,
  WindowFacts,
} from './plan-facts-types.js';
import {
  cornerAngle,
  longestExposure,
  npfFull,
  npfSimple,
  offAxisStretch,
  realShutter,
  rule500,
  trailLength,
} from './shutter.js';
import { CLASS_TABLES, skyClass } from './sky-brightness.js';
import { moonIllumination } from './sun-moon.js';
import { altitudeTable, type TargetTrack, targetTimes, trackTarget } from './target-track.js';
import { parseTarget, type Target } from './targets.js';
import { moonlightAt, type NightWindow, nightWindowFor } from './window.js';
import type { Interval } from './zoned-time.js';

const iso = (instant: Date): string => instant.toISOString();
const asText = ({ start, end }: Interval): IntervalText => ({ start: iso(start), end: iso(end) });
/** Drops the fields that are not known. */
function known<T extends object>(record: { [K in keyof T]: T[K] | undefined }): T {
  return Object.fromEntries(Object.entries(record).filter(([, value]) => value !== undefined)) as T;
}

function shutterFacts(plan: Plan, camera: PlanCamera, declination: number): ShutterFacts {
  const { focalLengthMm, fNumber, shutter } = plan;
  const { pixelPitchUm } = camera;
  const tolerance = plan.trailTolerance ?? PLAN_DEFAULTS.trailTolerance;
  const lens =
    focalLengthMm === undefined || pixelPitchUm === undefined ? undefined : { focalLengthMm, pixelPitchUm };
  const trail = (exposureTime: number | undefined): number | undefined =>
    lens === undefined || exposureTime === undefined
      ? undefined
      : trailLength({ ...lens, declination, exposureTime });
  const optics = lens === undefined || fNumber === undefined ? undefined : { ...lens, fNumber };
  const by500 = focalLengthMm === undefined ? undefined : rule500(focalLengthMm, camera.crop);
  const simple = optics === undefined ? undefined : npfSimple(optics);
  const full = optics === undefined ? undefined : npfFull(optics, declination, 1);
  const full2 = optics === undefined ? undefined : npfFull(optics, declination, 2);
  const real = shutter === undefined ? undefined : realShutter(shutter);
  const planned = trail(shutter);
  const corner =
    focalLengthMm === undefined
      ? undefined
      : offAxisStretch(cornerAngle(focalLengthMm, camera.sensorWidthMm, camera.sensorHeightMm)).radial;
  return known<ShutterFacts>({
    rule500: by500,
    npfSimple: simple,
    npfFull: full,
    npfFull2: full2,
    trailAtPlanned: planned,
    longestForTolerance:
      lens === undefined ? undefined : longestExposure({ ...lens, declination, tolerance }),
    tolerance,
    declination,
    plateScale: lens === undefined ? undefined : plateScale(lens.pixelPitchUm, lens.focalLengthMm),
    realShutter: real,
    trailAtReal: trail(real),
    trailAtRule500: trail(by500),
    trailAtNpfSimple: trail(simple),
    trailAtNpfFull: trail(full),
    trailAtNpfFull2: trail(full2),
    cornerStretch: corner,
    cornerTrailAtPlanned: planned === undefined || corner === undefined ? undefined : planned * corner,
  });
}

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
    source: `${skySource ?? 'the plan'}; class by ${CLASS_TABLES[0]!.name}, a hint`,
    classes: CLASS_TABLES.map(({ id, name }) => ({ table: name, class: skyClass(skyBrightness, id) })),
  };
}

/** What was assumed and what stands against the plan, in plain sentences. */
function notesOf(plan: Plan, facts: Omit<PlanFacts, 'notes'>, camera: PlanCamera): string[] {
  const notes: string[] = [];
  const { shutter } = facts;
  if (camera.cropIsAssumed && plan.focalLengthMm !== undefined) {
    notes.push(
      'The sensor size is not known, so a 36 x 24 mm sensor is assumed for the 500 rule and the corners.',
    );
  }
  if (plan.focalLengthMm === undefined || camera.pixelPitchUm === undefined) {
    notes.push('Trails in px need the focal length and the pixel pitch.');
  } else if (plan.fNumber === undefined) {
    notes.push('The NPF rules need the aperture.');
  }
  if (shutter.trailAtPlanned !== undefined && shutter.trailAtPlanned > shutter.tolerance) {
    const limit = shutter.longestForTolerance;
    notes.push(
      `At ${plan.shutter} s stars trail ${shutter.trailAtPlanned.toFixed(1)} px, more than the ${shutter.tolerance} px accepted` +
        (limit === undefined ? '.' : `; ${limit.toFixed(1)} s would hold it.`),
    );
  }
  if (
    shutter.realShutter !== undefined &&
    plan.shutter !== undefined &&
    Math.abs(shutter.realShutter / plan.shutter - 1) > 0.02
  ) {
    notes.push(
      `Many bodies expose ${Number(shutter.realShutter.toFixed(1))} s when set to ${plan.shutter} s.`,
    );
  }
  if (facts.darkness.state !== 'crosses' || facts.darkness.hours < 1) notes.push(facts.darkness.text);
  if (facts.target.state === 'never-up') {
    notes.push(`The ${facts.target.name} does not rise at this latitude.`);
  }
  if (facts.window.start === undefined) notes.push(facts.window.text);
  return notes;
}

/**
 * Works out everything that a plan can be told: shutter limits, darkness, moon, target, sky, best window.
 * Instants are ISO 8601 UTC ending in Z; what is unknown or does not happen is absent; no NaN, no Infinity.
 *
 * @throws {InputError} VALUE_OUT_OF_RANGE or VALUE_NOT_UNDERSTOOD, one sentence, for an impossible plan
 */
export function planFacts(plan: Plan): PlanFacts {
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
  const declination = target.kind === 'arch' ? 0 : track(night.lowestSun.time).declination;
  const facts = {
    shutter: shutterFacts(plan, camera, declination),
    darkness: darknessFacts(night),
    moon: moonFacts(plan, night, track),
    target: targetFacts(plan, target, night, track),
    sky: skyFacts(plan),
    window: windowFacts(window, night, minimumAltitude),
  };
  return { ...facts, notes: notesOf(plan, facts, camera) };
}
