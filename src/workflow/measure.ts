import { mkdir, writeFile } from 'node:fs/promises';
import { dirname } from 'node:path';
import {
  type AlignFrame,
  type Alignment,
  alignSequence,
  type LensModel,
  rememberedLens as lensOf,
  predictedPositions,
} from '../alignment/index.js';
import {
  DataError,
  type FrameHeader,
  InputError,
  type Mask,
  median,
  NightcairnError,
  packStarTable,
  STAR_FLAGS,
  type StarTable,
  throwIfCancelled,
} from '../core/index.js';
import { compiledUrl, createWorkerPool, type WorkerPool } from '../kernels/index.js';
import {
  type FrameRecord,
  findSequences,
  framePath,
  framesOf,
  type Library,
  openLibrary,
  rememberedLens,
  rememberLens,
  type SequenceRecord,
  type SessionRecord,
  saveAlignment,
  saveMeasurements,
  starTablePath,
} from '../library/index.js';
import { airmass, moonIllumination, moonPosition, sunPosition } from '../sky/index.js';
import { type FrameMeasurement, firstLandMask } from '../stars/index.js';
import {
  altitudeAt,
  type JudgeFrame,
  judgeRun,
  type RunJudgement,
  type VerdictLimits,
  zenithInCamera,
} from '../verdicts/index.js';
import { type RunFolder, runFolder, saveAlignmentFile, saveDefects, saveMask } from './_run-folder.js';
import { withoutUnknown } from './_unknown.js';
import type { WorkflowContext } from './context.js';
import type {
  DefectsTask,
  MeasureResult,
  MeasureTask,
  PhotometryTask,
  SampleResult,
  SampleTask,
} from './measure-worker.js';

/** Settings of the measure stage. */
export interface MeasureConfig {
  /** Frames of a run looked at first, for land and defects; more finds fainter defects, fewer is faster. */
  readonly sampleFrames: number;
  /** Long side of the pictures that the land mask is found on, px. */
  readonly sampleLongSide: number;
  /** Share of the sampled frames in which a pixel must stand out to be called a defect. */
  readonly defectShare: number;
  /** Limits of the verdicts that differ from the defaults. */
  readonly limits: Partial<VerdictLimits>;
  /** Index of the reference frame by id; default the middle of the run. */
  readonly reference?: string;
}

export const MEASURE_DEFAULTS: MeasureConfig = {
  sampleFrames: 8,
  sampleLongSide: 1000,
  defectShare: 0.6,
  limits: {},
};

/** What became of one sequence. */
export interface MeasuredRun {
  readonly sequenceId: string;
  readonly outcome: 'done' | 'nothing-to-do' | 'unusable' | 'failed';
  readonly reason?: string;
  readonly alignment?: Alignment;
  readonly judgement?: RunJudgement;
}

const workerUrl = () => compiledUrl(import.meta.url, './measure-worker.js');

/**
 * Measures the lights of a session or of one sequence: stars, land, defects, alignment, verdicts. Results go to
 * the catalogue and to the night's `measure` folder; a person's own verdicts stay.
 *
 * @param target session or sequence (`latest`, an id, a date)
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when it holds no lights
 */
export async function measure(
  context: WorkflowContext,
  target: string,
  config: Partial<MeasureConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly runs: readonly MeasuredRun[] }> {
  const settings = { ...MEASURE_DEFAULTS, ...config };
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  const pool = createWorkerPool(workerUrl(), context.workers);
  try {
    const { session, sequences, one } = findSequences(library, target);
    const lights = sequences.filter((sequence) => sequence.role === 'light' || one);
    if (lights.length === 0) {
      throw new InputError('NOTHING_TO_DO', `Session ${session.id} holds no lights to measure.`);
    }
    const runs: MeasuredRun[] = [];
    for (const sequence of lights) {
      throwIfCancelled(context.signal);
      runs.push(await measureRun({ context, library, pool, session, sequence, config: settings }));
    }
    return { session, runs };
  } finally {
    await pool.close();
    library.close();
  }
}

interface RunWork {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
  readonly config: MeasureConfig;
}

