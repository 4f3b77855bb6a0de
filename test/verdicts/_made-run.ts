import type { Alignment } from '../../src/alignment/index.js';
import { gaussian, makeStarTable, seededRandom } from '../../src/core/index.js';
import { type JudgeInput, judgeRun, type RunJudgement } from '../../src/verdicts/index.js';

const WIDTH = 1500;
const HEIGHT = 1000;
const TRACKS = 120;

/** What one frame of a made run went through; absent = nothing. */
export interface MadeFrame {
  /** Share of starlight, whole frame, and what the right half gets of that. */
  readonly clear?: number;
  readonly right?: number;
  /** Factor on the width of every star. */
  readonly wide?: number;
  /** Length of a smear across the sky's motion, px. */
  readonly smear?: number;
  /** Factors on the level of sky and land. */
  readonly sky?: number;
  readonly land?: number;
  readonly exposureTime?: number;
  readonly sunAltitude?: number;
  readonly moonAltitude?: number;
  readonly fitted?: boolean;
  /** Stars found, when fewer than all. */
  readonly stars?: number;
  readonly unreadable?: boolean;
}

/** A run made by hand, without alignment or pixels: star shapes, fluxes and levels as told, 2 % scatter. */
export function madeRun(frames: readonly MadeFrame[]): JudgeInput {
  const random = seededRandom(17);
  const scatter = () => 1 + 0.02 * gaussian(random);
  const places = Array.from({ length: TRACKS }, () => ({
    x: 20 + random() * (WIDTH - 40),
    y: 20 + random() * (HEIGHT - 40),
    bright: 3000 * 10 ** (1.5 * random()),
  }));
  const flux = new Float32Array(frames.length * TRACKS);
  const x = new Float32Array(flux.length);
  const y = new Float32Array(flux.length);
  const trackRows = new Int32Array(flux.length).fill(-1);
  const judge = frames.map((made, i) => {
    const exposure = made.exposureTime ?? 10;
    const count = Math.min(TRACKS, made.stars ?? TRACKS);
    const stars = makeStarTable(count);
    places.forEach((place, k) => {
      x[i * TRACKS + k] = place.x;
      y[i * TRACKS + k] = place.y;
      const cloud = (made.clear ?? 1) * (place.x > WIDTH / 2 ? (made.right ?? 1) : 1);
      flux[i * TRACKS + k] = place.bright * cloud * (exposure / 10) * scatter();
    });
    const sigma = 1.1 * (made.wide ?? 1);
    const major = Math.sqrt(sigma ** 2 + (made.smear ?? 0) ** 2 / 12);
    for (let k = 0; k < count; k++) {
      trackRows[i * TRACKS + k] = k;
      stars.x[k] = places[k]!.x;
      stars.y[k] = places[k]!.y;
      stars.snr[k] = 50;
      stars.flux[k] = flux[i * TRACKS + k]!;
      stars.fwhm[k] = 2.3548 * Math.sqrt((major ** 2 + sigma ** 2) / 2);
      stars.fwhmMinor[k] = 2.3548 * sigma;
      stars.elongation[k] = major / sigma;
      stars.theta[k] = 90;
    }
    const level = exposure * 50;
    return {
      id: `f${i}`,
      exposureTime: exposure,
      ...(made.sunAltitude === undefined ? {} : { sunAltitude: made.sunAltitude }),
      ...(made.moonAltitude === undefined ? {} : { moonAltitude: made.moonAltitude, moonIllumination: 0.8 }),
      ...(made.unreadable
        ? {}
        : {
            measurement: {
              width: WIDTH,
              height: HEIGHT,
              stars,
              fwhm: stars.fwhm[0] ?? Number.NaN,
              fwhmMinor: stars.fwhmMinor[0] ?? Number.NaN,
              elongation: stars.elongation[0] ?? Number.NaN,
              trailLength: made.smear ?? 0,
              trailAngle: 90,
              background: level * (made.sky ?? 1),
              landLevel: 0.3 * level * (made.land ?? 1),
              noise: 20,
              zones: [],
              streaks: [],
              clippedShare: 0,
            },
          }),
    };
  });
  return {
    frames: judge,
    alignment: madeAlignment(frames, trackRows),
    photometry: { trackCount: TRACKS, flux, x, y },
  };
}

/** The pole at the middle of the field: the sky itself trails nowhere near it. */
function madeAlignment(frames: readonly MadeFrame[], trackRows: Int32Array): Alignment {
  return {
    width: WIDTH,
    height: HEIGHT,
    method: 'sky-motion',
    referenceIndex: 0,
    model: {
      lens: {
        projection: 'rectilinear',
        focalLengthPx: 1600,
        centerX: (WIDTH - 1) / 2,
        centerY: (HEIGHT - 1) / 2,
        k1: 0,
        k2: 0,
      },
      pole: [0, 0, 1],
      lowOrder: [0, 0, 0, 0],
    },
    frames: frames.map((made, i) => ({
      id: `f${i}`,
      status: made.fitted === false || made.unreadable ? 'left-out' : 'fitted',
      ...(made.fitted === false ? { reason: 'No turn brings its stars onto the others.' } : {}),
      segment: 0,
      rotation: [1, 0, 0, 0, 1, 0, 0, 0, 1],
      rms: 0.1,
      cornerRms: 0.1,
      matched: TRACKS,
      offset: { x: 0, y: 0, rotation: 0 },
      headMotion: { x: 0, y: 0, rotation: 0 },
    })),
    segmentCount: 1,
    rms: 0.1,
    cornerRms: 0.1,
    zones: [],
    trackCount: TRACKS,
    trackRows,
    notes: [],
  };
}

/** Judges frames made by hand. */
export const judgeMade = (frames: readonly MadeFrame[]): RunJudgement => judgeRun(madeRun(frames));

/** Judges them by the stars of the left third alone. */
export function judgeLeft(frames: readonly MadeFrame[]): RunJudgement {
  const input = madeRun(frames);
  const stars = Uint8Array.from({ length: TRACKS }, (_, k) => (input.photometry.x[k]! < WIDTH / 3 ? 1 : 0));
  return judgeRun({ ...input, interest: { name: 'the galactic center', radius: 10, stars } });
}
