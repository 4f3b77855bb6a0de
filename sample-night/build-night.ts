import { radToDeg } from '../src/core/index.js';
import { DARK_SKY, lensOf, TARNWICK } from './_bodies.js';
import { apply, direction, equatorialToEnu, greenwichSiderealTime, orientationOf } from './_geometry.js';
import type {
  HeadMotion,
  LandScene,
  LensShape,
  NightScenario,
  Pointing,
  ScenarioCamera,
  ScenarioLens,
  Shot,
  SkyConditions,
  StreakPlan,
} from './night-scenario.js';

/** What goes wrong, and with which frames (counted from the first light). */
export type Happening =
  | {
      readonly kind: 'cloud';
      readonly from: number;
      readonly transparency: readonly number[];
      readonly patchiness: number;
    }
  | { readonly kind: 'knock'; readonly at: number; readonly move: HeadMotion }
  /** Movement per frame, from the first. */
  | { readonly kind: 'sag'; readonly move: HeadMotion }
  | { readonly kind: 'shake'; readonly at: number; readonly length: number; readonly angle: number }
  | { readonly kind: 'soft'; readonly from: number; readonly defocus: readonly number[] }
  /** Sigma (px) and share of light lost per frame, growing from `from` to the end. */
  | { readonly kind: 'dew'; readonly from: number; readonly sigma: number; readonly loss: number }
  | { readonly kind: 'headlights'; readonly at: number; readonly strength: number }
  | { readonly kind: 'glare'; readonly at: number; readonly strength: number }
  | { readonly kind: 'streak'; readonly at: number; readonly streak: StreakPlan }
  /** The camera pauses before this frame, s. */
  | { readonly kind: 'gap'; readonly at: number; readonly seconds: number }
  /** Focal length changes by this share per frame. */
  | { readonly kind: 'breathing'; readonly perFrame: number };

/** Where to point: a place on the sky at mid-run, the pole, or a fixed direction. */
export type Aim =
  | { readonly rightAscension: number; readonly declination: number }
  | 'pole'
  | { readonly azimuth: number; readonly altitude: number };

/** A night in a few words; everything has a default. */
export interface NightOptions {
  readonly name: string;
  readonly seed: number;
  readonly start?: string;
  readonly latitude?: number;
  readonly longitude?: number;
  readonly width?: number;
  readonly height?: number;
  /** Width of the sensor, mm; default 22.5. */
  readonly sensorWidthMm?: number;
  readonly camera?: Partial<ScenarioCamera>;
  readonly focalLengthMm?: number;
  readonly fNumber?: number;
  readonly lens?: Partial<ScenarioLens>;
  readonly shape?: Partial<LensShape>;
  readonly aim?: Aim;
  /** deg, see `Pointing`; default 0, landscape. */
  readonly roll?: number;
  readonly frames?: number;
  readonly exposureTime?: number;
  readonly realExposureTime?: number;
  readonly cadence?: number;
  readonly iso?: number;
  readonly temperature?: number;
  readonly darks?: number;
  readonly flats?: number;
  readonly biases?: number;
  readonly land?: Partial<LandScene>;
  readonly sky?: Partial<SkyConditions>;
  readonly happenings?: readonly Happening[];
  readonly clockError?: number;
  readonly wholeSeconds?: boolean;
  readonly output?: NightScenario['output'];
}

/** Centre of the Galaxy, J2000, deg. @source IAU galactic coordinates (Blaauw et al. 1960) carried to J2000. */
export const CORE = { rightAscension: 266.417, declination: -29.008 } as const;

function pointAt(
  aim: Aim,
  options: { latitude: number; longitude: number; ms: number; roll: number },
): Pointing {
  const { latitude, longitude, ms, roll } = options;
  if (aim === 'pole') return { azimuth: latitude < 0 ? 180 : 0, altitude: Math.abs(latitude), roll };
  if ('azimuth' in aim) return { ...aim, roll };
  const matrix = equatorialToEnu(latitude, greenwichSiderealTime(ms) + longitude);
  const [e, n, u] = apply(matrix, direction(aim.rightAscension, aim.declination));
  return {
    azimuth: (radToDeg(Math.atan2(e, n)) + 360) % 360,
    altitude: radToDeg(Math.asin(u)),
    roll,
  };
}

