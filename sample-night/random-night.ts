import { type Random, seededRandom } from '../src/core/index.js';
import { hash } from './_noise.js';
import { type Aim, buildNight, type Happening, type NightOptions } from './build-night.js';
import type { LandScene, LensShape, NightScenario } from './night-scenario.js';

/** Kinds of trouble that a random night may have; `clear` has none. */
export const TROUBLES = ['clear', 'cloud', 'patchy', 'dew', 'rough', 'soft', 'glare', 'mixed'] as const;
export type Trouble = (typeof TROUBLES)[number];

export interface RandomNightOptions {
  readonly width?: number;
  readonly height?: number;
  readonly frames?: number;
  readonly focalLengthMm?: number;
  readonly trouble?: Trouble;
  /** Anything else to be fixed instead of drawn. */
  readonly fixed?: Partial<NightOptions>;
}

const pick = <T>(random: Random, choices: readonly T[]): T => choices[Math.floor(random() * choices.length)]!;
const between = (random: Random, low: number, high: number): number => low + (high - low) * random();

/** A lens form drawn so that its corner is displaced by 3 % outward to 8 % inward, whatever the focal length. */
function anyShape(random: Random, corner2: number): Partial<LensShape> {
  const form = random();
  const bend = between(random, -0.08, 0.03);
  const plain = { offsetX: between(random, -9, 9), offsetY: between(random, -9, 9), k1: 0, k2: 0 };
  // Two terms, then forms the model does not have: the division form, a wave of three terms, a tilted element.
  if (form < 0.55) return { ...plain, k1: (1.35 * bend) / corner2, k2: (-0.35 * bend) / corner2 ** 2 };
  if (form < 0.7) return { ...plain, division: bend / corner2 };
  if (form < 0.85)
    return {
      ...plain,
      k1: (1.6 * bend) / corner2,
      k2: (-0.9 * bend) / corner2 ** 2,
      k3: (0.3 * bend) / corner2 ** 3,
    };
  const tilt = () => between(random, -4e-4, 4e-4);
  return { ...plain, k1: bend / corner2, p1: tilt(), p2: tilt() };
}

/** Verdict limits stay at a distance from what is planted: a truth that sits on a limit tests nothing. */
function happeningsOf(
  random: Random,
  trouble: Trouble,
  frames: number,
  size: { width: number; height: number },
): Happening[] {
  const at = () => 1 + Math.floor(random() * (frames - 2));
  const streak = (): Happening => {
    const { width, height } = size;
    const angle = random() * Math.PI;
    const reach = 0.75 * Math.hypot(width, height);
    const x = between(random, 0.2, 0.8) * width;
    const y = between(random, 0.2, 0.6) * height;
    return {
      kind: 'streak',
      at: at(),
      streak: {
        kind: pick(random, ['aircraft', 'satellite', 'meteor'] as const),
        x1: x - Math.cos(angle) * reach,
        y1: y - Math.sin(angle) * reach,
        x2: x + Math.cos(angle) * reach * random(),
        y2: y + Math.sin(angle) * reach * random(),
        brightness: between(random, 120, 500),
      },
    };
  };
  const cloud = (patchiness: number): Happening => ({
    kind: 'cloud',
    from: Math.floor(between(random, 2, frames * 0.5)),
    transparency: pick(random, [
      [0.97, 0.88, 0.8, 0.6, 0.4, 0.55, 0.8, 0.97],
      [0.87, 0.78, 0.86],
      [0.98, 0.84, 0.5, 0.2, 0.08, 0.3, 0.62, 0.85],
      [0.9, 0.82, 0.9, 0.8, 0.6],
    ]),
    patchiness,
  });
  const shake = (): Happening => ({
    kind: 'shake',
    at: at(),
    length: between(random, 5.5, 10),
    angle: 180 * random(),
  });
  const knock = (): Happening => ({
    kind: 'knock',
    at: at(),
    move: {
      x: between(random, 10, 40) * pick(random, [-1, 1]),
      y: between(random, -25, 25),
      rotation: between(random, -1, 1),
    },
  });
  const soft = (): Happening => ({
    kind: 'soft',
    from: at(),
    // Widths of 1.4, 2 and 1.4 times a sigma of about 0.9 px.
    defocus: pick(random, [
      [0.95, 1.75, 0.95],
      [1.8, 1.9],
      [0.92, 0.98],
    ]),
  });
  switch (trouble) {
    case 'clear':
      return [streak()];
    case 'cloud':
      return [cloud(0.3), streak()];
    case 'patchy':
      return [cloud(0.9)];
    case 'dew':
      return [
        {
          kind: 'dew',
          from: Math.floor(frames * between(random, 0.25, 0.5)),
          sigma: between(random, 0.1, 0.16),
          loss: between(random, 0.012, 0.025),
        },
      ];
    case 'rough':
      return [
        shake(),
        knock(),
        {
          kind: 'sag',
          move: { x: between(random, -0.05, 0.05), y: between(random, 0, 0.12), rotation: 0.002 },
        },
      ];
    case 'soft':
      return [soft(), streak()];
    case 'glare':
      return [
        { kind: 'headlights', at: at(), strength: between(random, 1.2, 3) },
        { kind: 'glare', at: at(), strength: between(random, 0.6, 2) },
      ];
    case 'mixed':
      return [
        cloud(0.6),
        shake(),
        knock(),
        streak(),
        { kind: 'gap', at: at(), seconds: between(random, 60, 240) },
      ];
  }
}

