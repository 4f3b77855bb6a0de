import { bodyName, type FrameRecord, framePath, rememberNoise } from '../library/index.js';
import { firstLandMask } from '../stars/index.js';
import { type FirstLook, type RunWork, usable } from './_measure-work.js';
import { type RunFolder, saveDefects, saveMask } from './_run-folder.js';
import type { DefectsTask, MeasuredNoise, NoiseTask, SampleResult, SampleTask } from './measure-worker.js';

/** Looks at a few frames spread over the run: where the land is, which pixels are always wrong. */
export async function lookFirst(
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
  const noise = measureNoise(work, sound);
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
  rememberBody(work, await noise, defects.length);
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

/** Places in a run where two neighbours are compared for their noise. */
const NOISE_PAIRS = 3;

/** Gain and read noise of the body from neighbouring frames of the run. */
async function measureNoise(
  { context, library, pool }: RunWork,
  sound: readonly FrameRecord[],
): Promise<MeasuredNoise | undefined> {
  const pairs = Array.from({ length: NOISE_PAIRS }, (_, i) =>
    Math.floor(((i + 0.5) * (sound.length - 1)) / NOISE_PAIRS),
  )
    .filter((at, i, all) => at >= 0 && at + 1 < sound.length && all.indexOf(at) === i)
    // Of a bracket only frames of one shutter are alike.
    .filter((at) => sound[at]!.header.exposureTime === sound[at + 1]!.header.exposureTime)
    .map((at) => [framePath(library, sound[at]!), framePath(library, sound[at + 1]!)] as const);
  if (pairs.length === 0) return undefined;
  return usable(
    pool.run<MeasuredNoise | undefined>('noise', { pairs } satisfies NoiseTask, { signal: context.signal }),
  );
}

/** Remembers what a run told of its body, for plans and counts of later nights. */
function rememberBody(
  { library, sequence }: RunWork,
  noise: MeasuredNoise | undefined,
  hotPixels: number,
): void {
  const body = bodyName(sequence);
  if (noise && body !== undefined && sequence.iso !== undefined)
    rememberNoise(library, body, sequence.iso, { ...noise, hotPixels });
}

function middleLevels(samples: readonly SampleResult[]): SampleResult['levels'] {
  const sorted = [...samples].sort((a, b) => a.levels.sky[1] - b.levels.sky[1]);
  return sorted[Math.floor(sorted.length / 2)]!.levels;
}
