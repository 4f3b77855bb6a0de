import { DARK_SKY, lensOf, TARNWICK } from './_bodies.js';
import type { NightScenario, Shot } from './night-scenario.js';

const LIGHTS = 36;
const CADENCE = 14.5;
/** The nominal 10 s of this body is a power of two: 2^(10/3). */
const REAL_TEN = 2 ** (10 / 3);

/** The run of lights, with one imperfection of each kind. */
function lights(firstTime: number): Shot[] {
  return Array.from({ length: LIGHTS }, (_, i): Shot => {
    const knocked = i >= 21;
    const veil = { 9: 0.9, 10: 0.82, 11: 0.6, 12: 0.42, 13: 0.78, 14: 0.97 }[i];
    const patchy = { 9: 0.25, 10: 0.6, 11: 0.7, 12: 0.35, 13: 0.85, 14: 0.6 }[i];
    const defocus = { 27: 0.95, 28: 1.7, 29: 1.02 }[i];
    return {
      role: 'light',
      time: firstTime + i * CADENCE,
      exposureTime: 10,
      realExposureTime: REAL_TEN,
      iso: 3200,
      temperature: 12.5 - 0.05 * i,
      // A slow sag of the head, and a knock before the 22nd frame.
      head: knocked
        ? { x: 17.5 + 0.02 * i, y: -11 + 0.03 * i, rotation: 0.42 }
        : { x: 0.02 * i, y: 0.03 * i, rotation: 0 },
      ...(veil === undefined ? {} : { cloud: { transparency: veil, patchiness: patchy! } }),
      ...(i === 17 ? { shake: { length: 7, angle: 28 } } : {}),
      ...(defocus === undefined ? {} : { defocus }),
      ...(i === 24 ? { headlights: 2.6 } : i === 25 ? { headlights: 0.9 } : {}),
      ...(i === 5
        ? { streaks: [{ kind: 'aircraft', x1: 60, y1: 905, x2: 1090, y2: -30, brightness: 520 }] }
        : i === 6
          ? { streaks: [{ kind: 'aircraft', x1: 30, y1: 300, x2: 300, y2: 60, brightness: 520 }] }
          : i === 19
            ? { streaks: [{ kind: 'satellite', x1: 210, y1: 70, x2: 640, y2: 560, brightness: 170 }] }
            : i === 31
              ? { streaks: [{ kind: 'meteor', x1: 300, y1: 640, x2: 560, y2: 830, brightness: 900 }] }
              : {}),
      ...(i === 15 ? { damage: 'truncated' } : i === 33 ? { damage: 'all-zero' } : {}),
    };
  });
}

/**
 * The demo night. Place, photographer and equipment are invented; the sky is that of 2026-08-12, a new moon,
 * 30.6 degrees south: the middle of the Milky Way stands upright in the west after midnight.
 */
export function sampleScenario(seed = 20260812): NightScenario {
  const tests: Shot[] = [
    // Focusing on a bright star: far out, nearer, there; then a trial of the framing.
    {
      role: 'test',
      time: 0,
      exposureTime: 2,
      iso: 6400,
      temperature: 15,
      defocus: 3.4,
      pointing: { azimuth: 244, altitude: 44, roll: 90 },
    },
    {
      role: 'test',
      time: 31,
      exposureTime: 2,
      iso: 6400,
      temperature: 14.6,
      defocus: 1.8,
      pointing: { azimuth: 244, altitude: 44, roll: 90 },
    },
    {
      role: 'test',
      time: 64,
      exposureTime: 2,
      iso: 6400,
      temperature: 14.2,
      pointing: { azimuth: 244, altitude: 44, roll: 90 },
    },
    {
      role: 'test',
      time: 140,
      exposureTime: 20,
      realExposureTime: 2 ** (13 / 3),
      iso: 6400,
      temperature: 13.6,
      pointing: { azimuth: 240, altitude: 34, roll: 90 },
    },
  ];
  const first = 1500;
  const end = first + LIGHTS * CADENCE;
  const darks: Shot[] = Array.from({ length: 8 }, (_, i) => ({
    role: 'dark',
    time: end + 75 + i * 11.5,
    exposureTime: 10,
    realExposureTime: REAL_TEN,
    iso: 3200,
    temperature: 10.6 - 0.02 * i,
  }));
  return {
    name: 'sample',
    seed,
    start: '2026-08-12T21:55:00Z',
    site: {
      name: 'Sandpiper Flat',
      latitude: -30.62,
      longitude: 25.13,
      altitude: 1120,
      zone: 'Africa/Johannesburg',
      utcOffsetMinutes: 120,
    },
    camera: TARNWICK,
    lens: lensOf(24, 2.8),
    pointing: { azimuth: 251, altitude: 27.5, roll: 90 },
    sky: { ...DARK_SKY, milkyWay: 1.4, lightDomes: [{ azimuth: 268, width: 24, strength: 0.8 }] },
    land: { kind: 'hills', skyline: 7.6, trees: 8, mastOffset: 8.5, brightness: 0.22 },
    shots: [...tests, ...lights(first), ...darks],
    naming: { folderSuffix: 'TARNW', filePrefix: 'TWK_', firstFolder: 100, firstNumber: 9977 },
    plan: {
      night: '2026-08-12',
      focalMm: 24,
      crop: 1.6,
      aperture: 2.8,
      iso: 3200,
      shutter: 10,
      frames: 40,
      target: 'core',
      notes: 'Milky Way upright over the mast, forty frames, eight darks at the end.',
    },
  };
}
