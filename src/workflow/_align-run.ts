import {
  type AlignFrame,
  type Alignment,
  alignSequence,
  type LensModel,
  rememberedLens as lensOf,
} from '../alignment/index.js';
import { DataError, type FrameHeader, type Mask, STAR_FLAGS, type StarTable } from '../core/index.js';
import { type FrameRecord, rememberedLens, rememberLens, type SessionRecord } from '../library/index.js';
import { moonIllumination, moonPosition, sunPosition } from '../sky/index.js';
import type { FrameMeasurement } from '../stars/index.js';
import type { JudgeFrame } from '../verdicts/index.js';
import { type RunWork, workingExposure } from './_measure-work.js';
import type { MeasureResult } from './measure-worker.js';

/** Focal length in px as far as the header tells. */
export function focalLengthPx(header: FrameHeader, width: number, height: number): number | undefined {
  const { focalLengthMm, focalLength35Mm, pixelPitchUm } = header;
  if (focalLengthMm !== undefined && pixelPitchUm !== undefined) return (focalLengthMm * 1000) / pixelPitchUm;
  // The 35 mm equivalent compares diagonals: 43.267 mm for 36 x 24 mm. @source CIPA DC-008, tag 0xA405
  if (focalLength35Mm !== undefined)
    return (focalLength35Mm * Math.hypot(width, height)) / Math.hypot(36, 24);
  return undefined;
}

function lensKey(header: FrameHeader): { body: string; lens: string; focalLengthMm: number } | undefined {
  const body = header.serial ?? header.camera;
  if (body === undefined || header.focalLengthMm === undefined) return undefined;
  return { body, lens: header.lens ?? 'lens not named', focalLengthMm: header.focalLengthMm };
}

interface AlignedFrame {
  readonly judge: JudgeFrame;
}

export function alignRun(
  work: RunWork,
  sound: readonly FrameRecord[],
  measured: readonly (MeasureResult | undefined)[],
  mask: Mask | undefined,
): { alignment: Alignment; frames: AlignedFrame[] } {
  const { library, session, sequence, config } = work;
  const example = measured.find((result) => result !== undefined)?.measurement;
  if (!example) throw new DataError('NO_PIXELS', 'No frame of the run could be read.');
  const { width, height } = example;
  const origin = sound.find((record) => record.takenMs !== undefined)?.takenMs ?? 0;
  const frames: AlignFrame[] = sound.map((record, i) => {
    const exposure = workingExposure(record.header, sequence);
    const measurement = measured[i]?.measurement;
    const fits = measurement && measurement.width === width && measurement.height === height;
    const stars = fits ? flagLand(measurement.stars, mask) : emptyTable();
    return {
      id: record.id,
      stars,
      ...(record.takenMs === undefined
        ? {}
        : { time: (record.takenMs - origin) / 1000 + (exposure ?? 0) / 2 }),
      ...(exposure === undefined ? {} : { exposureTime: exposure }),
    };
  });
  const header = sound[0]!.header;
  const key = lensKey(header);
  const prior = key ? rememberedLens<LensModel>(library, key) : undefined;
  const focal = focalLengthPx(header, width, height);
  const latitude = session.site?.latitude;
  const reference =
    config.reference === undefined
      ? middleReference(measured)
      : sound.findIndex((record) => record.id === config.reference);
  work.context.progress({ task: 'aligning the sky', done: 0, total: 1, unit: 'steps' });
  const alignment = alignSequence(frames, {
    width,
    height,
    ...(focal === undefined ? {} : { focalLengthPx: focal }),
    ...(prior === undefined ? {} : { lensPrior: prior }),
    ...(latitude === undefined ? {} : { latitude }),
    ...(header.orientation === undefined ? {} : { orientation: header.orientation }),
    ...(reference < 0 ? {} : { referenceIndex: reference }),
    seed: 1,
  });
  work.context.progress({ task: 'aligning the sky', done: 1, total: 1, unit: 'steps' });
  const lens = lensOf(alignment);
  if (key && lens) rememberLens(library, key, lens);
  return {
    alignment,
    frames: sound.map((record, i) => ({
      judge: judgeFrame(record, measured[i]?.measurement, frames[i]!.exposureTime, session),
    })),
  };
}

/** The middle frame, or the one near it with an ordinary number of stars: a clouded reference helps nobody. */
function middleReference(measured: readonly (MeasureResult | undefined)[]): number {
  const counts = measured.map((result) => result?.measurement.stars.count ?? 0);
  const widths = measured.map((result) => result?.measurement.fwhm ?? Number.POSITIVE_INFINITY);
  const typical = [...counts].sort((a, b) => b - a)[Math.floor(counts.length / 3)]!;
  const sharp = [...widths].sort((a, b) => a - b)[Math.floor(widths.length / 2)]!;
  const middle = (counts.length - 1) / 2;
  let best = Math.floor(middle);
  let distance = Number.POSITIVE_INFINITY;
  counts.forEach((count, i) => {
    if (count < 0.8 * typical || widths[i]! > 1.1 * sharp) return;
    if (Math.abs(i - middle) < distance) {
      distance = Math.abs(i - middle);
      best = i;
    }
  });
  return best;
}

function emptyTable(): StarTable {
  const none = new Float32Array(0);
  return {
    count: 0,
    x: new Float64Array(0),
    y: new Float64Array(0),
    flux: none,
    peak: none,
    background: none,
    snr: none,
    fwhm: none,
    fwhmMinor: none,
    elongation: none,
    theta: none,
    trailLength: none,
    positionError: none,
    flags: new Uint16Array(0),
  };
}

/** Marks stars that lie on land, so that the alignment leaves them alone. */
function flagLand(stars: StarTable, mask: Mask | undefined): StarTable {
  if (!mask) return stars;
  const flags = Uint16Array.from(stars.flags);
  for (let i = 0; i < stars.count; i++) {
    const x = Math.round(stars.x[i]!);
    const y = Math.round(stars.y[i]!);
    if (x < 0 || y < 0 || x >= mask.width || y >= mask.height) continue;
    if (mask.data[y * mask.width + x] === 1) flags[i]! |= STAR_FLAGS.ON_LAND.bit;
  }
  return { ...stars, flags };
}

function judgeFrame(
  record: FrameRecord,
  measurement: FrameMeasurement | undefined,
  exposureTime: number | undefined,
  session: SessionRecord,
): JudgeFrame {
  const { latitude, longitude } = session.site ?? {};
  const sky: { sunAltitude?: number; moonAltitude?: number; moonIllumination?: number } = {};
  if (record.takenMs !== undefined && latitude !== undefined && longitude !== undefined) {
    const middle = new Date(record.takenMs + 500 * (exposureTime ?? 0));
    sky.sunAltitude = sunPosition(middle, { latitude, longitude }).altitude;
    sky.moonAltitude = moonPosition(middle, { latitude, longitude }).altitude;
    sky.moonIllumination = moonIllumination(middle).illumination;
  }
  return {
    id: record.id,
    ...(measurement === undefined ? {} : { measurement }),
    ...(exposureTime === undefined ? {} : { exposureTime }),
    ...sky,
  };
}