async function measureRun(work: RunWork): Promise<MeasuredRun> {
  const { library, session, sequence } = work;
  const records = framesOf(library, sequence.id);
  const sound = records.filter((record) => record.sound);
  if (sound.length === 0) {
    saveVerdicts(
      library,
      records.map((record) => ({ id: record.id, verdict: 'drop', reasons: [UNREADABLE] })),
    );
    return { sequenceId: sequence.id, outcome: 'unusable', reason: 'No frame of it can be read.' };
  }
  try {
    const folder = runFolder(library.dir, session, sequence);
    await mkdir(folder.dir, { recursive: true });
    const first = await lookFirst(work, sound, folder);
    const measured = await measureAll(work, sound, folder, first);
    const { alignment, frames } = alignRun(work, sound, measured, first.mask);
    await saveAlignmentFile(folder.alignment, alignment);
    const flux = await photometryOf(work, sound, measured, alignment, first);
    const judged = judgeRun({
      frames: frames.map(({ judge }) => judge),
      alignment,
      photometry: flux,
      limits: work.config.limits,
    });
    await storeRun(work, records, sound, measured, alignment, judged);
    return { sequenceId: sequence.id, outcome: 'done', alignment, judgement: judged };
  } catch (error) {
    if (error instanceof DataError || (error instanceof NightcairnError && error.code === 'NO_STARS')) {
      return { sequenceId: sequence.id, outcome: 'unusable', reason: error.message };
    }
    throw error;
  }
}

interface FirstLook {
  readonly mask: Mask | undefined;
  readonly defects: Uint32Array;
  readonly levels: SampleResult['levels'] | undefined;
}

/** Looks at a few frames spread over the run: where the land is, which pixels are always wrong. */
async function lookFirst(
  work: RunWork,
  sound: readonly FrameRecord[],
  folder: RunFolder,
): Promise<FirstLook> {
  const { context, library, pool, config } = work;
  const count = Math.min(config.sampleFrames, sound.length);
  const picked = Array.from(
    { length: count },
    (_, i) => sound[Math.floor(((i + 0.5) * sound.length) / count)]!,
  );
  const paths = picked.map((record) => framePath(library, record));
  let done = 0;
  const [found, ...looked] = await Promise.all([
    pool.run<Uint32Array>('defects', { paths, share: config.defectShare } satisfies DefectsTask, {
      signal: context.signal,
    }),
    ...paths.map(async (path) => {
      const sample = await usable(
        pool.run<SampleResult>('sample', { path, longSide: config.sampleLongSide } satisfies SampleTask, {
          signal: context.signal,
        }),
      );
      context.progress({ task: 'looking for land and defects', done: ++done, total: count, unit: 'frames' });
      return sample;
    }),
  ]);
  const defects = found as Uint32Array;
  const readable = (looked as (SampleResult | undefined)[]).filter((sample) => sample !== undefined);
  const samples = readable.filter(
    (sample) => sample.width === readable[0]!.width && sample.height === readable[0]!.height,
  );
  if (samples.length === 0) return { mask: undefined, defects, levels: undefined };
  const orientation = sound[0]!.header.orientation;
  const mask = firstLandMask({
    width: samples[0]!.width,
    height: samples[0]!.height,
    planes: samples.map((sample) => sample.small),
    starTables: samples.map((sample) => sample.stars),
    ...(orientation === undefined ? {} : { orientation }),
  });
  await saveDefects(folder.defects, defects);
  if (mask) await saveMask(folder.mask, mask);
  return { mask, defects, levels: middleLevels(samples) };
}

function middleLevels(samples: readonly SampleResult[]): SampleResult['levels'] {
  const sorted = [...samples].sort((a, b) => a.levels.sky[1] - b.levels.sky[1]);
  return sorted[Math.floor(sorted.length / 2)]!.levels;
}

/** A frame that cannot be read is not the run's failure; anything else is. */
async function usable<T>(promise: Promise<T>): Promise<T | undefined> {
  try {
    return await promise;
  } catch (error) {
    if (error instanceof NightcairnError && error.name !== 'Cancelled' && error.name !== 'StorageError')
      return undefined;
    throw error;
  }
}

