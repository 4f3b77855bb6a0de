import type { Scene } from './_truth.js';

/** A truth night with what was told of it and what it must reach. */
export interface Case {
  readonly name: string;
  readonly scene: Scene;
  /** Focal length of the header over the true one; undefined = no header. */
  readonly header?: number | undefined;
  /** Bounds, px: over the frame and over its outer tenth. */
  readonly rms: number;
  readonly outer: number;
}

const ENOUGH = { rms: 0.03, outer: 0.06 };
const MISMATCH = { rms: 0.08, outer: 0.15 };
const FEW = { rms: 0.1, outer: 0.15 };

/**
 * The nights of issue 7: six focal lengths on two sensors; spans from 20 s to 90 min; pole, equator and
 * horizon; both hemispheres; lenses of the model's form and of others; sag, knock, gap, cloud; wrong or
 * missing headers; a third of the detections false.
 */
export function grid(seed: number): Case[] {
  const cases: Case[] = [];
  let n = 0;
  const add = (name: string, change: Partial<Scene>, rest: Omit<Case, 'name' | 'scene'>) => {
    const full = n % 2 === 1;
    const scene: Scene = {
      seed: seed * 1000 + n++,
      focalMm: 24,
      sensorMm: full ? 36 : 22.3,
      width: full ? 6000 : 5184,
      height: full ? 4000 : 3456,
      latitude: 45,
      azimuth: 170,
      altitude: 40,
      frames: 30,
      cadence: 20,
      stars: 120,
      refraction: true,
      ...change,
    };
    cases.push({ name, scene, ...rest });
  };
  for (const focalMm of [10, 14, 18, 24, 35, 50]) {
    for (const [place, where] of [
      ['equator', { azimuth: 180, altitude: 45 }],
      ['pole', { azimuth: 3, altitude: 47 }],
      ['horizon', { azimuth: 200, altitude: focalMm < 20 ? 22 : 15 }],
      ['south', { latitude: -30, azimuth: 160, altitude: 55 }],
    ] as const) {
      add(
        `${focalMm} mm ${place}`,
        { focalMm, ...where, distortion: -0.03, frames: 36, cadence: 40 },
        { header: 1, ...ENOUGH },
      );
    }
    add(
      `${focalMm} mm 60 stars, a third false`,
      { focalMm, stars: 60, falseShare: 0.33 },
      { header: 1.05, ...ENOUGH },
    );
    add(`${focalMm} mm 20 s`, { focalMm, frames: 3, cadence: 10 }, { header: 1, ...ENOUGH });
    add(
      `${focalMm} mm 90 min`,
      { focalMm, frames: 45, cadence: 120, distortion: 0.02 },
      { header: 0.97, ...ENOUGH },
    );
    add(`${focalMm} mm header 50 % off`, { focalMm, falseShare: 0.2 }, { header: 1.5, ...ENOUGH });
    add(`${focalMm} mm no header`, { focalMm, roll: 90 }, { header: undefined, ...ENOUGH });
    add(`${focalMm} mm sag`, { focalMm, sag: 5, cadence: 60 }, { header: 1, ...ENOUGH });
    add(`${focalMm} mm knock`, { focalMm, knock: [13, 30] }, { header: 1, ...ENOUGH });
    add(`${focalMm} mm gap`, { focalMm, gap: [10, 40], frames: 64 }, { header: 1, ...ENOUGH });
    add(`${focalMm} mm cloud`, { focalMm, cloud: [8, 12] }, { header: 1, ...ENOUGH });
    add(`${focalMm} mm 8 % brown`, { focalMm, distortion: -0.08, cadence: 60 }, { header: 1, ...ENOUGH });
    add(
      `${focalMm} mm 8 % division`,
      { focalMm, distortion: -0.08, form: 'division', cadence: 60 },
      { header: 1, ...MISMATCH },
    );
    add(
      `${focalMm} mm 8 % higher, decentred`,
      { focalMm, distortion: -0.08, form: 'higher', cadence: 60, center: [12, -9] },
      { header: 1, ...MISMATCH },
    );
    add(`${focalMm} mm 12 stars`, { focalMm, stars: 12 }, { header: 1, ...FEW });
    add(
      `${focalMm} mm 12 stars, a third false`,
      { focalMm, stars: 12, falseShare: 0.33, distortion: -0.03 },
      { header: 0.7, ...FEW },
    );
  }
  return cases;
}
