import { buildNight, CORE } from './build-night.js';
import type { NightScenario } from './night-scenario.js';
import { sampleScenario } from './scenario.js';

/** Every star trails 6 px everywhere: a long shutter on a long lens (P28). */
const badNight = (seed = 61): NightScenario =>
  buildNight({
    name: 'bad-night',
    seed,
    focalLengthMm: 35,
    exposureTime: 60,
    frames: 16,
    aim: { azimuth: 140, altitude: 28 },
    land: { kind: 'plain', skyline: 14 },
    sky: { brightness: 21.2 },
  });

/** Dew from the seventh frame to the end (P24). */
const dew = (seed = 71): NightScenario =>
  buildNight({
    name: 'dew',
    seed,
    frames: 24,
    aim: { azimuth: 200, altitude: 25 },
    land: { kind: 'hills', skyline: 9, trees: 5 },
    happenings: [{ kind: 'dew', from: 7, sigma: 0.12, loss: 0.018 }],
  });

/** An hour at 14 mm with barrel and mustache distortion, near the pole of the south and over mountains. */
const wideHour = (seed = 81): NightScenario =>
  buildNight({
    name: 'wide-14mm-hour',
    seed,
    focalLengthMm: 14,
    exposureTime: 20,
    realExposureTime: 20.16,
    cadence: 120,
    frames: 30,
    aim: { azimuth: 190, altitude: 33 },
    land: { kind: 'mountains', skyline: 9, trees: 4 },
    happenings: [
      { kind: 'sag', move: { x: 0.03, y: 0.08, rotation: 0.002 } },
      { kind: 'gap', at: 17, seconds: 420 },
    ],
  });

const portrait50 = (seed = 91): NightScenario =>
  buildNight({
    name: 'portrait-50mm',
    seed,
    focalLengthMm: 50,
    fNumber: 1.8,
    exposureTime: 4,
    realExposureTime: 4,
    iso: 1600,
    frames: 24,
    roll: -90,
    shape: { k1: 0.02, k2: -0.03 },
    aim: CORE,
  });

/** Finished JPEG only, the pole in the field, northern hemisphere. */
const poleJpeg = (seed = 101): NightScenario =>
  buildNight({
    name: 'pole-jpeg',
    seed,
    latitude: 47.3,
    longitude: 9.2,
    start: '2026-10-10T21:00:00Z',
    focalLengthMm: 24,
    exposureTime: 15,
    realExposureTime: 16,
    cadence: 60,
    frames: 20,
    aim: 'pole',
    output: 'jpeg',
    land: { kind: 'none' },
  });

/** The moon, past full, comes up behind the mountains. */
const moonrise = (seed = 111): NightScenario =>
  buildNight({
    name: 'moonrise',
    seed,
    start: '2026-09-02T21:20:00Z',
    focalLengthMm: 20,
    exposureTime: 15,
    realExposureTime: 16,
    cadence: 75,
    frames: 28,
    aim: { azimuth: 95, altitude: 25 },
    land: { kind: 'mountains', skyline: 8, trees: 3 },
  });

/** The run goes on into dawn (P38). */
const dawn = (seed = 121): NightScenario =>
  buildNight({
    name: 'dawn',
    seed,
    start: '2026-08-13T03:15:00Z',
    focalLengthMm: 18,
    exposureTime: 15,
    realExposureTime: 16,
    cadence: 90,
    frames: 28,
    aim: { azimuth: 70, altitude: 22 },
    land: { kind: 'hills', skyline: 6, trees: 6 },
  });

/** Clouds in patches from north-west, a third of the frame at a time (P33); northern summer, Milky Way. */
const patchyCloud = (seed = 131): NightScenario =>
  buildNight({
    name: 'patchy-cloud',
    seed,
    latitude: 44.1,
    longitude: 6.4,
    start: '2026-08-12T21:30:00Z',
    focalLengthMm: 18,
    exposureTime: 13,
    frames: 24,
    aim: { azimuth: 195, altitude: 30 },
    land: { kind: 'mountains', skyline: 8, trees: 8 },
    happenings: [
      {
        kind: 'cloud',
        from: 5,
        transparency: [0.97, 0.9, 0.82, 0.66, 0.5, 0.35, 0.55, 0.78, 0.88, 0.96],
        patchiness: 0.9,
      },
      {
        kind: 'streak',
        at: 15,
        streak: { kind: 'aircraft', x1: 20, y1: 200, x2: 1480, y2: 420, brightness: 420 },
      },
    ],
  });

/** A fisheye view looking at the equator; header without lens or focal length (P56). */
const fisheye10 = (seed = 141): NightScenario => {
  const night = buildNight({
    name: 'fisheye-10mm',
    seed,
    latitude: 12.4,
    longitude: -70,
    start: '2026-07-14T05:00:00Z',
    focalLengthMm: 10,
    exposureTime: 20,
    cadence: 60,
    frames: 20,
    shape: { projection: 'equisolid', k1: 0.01, k2: 0 },
    aim: { azimuth: 180, altitude: 50 },
    land: { kind: 'plain', skyline: 4 },
  });
  const { headerFocalLengthMm: _focal, headerFNumber: _number, ...lens } = night.lens;
  return { ...night, lens: { ...lens, model: 'manual lens' } };
};

/** All kinds of calibration frames, warm sensor, no land: for noise and defects. */
const calibration = (seed = 151): NightScenario =>
  buildNight({
    name: 'calibration',
    seed,
    frames: 16,
    darks: 8,
    flats: 8,
    biases: 8,
    temperature: 22,
    aim: { azimuth: 60, altitude: 50 },
  });

/** A knock, a shake, soft frames and headlights at 35 mm. */
const rough35 = (seed = 161): NightScenario =>
  buildNight({
    name: 'rough-35mm',
    seed,
    focalLengthMm: 35,
    exposureTime: 8,
    frames: 26,
    roll: 90,
    aim: { azimuth: 235, altitude: 30 },
    land: { kind: 'hills', skyline: 15, trees: 7, mastOffset: 4 },
    happenings: [
      { kind: 'shake', at: 4, length: 6.5, angle: 110 },
      { kind: 'knock', at: 9, move: { x: -42, y: 25, rotation: -1.1 } },
      { kind: 'soft', from: 14, defocus: [0.7, 0.95, 1.7] },
      { kind: 'headlights', at: 20, strength: 2 },
    ],
  });

/** All named nights, each from a seed (or its own default seed). */
export const SCENARIOS: Readonly<Record<string, (seed?: number) => NightScenario>> = {
  sample: sampleScenario,
  'bad-night': badNight,
  dew,
  'wide-14mm-hour': wideHour,
  'portrait-50mm': portrait50,
  'pole-jpeg': poleJpeg,
  moonrise,
  dawn,
  'patchy-cloud': patchyCloud,
  'fisheye-10mm': fisheye10,
  calibration,
  'rough-35mm': rough35,
};