async function measureAll(
  work: RunWork,
  sound: readonly FrameRecord[],
  folder: RunFolder,
  first: FirstLook,
): Promise<(MeasureResult | undefined)[]> {
  const { context, library, pool, session } = work;
  let done = 0;
  return Promise.all(
    sound.map(async (record) => {
      const result = await usable(
        pool.run<MeasureResult>(
          'measure',
          {
            path: framePath(library, record),
            mask: first.mask,
            defects: first.defects,
            levels: first.levels,
            previewPath: folder.preview(record.id),
          } satisfies MeasureTask,
          { signal: context.signal },
        ),
      );
      if (result) {
        const path = starTablePath(library.dir, session.folder, record.id);
        await mkdir(dirname(path), { recursive: true });
        await writeFile(path, packStarTable(result.measurement.stars));
      }
      context.progress({ task: 'measuring stars', done: ++done, total: sound.length, unit: 'frames' });
      return result;
    }),
  );
}

/** Exposure that a frame really had: the header's, corrected by what the run's cadence told (P03). */
function workingExposure(header: FrameHeader, sequence: SequenceRecord): number | undefined {
  const { realExposureTime, exposureTime } = sequence;
  if (header.exposureTime === undefined) return realExposureTime;
  if (realExposureTime === undefined || exposureTime === undefined) return header.exposureTime;
  return (header.exposureTime * realExposureTime) / exposureTime;
}

