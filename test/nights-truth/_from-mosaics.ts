import { predictedPositions } from '../../src/alignment/index.js';
import { type Mask, STAR_FLAGS, type StarTable } from '../../src/core/index.js';
import { moonIllumination } from '../../src/sky/index.js';
import {
  decimate,
  defectsOfRun,
  detectionPlane,
  firstLandMask,
  measureFrame,
} from '../../src/stars/index.js';
import { type JudgeFrame, type JudgeInput, judgeRun, weighStars } from '../../src/verdicts/index.js';
import { type NightScenario, simulateNight } from '../support/synthetic-sky.js';
import { airmassAt, alignFrames, alignRunOf, type JudgedRun } from '../verdicts/_from-tables.js';

const SAMPLES = 8;

/** Judges the lights of a simulated night from rendered mosaics, in the measuring stage's order (workflow/measure.ts). */
export function judgeMosaics(scenario: NightScenario): JudgedRun {
  const night = simulateNight(scenario);
  const lights = night.frames.filter((frame) => frame.truth.role === 'light' && !frame.shot.damage);
  const { width, height } = scenario.camera;
  // Rendering is the slow part: each mosaic is made once and kept.
  const mosaics = lights.map((frame) => frame.pixels());
  const count = Math.min(SAMPLES, lights.length);
  const picked = Array.from({ length: count }, (_, i) => Math.floor(((i + 0.5) * lights.length) / count));
  const collector = defectsOfRun({ share: 0.6 });
  const samples = picked.map((i) => {
    const pixels = mosaics[i]!;
    collector.accumulate(pixels);
    const plane = detectionPlane(pixels);
    const { stars } = measureFrame(plane, { ...optionsFor(pixels.whiteLevel[1], undefined), streaks: false });
    return { small: decimate(plane, Math.max(1, Math.ceil(Math.max(width, height) / 1000))), stars };
  });
  const defects = collector.finish();
  const mask = firstLandMask({
    width,
    height,
    planes: samples.map((sample) => sample.small),
    starTables: samples.map((sample) => sample.stars),
    orientation: lights[0]!.header.orientation ?? 1,
  });
  const measured = mosaics.map((pixels) => {
    return measureFrame(detectionPlane(pixels, defects), optionsFor(pixels.whiteLevel[1], mask));
  });
  const alignment = alignRunOf(
    night,
    alignFrames(
      lights,
      measured.map(({ stars }) => flagLand(stars, mask)),
    ),
  );
  const { trackCount } = alignment;
  const flux = new Float32Array(lights.length * trackCount).fill(Number.NaN);
  const xs = new Float32Array(flux.length).fill(Number.NaN);
  const ys = new Float32Array(flux.length).fill(Number.NaN);
  lights.forEach((_, i) => {
    if (alignment.frames[i]!.status !== 'fitted') return;
    const pixels = mosaics[i]!;
    const plane = detectionPlane(pixels, defects);
    const { x, y } = predictedPositions(alignment, i);
    xs.set(x, i * trackCount);
    ys.set(y, i * trackCount);
    const found = weighStars(
      plane,
      { x, y },
      { fwhm: measured[i]!.fwhm, mask, saturation: pixels.whiteLevel[1] },
    );
    flux.set(found, i * trackCount);
  });
  const frames: JudgeFrame[] = lights.map((frame, i) => ({
    id: `f${String(i).padStart(3, '0')}`,
    measurement: measured[i]!,
    exposureTime: frame.truth.realExposureTime,
    sunAltitude: frame.truth.sunAltitude,
    moonAltitude: frame.truth.moonAltitude,
    moonIllumination: moonIllumination(new Date(frame.truth.start)).illumination,
  }));
  const places = { x: xs, y: ys };
  const air = airmassAt(night, alignment, lights[0]!.header.orientation, places);
  const input: JudgeInput = { frames, alignment, photometry: { trackCount, flux, ...places, ...air } };
  return { night, lights, alignment, input, judgement: judgeRun(input) };
}

const optionsFor = (saturation: number, mask: Mask | undefined) => ({
  saturation,
  quantization: 1,
  maxStars: 800,
  ...(mask ? { mask } : {}),
});

function flagLand(stars: StarTable, mask: Mask | undefined): StarTable {
  if (!mask) return stars;
  const flags = Uint16Array.from(stars.flags, (flag, i) =>
    mask.data[Math.round(stars.y[i]!) * mask.width + Math.round(stars.x[i]!)] === 1
      ? flag | STAR_FLAGS.ON_LAND.bit
      : flag,
  );
  return { ...stars, flags };
}