/** Builds a scenario from a short description. */
export function buildNight(options: NightOptions): NightScenario {
  const { latitude = -30.62, longitude = 25.13, width = 1500, roll = 0, frames = 24 } = options;
  const { focalLengthMm = 24, fNumber = 2.8, exposureTime = 10, iso = 3200, temperature = 12 } = options;
  const height = options.height ?? Math.round((width * 2) / 3 / 2) * 2;
  const cadence = options.cadence ?? exposureTime * 1.25 + 2;
  const start = options.start ?? '2026-08-12T20:00:00Z';
  const happenings = options.happenings ?? [];
  const shots = happenings.reduce<Shot[]>(
    happen,
    Array.from({ length: frames }, (_, i) => ({
      role: 'light',
      time: i * cadence,
      exposureTime,
      realExposureTime: options.realExposureTime ?? exposureTime,
      iso,
      temperature,
    })),
  );
  const end = (shots.at(-1)?.time ?? 0) + cadence;
  const calibration = (
    role: 'dark' | 'flat' | 'bias',
    count: number,
    seconds: number,
    from: number,
  ): Shot[] =>
    Array.from({ length: count }, (_, i) => ({
      role,
      time: from + i * (seconds + 1.5),
      exposureTime: seconds,
      realExposureTime: role === 'dark' ? (options.realExposureTime ?? seconds) : seconds,
      iso: role === 'flat' ? 100 : iso,
      temperature: temperature - 1,
    }));
  const zoneHours = Math.round(longitude / 15);
  const base = lensOf(focalLengthMm, fNumber, options.lens);
  // Shape terms are given for 24 mm on 22.5 mm; wider views bend more, as lenses do, but not as the fourth power.
  const wide = Math.min(1, focalLengthMm / 24) ** 1.2;
  const shape: LensShape = {
    ...base.shape,
    k1: base.shape.k1 * wide,
    k2: base.shape.k2 * wide ** 2,
    ...options.shape,
  };
  const middle = Date.parse(start) + (end / 2) * 1000;
  return {
    name: options.name,
    seed: options.seed,
    start,
    site: {
      name: 'Sandpiper Flat',
      latitude,
      longitude,
      altitude: 400,
      zone: zoneHours === 0 ? 'Etc/GMT' : `Etc/GMT${zoneHours > 0 ? '-' : '+'}${Math.abs(zoneHours)}`,
      utcOffsetMinutes: zoneHours * 60,
    },
    camera: {
      ...TARNWICK,
      width,
      height,
      pixelPitchUm: ((options.sensorWidthMm ?? 22.5) * 1000) / width,
      hotPixels: Math.round((TARNWICK.hotPixels * width * height) / 1.5e6),
      ...options.camera,
    },
    lens: { ...base, shape },
    pointing: pointAt(options.aim ?? CORE, { latitude, longitude, ms: middle, roll }),
    sky: { ...DARK_SKY, ...options.sky },
    land: { kind: 'none', skyline: 5, trees: 6, brightness: 0.2, ...options.land },
    shots: [
      ...shots,
      ...calibration('dark', options.darks ?? 0, exposureTime, end + 60),
      ...calibration('flat', options.flats ?? 0, 0.05, end + 900),
      ...calibration('bias', options.biases ?? 0, 1 / 4000, end + 1200),
    ],
    ...(options.clockError === undefined ? {} : { clockError: options.clockError }),
    ...(options.wholeSeconds === undefined ? {} : { wholeSeconds: options.wholeSeconds }),
    ...(options.output === undefined ? {} : { output: options.output }),
    naming: { folderSuffix: 'TARNW', filePrefix: 'TWK_', firstFolder: 100, firstNumber: 211 },
  };
}

const still: HeadMotion = { x: 0, y: 0, rotation: 0 };

const moved = (head: HeadMotion | undefined, by: HeadMotion, times = 1): HeadMotion => ({
  x: (head ?? still).x + by.x * times,
  y: (head ?? still).y + by.y * times,
  rotation: (head ?? still).rotation + by.rotation * times,
});

/** Lets one thing happen to the run of lights. */
const happen = (shots: Shot[], event: Happening): Shot[] =>
  shots.map((shot, i) => ({ ...shot, ...effect(shot, i, event) }));

/** What an event changes about light `i`. */
function effect(shot: Shot, i: number, event: Happening): Partial<Shot> {
  switch (event.kind) {
    case 'cloud': {
      const transparency = event.transparency[i - event.from];
      return transparency === undefined ? {} : { cloud: { transparency, patchiness: event.patchiness } };
    }
    case 'soft': {
      const defocus = event.defocus[i - event.from];
      return defocus === undefined ? {} : { defocus };
    }
    case 'dew': {
      const age = i - event.from + 1;
      return age < 1 ? {} : { dew: { sigma: event.sigma * age, loss: Math.min(0.9, event.loss * age) } };
    }
    case 'knock':
      return i < event.at ? {} : { head: moved(shot.head, event.move) };
    case 'sag':
      return { head: moved(shot.head, event.move, i) };
    case 'gap':
      return i < event.at ? {} : { time: shot.time + event.seconds };
    case 'breathing':
      return { scale: (shot.scale ?? 1) + event.perFrame * i };
    default:
      return i === event.at ? oneFrame(shot, event) : {};
  }
}

/** What an event of a single frame changes about it. */
function oneFrame(
  shot: Shot,
  event: Extract<Happening, { readonly kind: 'shake' | 'headlights' | 'glare' | 'streak' }>,
): Partial<Shot> {
  switch (event.kind) {
    case 'shake':
      return { shake: { length: event.length, angle: event.angle } };
    case 'headlights':
      return { headlights: event.strength };
    case 'glare':
      return { glare: event.strength };
    case 'streak':
      return { streaks: [...(shot.streaks ?? []), event.streak] };
  }
}

/** How a scenario is held, for those who build pictures from it. */
export const isPortrait = (scenario: NightScenario): boolean =>
  [6, 8].includes(orientationOf(scenario.pointing.roll));