/** One header in ten has a focal length 50 % off, one in twenty comes from a lens without contacts. */
function wrongHeader(random: Random, focalLengthMm: number): Pick<NightOptions, 'lens'> {
  const luck = random();
  if (luck < 0.1) return { lens: { headerFocalLengthMm: focalLengthMm * (random() < 0.5 ? 1.5 : 0.5) } };
  return luck < 0.15 ? { lens: { headerFocalLengthMm: 0 } } : {};
}

/**
 * A truth night drawn from a seed: focal length 10 to 50 mm, both hemispheres, pole, equator, core and
 * horizon, several lens forms, land or none, and one kind of trouble.
 */
export function randomNight(seed: number, options: RandomNightOptions = {}): NightScenario {
  const random = seededRandom(hash(seed, 2026));
  const { width = 1500, frames = 24 } = options;
  const height = options.height ?? Math.round(width / 3) * 2;
  const focalLengthMm = options.focalLengthMm ?? pick(random, [10, 14, 18, 24, 35, 50]);
  const latitude = pick(random, [-44, -31, -22, 5, 28, 38, 47, 60]);
  const trouble = options.trouble ?? pick(random, TROUBLES);
  const aims: readonly Aim[] = [
    'pole',
    {
      azimuth: latitude < 0 ? 0 : 180,
      altitude: 90 - Math.abs(latitude) > 75 ? 60 : 90 - Math.abs(latitude),
    },
    { azimuth: 360 * random(), altitude: between(random, 24, 60) },
    { azimuth: 360 * random(), altitude: between(random, 18, 30) },
  ];
  const exposureTime = pick(random, focalLengthMm > 30 ? [4, 6, 8] : [8, 10, 13, 15]);
  const land: Partial<LandScene> =
    random() < 0.65
      ? {
          kind: pick(random, ['plain', 'hills', 'mountains'] as const),
          skyline: between(random, 4, 10),
          trees: Math.floor(9 * random()),
        }
      : { kind: 'none' };
  // Square of the corner's distance from the axis on the plane of focal length 1; sensor 22.5 x 15 mm.
  const corner2 = (11.25 ** 2 + 7.5 ** 2) / focalLengthMm ** 2;
  const happenings = happeningsOf(random, trouble, frames, { width, height });
  return buildNight({
    name: `random-${seed}-${trouble}`,
    seed,
    // Moonless hours in different seasons.
    start: pick(random, [
      '2026-01-18T22:00:00Z',
      '2026-04-17T22:00:00Z',
      '2026-07-14T22:00:00Z',
      '2026-10-10T23:00:00Z',
    ]),
    latitude,
    longitude: between(random, -8, 8),
    width,
    height,
    frames,
    focalLengthMm,
    fNumber: pick(random, [1.8, 2.8, 3.5]),
    exposureTime,
    realExposureTime: pick(random, [exposureTime, exposureTime * 1.06]),
    cadence: exposureTime * 1.1 + pick(random, [2, 2, 20, 60, 200]),
    iso: pick(random, [1600, 3200, 6400]),
    roll: pick(random, [0, 90, -90]),
    aim: pick(random, aims),
    shape: anyShape(random, corner2),
    wholeSeconds: random() < 0.4,
    ...wrongHeader(random, focalLengthMm),
    land,
    sky: { brightness: between(random, 20.6, 21.8) },
    happenings,
    ...options.fixed,
  });
}