/** Focal length in px as far as the header tells. */
function focalLengthPx(header: FrameHeader, width: number, height: number): number | undefined {
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

const EMPTY_MEASURE = { starCount: 0 } as const;

function alignRun(
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

async function photometryOf(
  work: RunWork,
  sound: readonly FrameRecord[],
  measured: readonly (MeasureResult | undefined)[],
  alignment: Alignment,
  first: FirstLook,
) {
  const { context, library, pool } = work;
  const { trackCount } = alignment;
  const flux = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  const xs = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  const ys = new Float32Array(sound.length * trackCount).fill(Number.NaN);
  if (trackCount === 0) return { trackCount, flux, x: xs, y: ys };
  let done = 0;
  await Promise.all(
    sound.map(async (record, i) => {
      const measurement = measured[i]?.measurement;
      if (measurement && alignment.frames[i]?.status === 'fitted') {
        const { x, y } = predictedPositions(alignment, i);
        const found = await usable(
          pool.run<Float32Array>(
            'photometry',
            {
              path: framePath(library, record),
              mask: first.mask,
              defects: first.defects,
              x: Float32Array.from(x),
              y: Float32Array.from(y),
              // The same share of a star's light in every frame, sharp or soft: the aperture follows its width.
              radius: Math.min(20, Math.max(2, 1.3 * measurement.fwhm)),
            } satisfies PhotometryTask,
            { signal: context.signal },
          ),
        );
        if (found) flux.set(found, i * trackCount);
        xs.set(x, i * trackCount);
        ys.set(y, i * trackCount);
      }
      context.progress({
        task: 'weighing the light of each star',
        done: ++done,
        total: sound.length,
        unit: 'frames',
      });
    }),
  );
  if (work.sequence.bracketed && measured.some((result) => result?.curved === true)) {
    levelBracket(flux, trackCount, exposures(sound));
  }
  return { trackCount, flux, x: xs, y: ys, ...airmassOf(work, sound, alignment, { x: xs, y: ys }) };
}

const exposures = (sound: readonly FrameRecord[]): (number | undefined)[] =>
  sound.map((record) => record.header.exposureTime);

/**
 * A camera's JPEG curve is not undone well enough to compare star light between two shutters: within a bracket
 * the fluxes of each shutter are brought to a common level first, so that a longer frame is not taken for a
 * clearer sky. Cloud that lasts for all frames of one shutter cannot be told then.
 */
function levelBracket(
  flux: Float32Array,
  trackCount: number,
  shutters: readonly (number | undefined)[],
): void {
  const levelOf = (members: readonly number[]) => {
    const ratios: number[] = [];
    for (let k = 0; k < trackCount; k++) {
      const all = shutters.map((_, i) => flux[i * trackCount + k]! / (shutters[i] ?? 1));
      const own = members.map((i) => all[i]!);
      ratios.push(median(own) / median(all));
    }
    return median(ratios);
  };
  for (const shutter of new Set(shutters)) {
    const members = shutters.flatMap((other, i) => (other === shutter ? [i] : []));
    const level = levelOf(members);
    if (!(level > 0)) continue;
    for (const i of members) {
      for (let k = 0; k < trackCount; k++) flux[i * trackCount + k]! /= level;
    }
  }
}

/** Air mass at every predicted place, where pole and latitude tell where the zenith is. */
function airmassOf(
  work: RunWork,
  sound: readonly FrameRecord[],
  alignment: Alignment,
  places: { readonly x: Float32Array; readonly y: Float32Array },
): { readonly airmass?: Float32Array } {
  const latitude = work.session.site?.latitude;
  if (latitude === undefined) return {};
  const zenith = zenithInCamera(alignment, { latitude, orientation: sound[0]!.header.orientation });
  if (!zenith) return {};
  return {
    airmass: places.x.map((x, i) => airmass(altitudeAt(alignment, zenith, x, places.y[i]!)) ?? Number.NaN),
  };
}

const UNREADABLE = { code: 'unreadable', text: 'The picture could not be read from the file.' } as const;

function saveVerdicts(
  library: Library,
  all: readonly { id: string; verdict: 'drop'; reasons: readonly (typeof UNREADABLE)[] }[],
): void {
  saveMeasurements(
    library,
    all.map(({ id, verdict, reasons }) => ({ frameId: id, verdict, reasons, ...EMPTY_MEASURE })),
  );
}

async function storeRun(
  work: RunWork,
  records: readonly FrameRecord[],
  sound: readonly FrameRecord[],
  measured: readonly (MeasureResult | undefined)[],
  alignment: Alignment,
  judged: RunJudgement,
): Promise<void> {
  const { library, sequence } = work;
  const broken = records.filter((record) => !record.sound);
  saveVerdicts(
    library,
    broken.map((record) => ({ id: record.id, verdict: 'drop', reasons: [UNREADABLE] })),
  );
  saveMeasurements(
    library,
    sound.map((record, i) => {
      const measurement = measured[i]?.measurement;
      const judgement = judged.frames[i]!;
      const fit = alignment.frames[i];
      return {
        frameId: record.id,
        verdict: judgement.verdict,
        reasons: judgement.reasons,
        remarks: judgement.remarks,
        ...(measurement
          ? {
              starCount: measurement.stars.count,
              fwhm: measurement.fwhm,
              fwhmMinor: measurement.fwhmMinor,
              elongation: measurement.elongation,
              trailAngle: measurement.trailAngle,
              trailLength: judgement.trailLength ?? measurement.trailLength,
              background: measurement.background,
              noise: measurement.noise,
            }
          : EMPTY_MEASURE),
        predictedTrail: judgement.predictedTrail ?? Number.NaN,
        extraTrail: judgement.extraTrail ?? Number.NaN,
        transparency: judgement.transparency ?? Number.NaN,
        cloudCover: judgement.cloudCover ?? Number.NaN,
        fwhmRatio: judgement.fwhmRatio ?? Number.NaN,
        weight: judgement.weight,
        ...(fit?.status === 'fitted'
          ? {
              offsetX: fit.offset.x,
              offsetY: fit.offset.y,
              offsetRotation: fit.offset.rotation,
              segment: fit.segment,
            }
          : {}),
        extra: {
          landLevel: measurement?.landLevel,
          clippedShare: measurement?.clippedShare,
          zones: measurement?.zones,
          streaks: measurement?.streaks,
          zoneTransparency: judgement.zoneTransparency,
          rms: fit?.rms,
          matched: fit?.matched,
          headMotion: fit?.headMotion,
          temperature: measured[i]?.temperature ?? record.header.temperature,
        },
      };
    }),
  );
  const { trackRows: _tracks, frames: _frames, ...summary } = alignment;
  saveAlignment(library, sequence.id, {
    ...withoutUnknown(summary),
    matchedFrames: alignment.frames.filter((frame) => frame.status === 'fitted').length,
    remarks: judged.remarks,
  });
}
