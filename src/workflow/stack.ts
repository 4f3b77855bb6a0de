import { mkdir, rm, statfs } from 'node:fs/promises';
import { join } from 'node:path';
import { type Alignment, landMapper, warpGrid } from '../alignment/index.js';
import {
  type ColorImage,
  DataError,
  InputError,
  type Mask,
  NightcairnError,
  type Plane,
  StorageError,
  throwIfCancelled,
} from '../core/index.js';
import { DEFAULT_LOOK, type FinishInput, LOOKS, type Look } from '../finishing/index.js';
import { compiledUrl, createWorkerPool, type WorkerPool } from '../kernels/index.js';
import {
  type FrameRecord,
  findSequences,
  framePath,
  framesOf,
  hashesOf,
  insideLibrary,
  type Library,
  nightFolders,
  openLibrary,
  type SequenceRecord,
  type SessionRecord,
  saveStack,
  stored,
  toStack,
} from '../library/index.js';
import {
  type CoarseSky,
  type CombineMethod,
  chooseMethod,
  composeLand,
  defectsFromDark,
  type Falloff,
  falloffGain,
  fitFalloff,
  fitLevel,
  fitSky,
  frameWeight,
  growMask,
  idealGain,
  joinDefects,
  type LandChoice,
  makeStackPlan,
  type NoiseGain,
  packRange,
  refineLandMask,
  type StackFrame,
  type StackLayer,
  type StackPlan,
  sampleVariance,
  shareFromPicture,
} from '../stacking/index.js';
import { type Calibration, calibrationFor } from './_calibration.js';
import { loadAlignmentFile, loadDefects, loadMask, runFolder, writeWhole } from './_run-folder.js';
import {
  recipeKey,
  type StackFacts,
  writeGrey,
  writeLinearFits,
  writeLinearTiff,
  writePicture,
  writeSingle,
} from './_stack-files.js';
import { stackNoise } from './_stack-noise.js';
import { stackLayer } from './_tiles.js';
import { withoutUnknown } from './_unknown.js';
import { toolVersion } from './_version.js';
import type { WorkflowContext } from './context.js';
import type { CalibrationSet, PreparedFrame, Surveyed } from './stack-worker.js';

/** Settings of the stack stage. */
export interface StackConfig {
  /** How samples are combined; by default a clipped mean from 4 frames up, a mean below. */
  readonly method?: CombineMethod;
  /** `hold`: land sharp in front of the sky; `none`: the sky stack alone; `only`: the unmoved stack alone. */
  readonly land: LandChoice;
  /** Photographer's own mask picture, white = land. */
  readonly mask?: string;
  /** Name of a look, or a whole one. */
  readonly look: string | Look;
  /** Bytes that tiles under way may take together; raise it for speed with very many frames. */
  readonly memoryBytes: number;
  /** Use darks and flats that do not match. */
  readonly force: boolean;
}

export const STACK_DEFAULTS: StackConfig = {
  land: 'hold',
  look: DEFAULT_LOOK,
  memoryBytes: 400e6,
  force: false,
};

/** What became of one run. */
export interface StackOutcome {
  readonly sequenceId: string;
  readonly outcome: 'done' | 'nothing-to-do' | 'unusable';
  readonly reason?: string;
  readonly stack?: ReturnType<typeof toStack>;
}

const VERSION = toolVersion();

/** Most survey frames for the falloff; more tell nothing new. */
const SURVEY_FRAMES = 8;
/** Frames clearer than this are not dimmed; the measured ratio scatters by a few per cent. */
const MAX_TRANSPARENCY = 1.05;
const MIN_TRANSPARENCY = 0.2;

/**
 * Stacks the runs of a session, or one sequence: calibrates, aligns, combines sky and land, finishes, and
 * writes linear and finished files with their recipe.
 *
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when nothing was measured yet
 */
export async function stack(
  context: WorkflowContext,
  target: string,
  config: Partial<StackConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly stacks: readonly StackOutcome[] }> {
  const settings = { ...STACK_DEFAULTS, ...config };
  const look = typeof settings.look === 'string' ? lookNamed(settings.look) : settings.look;
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  const pool = createWorkerPool(compiledUrl(import.meta.url, './stack-worker.js'), context.workers);
  try {
    const { session, sequences, one } = findSequences(library, target);
    const lights = sequences.filter((sequence) => sequence.role === 'light' || one);
    if (lights.length === 0) {
      throw new InputError('NOTHING_TO_DO', `Session ${session.id} holds no lights to stack.`);
    }
    const stacks: StackOutcome[] = [];
    for (const sequence of lights) {
      throwIfCancelled(context.signal);
      stacks.push(await stackRun({ context, library, pool, session, sequence, config: settings, look }));
    }
    return { session, stacks };
  } finally {
    await pool.close();
    library.close();
  }
}

/** A look by its name. @throws {InputError} VALUE_NOT_UNDERSTOOD */
export function lookNamed(name: string): Look {
  const look = LOOKS[name];
  if (!look) {
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected one of the looks ${Object.keys(LOOKS).join(', ')} but received "${name}".`,
    );
  }
  return look;
}

interface RunWork {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
  readonly config: StackConfig;
  readonly look: Look;
}

/** One frame that goes into the stack. */
interface Member {
  readonly record: FrameRecord;
  /** Index in the alignment. */
  readonly index: number;
  readonly transparency: number;
  readonly exposure: number;
  readonly segment: number;
  readonly zones: readonly number[] | undefined;
}

async function stackRun(work: RunWork): Promise<StackOutcome> {
  const { library, session, sequence } = work;
  const folder = runFolder(library.dir, session, sequence);
  const alignment = await loadAlignmentFile(folder.alignment);
  if (!alignment) {
    return {
      sequenceId: sequence.id,
      outcome: 'nothing-to-do',
      reason: 'It was not measured yet, or nothing in it could be; run "measure" first.',
    };
  }
  const members = membersOf(work, alignment);
  if (members.length === 0) {
    return { sequenceId: sequence.id, outcome: 'unusable', reason: 'No frame of it was kept.' };
  }
  const scratch = join(
    insideLibrary(library.dir, nightFolders(session.folder).stacks),
    `.work-${sequence.ordinal}`,
  );
  try {
    await rm(scratch, { recursive: true, force: true });
    await mkdir(scratch, { recursive: true });
    const done = await combineRun(work, alignment, members, scratch);
    return { sequenceId: sequence.id, outcome: 'done', stack: done };
  } catch (error) {
    if (error instanceof DataError)
      return { sequenceId: sequence.id, outcome: 'unusable', reason: error.message };
    throw diskError(error, scratch);
  } finally {
    await rm(scratch, { recursive: true, force: true });
  }
}

/** A full disk says so in our words. */
function diskError(error: unknown, path: string): unknown {
  if (error instanceof NightcairnError) return error;
  if (error instanceof Error && 'code' in error && error.code === 'ENOSPC') {
    return new StorageError(
      'DISK_FULL',
      `Expected room for the stack beside ${path} but the disk is full; make room and run "stack" again.`,
      { path, cause: error },
    );
  }
  return error;
}

/** Kept and doubtful frames that the alignment fitted, the reference among them or not. */
function membersOf(work: RunWork, alignment: Alignment): Member[] {
  const { library, sequence } = work;
  const indexOf = new Map(alignment.frames.map((frame, i) => [frame.id, i]));
  const ratio =
    sequence.realExposureTime !== undefined && sequence.exposureTime
      ? sequence.realExposureTime / sequence.exposureTime
      : 1;
  return framesOf(library, sequence.id).flatMap((record) => {
    const index = indexOf.get(record.id);
    const verdict = record.measurement?.verdict;
    if (index === undefined || (verdict !== 'keep' && verdict !== 'doubt')) return [];
    const fit = alignment.frames[index]!;
    if (fit.status !== 'fitted') return [];
    const extra = record.measurement?.extra as { zoneTransparency?: (number | null)[] } | undefined;
    const transparency = record.measurement?.transparency ?? 1;
    return [
      {
        record,
        index,
        transparency: Math.min(MAX_TRANSPARENCY, Math.max(MIN_TRANSPARENCY, transparency)),
        exposure: (record.header.exposureTime ?? sequence.exposureTime ?? 1) * ratio,
        segment: fit.segment,
        zones: extra?.zoneTransparency?.map((value) => value ?? Number.NaN),
      },
    ];
  });
}

/** Disk that the scratch files need, checked before anything is written. */
async function checkRoom(path: string, bytes: number): Promise<void> {
  const disk = await statfs(path);
  const free = disk.bavail * disk.bsize;
  if (free < bytes * 1.05 + 50e6) {
    throw new StorageError(
      'DISK_FULL',
      `Expected ${Math.ceil(bytes / 1e6)} MB of free space for working files beside ${path} but found ${Math.floor(free / 1e6)} MB; make room and run "stack" again.`,
      { path },
    );
  }
}

async function combineRun(
  work: RunWork,
  alignment: Alignment,
  members: readonly Member[],
  scratchDir: string,
): Promise<ReturnType<typeof toStack>> {
  const { context, library, pool, session, sequence, config } = work;
  const folder = runFolder(library.dir, session, sequence);
  const firstMask = await loadMask(folder.mask);
  const calibration = await calibrationFor({ ...work, force: config.force });
  const reference = referenceOf(members, alignment);
  const defects = await defectsOf(folder.defects, alignment, calibration);
  const base: CalibrationSet = { masters: calibration.masters.map(({ path }) => path), defects };

  // The reference and a few others first: they tell the lens's falloff.
  const picked = spread(members, SURVEY_FRAMES);
  if (!picked.includes(reference)) picked.push(reference);
  let looked = 0;
  const surveys = await Promise.all(
    picked.map(async (member) => {
      const found = await pool.run<Surveyed>(
        'survey',
        { path: framePath(library, member.record), set: base, mask: firstMask },
        { signal: context.signal },
      );
      context.progress({ task: 'reading the sky', done: ++looked, total: picked.length, unit: 'frames' });
      return found;
    }),
  );
  const example = surveys[picked.indexOf(reference)]!;
  const hasFlat = calibration.masters.some(({ kind }) => kind === 'flat');
  const falloff = hasFlat ? undefined : fitFalloff(surveys.map(({ sky }) => sky));
  const set: CalibrationSet = { ...base, falloff };

  const white = Math.max(...example.whiteLevel);
  const range = packRange(white, falloff ? falloffGain(falloff) : hasFlat ? 3 : 1);
  const planes = example.kind === 'color' ? 3 : 1;
  await checkRoom(scratchDir, members.length * alignment.width * alignment.height * planes * 2);
  const scratch: Record<string, string> = {};
  let prepared = 0;
  const skies = new Map<string, CoarseSky>();
  await Promise.all(
    members.map(async (member) => {
      const path = join(scratchDir, member.record.id);
      scratch[member.record.id] = path;
      const { sky } = await pool.run<PreparedFrame>(
        'prepare',
        { path: framePath(library, member.record), set, mask: firstMask, pack: range, scratch: path },
        { signal: context.signal },
      );
      skies.set(member.record.id, sky);
      context.progress({ task: 'calibrating', done: ++prepared, total: members.length, unit: 'frames' });
    }),
  );

  const frames = stackFrames(alignment, members, reference, skies, planes === 3);
  const shared = {
    width: alignment.width,
    height: alignment.height,
    ...(example.cfa === undefined ? {} : { cfa: example.cfa }),
    sourcePlanes: planes as 1 | 3,
    pack: range,
    saturation: [
      0.97 * example.whiteLevel[0],
      0.97 * example.whiteLevel[1],
      0.97 * example.whiteLevel[2],
    ] as const,
    skySurface: fitSky(skies.get(reference.record.id)!),
  };
  const layerOptions = { scratch, memoryBytes: config.memoryBytes };
  const method = chooseMethod(members.length, config.method) as CombineMethod;

  const land = await landOf(work, { ...shared, method }, frames, members, layerOptions, firstMask, reference);
  const skyPlan = makeStackPlan({
    ...shared,
    frames: frames.map(({ frame }) => frame),
    sky: { method },
    ...(land && config.land === 'hold' ? { landMask: growMask(land.mask, 2) } : {}),
  });
  const sky = await stackLayer(context, pool, skyPlan, {
    ...layerOptions,
    layer: 'sky',
    task: 'stacking the sky',
  });
  const single = await singleFrame(work, shared, frames, reference, layerOptions);
  const image = composeLand(
    { sky: sky.image, ...(land ? { land: land.layer.image, share: land.share } : {}) },
    config.land,
  );
  const noise = await stackNoise({
    context,
    pool,
    plan: skyPlan,
    referenceId: reference.record.id,
    ...layerOptions,
    mask: land ? growMask(land.mask, 8) : undefined,
    ideal: idealOf(method, frames, skies, reference),
  });
  return writeResults(work, {
    alignment,
    members,
    reference,
    example,
    calibration,
    falloff,
    method,
    sky,
    land,
    single,
    image,
    noise,
    plan: skyPlan,
  });
}

/** The alignment's reference where it is kept, else the kept frame nearest to it. */
function referenceOf(members: readonly Member[], alignment: Alignment): Member {
  return members.reduce((best, member) =>
    Math.abs(member.index - alignment.referenceIndex) < Math.abs(best.index - alignment.referenceIndex)
      ? member
      : best,
  );
}

/** A few members spread evenly over the run. */
function spread(members: readonly Member[], count: number): Member[] {
  if (members.length <= count) return [...members];
  return Array.from({ length: count }, (_, i) => members[Math.floor(((i + 0.5) * members.length) / count)]!);
}

async function defectsOf(path: string, alignment: Alignment, calibration: Calibration) {
  const own = await loadDefects(path);
  const { width, height } = alignment;
  const dark = calibration.masters.find(({ kind }) => kind === 'dark')?.master;
  return joinDefects(
    { width, height, index: Int32Array.from(own) },
    dark && dark.width === width && dark.height === height && dark.planes === 1
      ? defectsFromDark(dark)
      : undefined,
  );
}

interface Weighted {
  readonly member: Member;
  readonly frame: StackFrame;
}

/** How each frame enters the stack: place, light, level, weight and noise. */
function stackFrames(
  alignment: Alignment,
  members: readonly Member[],
  reference: Member,
  skies: ReadonlyMap<string, CoarseSky>,
  isColor: boolean,
): Weighted[] {
  const referenceSky = skies.get(reference.record.id)!;
  return members.map((member) => {
    const sky = skies.get(member.record.id)!;
    const grid = warpGrid(alignment, member.index);
    const exposures = reference.exposure / member.exposure;
    const scale = (exposures * reference.transparency) / member.transparency;
    const level = fitLevel(referenceSky, sky, grid, scale);
    const moved = alignment.frames[member.index]!.headMotion;
    const landGrid =
      Math.hypot(moved.x, moved.y) > 0.05 || Math.abs(moved.rotation) > 0.002
        ? warpGrid(alignment, member.index, { map: landMapper(alignment, member.index) })
        : undefined;
    return {
      member,
      frame: {
        id: member.record.id,
        grid,
        ...(landGrid ? { landGrid } : {}),
        scale,
        landScale: exposures,
        level,
        weight: frameWeight(sky.noise[1], scale),
        ...zoneWeights(member),
        variance: sampleVariance(sky, { scale, level, ...(isColor ? { source: 'color' as const } : {}) }),
      },
    };
  });
}

/** Patchy cloud takes weight where it hangs and only there (P33). */
function zoneWeights(member: Member): Pick<StackFrame, 'zoneWeights'> {
  const { zones, transparency } = member;
  if (zones?.length !== 25) return {};
  const data = Float32Array.from(zones, (value) =>
    Number.isFinite(value) ? Math.min(1.2, Math.max(0.02, (value / transparency) ** 2)) : 1,
  );
  // Even transparency needs no map; the zones' own scatter would only add noise.
  return data.every((value) => value > 0.75) ? {} : { zoneWeights: { columns: 5, rows: 5, data } };
}

interface LandLayer {
  readonly layer: StackLayer;
  readonly mask: Mask;
  readonly share: Plane;
  readonly frames: number;
}

/** Stacks the land from the longest stretch between knocks and finds its edge on it. */
async function landOf(
  work: RunWork,
  shared: Omit<Parameters<typeof makeStackPlan>[0], 'frames'> & { readonly method: CombineMethod },
  frames: readonly Weighted[],
  members: readonly Member[],
  options: { readonly scratch: Readonly<Record<string, string>>; readonly memoryBytes: number },
  firstMask: Mask | undefined,
  reference: Member,
): Promise<LandLayer | undefined> {
  const { context, pool, config } = work;
  if (config.land === 'none' || (!firstMask && !config.mask && config.land !== 'only')) return undefined;
  const counts = new Map<number, number>();
  for (const member of members) counts.set(member.segment, (counts.get(member.segment) ?? 0) + 1);
  // The reference's own framing counts double: its land needs no moving at all.
  const score = (segment: number) => counts.get(segment)! * (segment === reference.segment ? 2 : 1);
  const segment = [...counts.keys()].reduce((best, other) => (score(other) > score(best) ? other : best));
  const used = frames.filter(({ member }) => member.segment === segment);
  const { method, ...rest } = shared;
  const plan = makeStackPlan({
    ...rest,
    frames: used.map(({ frame }) => frame),
    land: { method: used.length >= 4 ? method : 'mean' },
  });
  const layer = await stackLayer(context, pool, plan, {
    ...options,
    layer: 'land',
    task: 'stacking the land',
  });
  if (config.mask) {
    const own = await loadMask(config.mask);
    if (!own) {
      throw new InputError(
        'VALUE_NOT_UNDERSTOOD',
        `Expected a picture as land mask in ${config.mask} but could not read it.`,
      );
    }
    const picture = { width: own.width, height: own.height, data: Float32Array.from(own.data) };
    return { layer, ...shareFromPicture(picture, rest), frames: used.length };
  }
  const first = firstMask ?? {
    width: rest.width,
    height: rest.height,
    data: new Uint8Array(rest.width * rest.height),
  };
  return { layer, ...refineLandMask(first, layer.image), frames: used.length };
}

/** The reference alone, made as the stack's frames are: what the stack's noise is held against. */
async function singleFrame(
  work: RunWork,
  shared: Omit<Parameters<typeof makeStackPlan>[0], 'frames'>,
  frames: readonly Weighted[],
  reference: Member,
  options: { readonly scratch: Readonly<Record<string, string>>; readonly memoryBytes: number },
): Promise<ColorImage> {
  const own = frames.find(({ member }) => member === reference)!;
  const plan = makeStackPlan({ ...shared, frames: [own.frame], sky: { method: 'mean' } });
  const layer = await stackLayer(work.context, work.pool, plan, {
    ...options,
    layer: 'sky',
    task: 'developing one frame for comparison',
  });
  return layer.image;
}

function idealOf(
  method: CombineMethod,
  frames: readonly Weighted[],
  skies: ReadonlyMap<string, CoarseSky>,
  reference: Member,
): number {
  const sigma = ({ member, frame }: Weighted) => skies.get(member.record.id)!.noise[1] * frame.scale;
  const own = sigma(frames.find(({ member }) => member === reference)!);
  return idealGain(
    method,
    frames.map((item) => sigma(item) / own),
    frames.map(({ frame }) => frame.weight),
  );
}

interface Results {
  readonly alignment: Alignment;
  readonly members: readonly Member[];
  readonly reference: Member;
  readonly example: Surveyed;
  readonly calibration: Calibration;
  readonly falloff: Falloff | undefined;
  readonly method: CombineMethod;
  readonly sky: StackLayer;
  readonly land: LandLayer | undefined;
  readonly single: ColorImage;
  readonly image: ColorImage;
  readonly noise: NoiseGain;
  readonly plan: StackPlan;
}

function factsOf(results: Results): StackFacts {
  const { members, example, method, reference } = results;
  const { header } = example;
  const total = members.reduce((sum, member) => sum + member.exposure, 0);
  const times = members.map(({ record }) => record.takenMs).filter((time) => time !== undefined);
  const first = times.length > 0 ? Math.min(...times) : undefined;
  const last = times.length > 0 ? Math.max(...times) + 1000 * members.at(-1)!.exposure : undefined;
  const {
    cameraMake,
    cameraModel,
    serial,
    lens,
    iso,
    fNumber,
    focalLengthMm,
    focalLength35Mm,
    wallTime,
    utcOffsetMinutes,
  } = reference.record.header;
  const exif = {
    cameraMake,
    cameraModel,
    serial,
    lens,
    iso,
    fNumber,
    focalLengthMm,
    focalLength35Mm,
    wallTime,
    utcOffsetMinutes,
  };
  return {
    exif: {
      ...(Object.fromEntries(Object.entries(exif).filter(([, value]) => value !== undefined)) as object),
      exposureTime: Number(total.toFixed(3)),
      orientation: header.orientation ?? 1,
      width: results.image.width,
      height: results.image.height,
      software: `Nightcairn ${VERSION}`,
    },
    totalExposure: Number(total.toFixed(3)),
    frames: members.length,
    method,
    ...(first === undefined ? {} : { start: new Date(first).toISOString() }),
    ...(first === undefined || last === undefined
      ? {}
      : { middle: new Date((first + last) / 2).toISOString() }),
    software: `Nightcairn ${VERSION}`,
    white: Number(
      (Math.max(...example.whiteLevel) * (results.falloff ? falloffGain(results.falloff) : 1)).toFixed(2),
    ),
  };
}

/** Everything that made the stack, in a fixed order, without the time it was made. */
function recipeOf(work: RunWork, results: Results) {
  const { library, sequence, config, look } = work;
  const hashes = hashesOf(library, sequence.id);
  return {
    tool: `Nightcairn ${VERSION}`,
    decoder: results.example.decoder,
    sequence: sequence.id,
    method: results.method,
    limits: { sky: results.plan.skyOptions, land: results.plan.landOptions },
    demosaic: results.plan.demosaic,
    land: config.land,
    look,
    masters: results.calibration.masters.map(({ kind, frameIds, master }) => ({
      kind,
      frames: master.frames,
      frameIds,
    })),
    falloff: results.falloff
      ? { source: results.falloff.source, corner: 1 / falloffGain(results.falloff) }
      : null,
    reference: results.reference.record.id,
    frames: [...results.members]
      .sort((a, b) => (a.record.id < b.record.id ? -1 : 1))
      .map(({ record, transparency, exposure }) => ({
        id: record.id,
        sha256: hashes.get(record.id) ?? null,
        transparency,
        exposure,
      })),
  };
}

async function writeResults(work: RunWork, results: Results): Promise<ReturnType<typeof toStack>> {
  const { context, library, session, sequence, look } = work;
  const { alignment, members, sky, land, image, noise, calibration, method } = results;
  const recipe = recipeOf(work, results);
  const stacks = insideLibrary(library.dir, nightFolders(session.folder).stacks);
  const folder = join(stacks, `run-${sequence.ordinal}-${recipeKey(recipe)}`);
  await mkdir(folder, { recursive: true });
  const facts = factsOf(results);
  let step = 0;
  const tell = () => context.progress({ task: 'writing the results', done: ++step, total: 5, unit: 'steps' });

  const file = (name: string) => join(folder, name);
  await writeLinearTiff(file('linear.tif'), image, facts);
  await writeLinearFits(file('linear.fits'), image, facts);
  tell();
  await writeLinearTiff(file('sky-linear.tif'), sky.image, facts);
  if (land) await writeLinearTiff(file('land-linear.tif'), land.layer.image, facts);
  tell();
  await writeGrey(file('coverage.png'), sky.coverage, members.length);
  await writeGrey(file('rejected.png'), sky.rejected, Math.max(3, members.length / 4));
  if (land) await writeGrey(file('land-mask.png'), land.share, 1);
  tell();
  const input = finishInput(results, land);
  const { jpeg, tiff, picture } = await writePicture(folder, { ...input, image }, look, facts);
  tell();
  await writeSingle(file('single.jpg'), { ...input, image: results.single }, look, {
    ...facts,
    frames: 1,
    totalExposure: results.reference.exposure,
  });
  await writeWhole(file('recipe.json'), `${JSON.stringify({ ...recipe, crop: picture.crop }, null, 2)}\n`);
  tell();

  const inLibrary = (path: string) => stored(library.dir, path);
  const record = saveStack(library, {
    sequenceId: sequence.id,
    folder: inLibrary(folder),
    method,
    framesUsed: members.length,
    totalExposure: facts.totalExposure,
    body: {
      alignment: withoutUnknown({
        rms: alignment.rms,
        cornerRms: alignment.cornerRms,
        frames: members.map(({ record: member, index }) => ({
          frameId: member.id,
          rms: alignment.frames[index]!.rms,
          matched: alignment.frames[index]!.matched,
        })),
      }),
      noise: withoutUnknown(noise),
      files: {
        linearTiff: inLibrary(file('linear.tif')),
        fits: inLibrary(file('linear.fits')),
        pictureTiff: inLibrary(tiff),
        pictureJpeg: inLibrary(jpeg),
        sky: inLibrary(file('sky-linear.tif')),
        ...(land ? { land: inLibrary(file('land-linear.tif')), mask: inLibrary(file('land-mask.png')) } : {}),
        coverage: inLibrary(file('coverage.png')),
        rejected: inLibrary(file('rejected.png')),
        recipe: inLibrary(file('recipe.json')),
        singleJpeg: inLibrary(file('single.jpg')),
      },
      mastersUsed: calibration.masters.map(({ text }) => text),
      notes: notesOf(results),
      rejectedShare: shareRejected(sky),
      linearScale: { adu: facts.white, value: 65535 },
    },
  });
  return toStack(library, record);
}

function finishInput(results: Results, land: LandLayer | undefined): Omit<FinishInput, 'image'> {
  const { example, sky } = results;
  return {
    coverage: sky.coverage,
    ...(land ? { landShare: land.share } : {}),
    ...(example.color === undefined ? {} : { color: example.color }),
    // A clipped star in a corner stands above white once the falloff is divided out; the centre's white counts.
    whiteLevel: example.whiteLevel,
    ...(example.header.orientation === undefined ? {} : { orientation: example.header.orientation }),
  };
}

/** Samples clipped over samples offered, sky only. */
function shareRejected(layer: StackLayer): number {
  let rejected = 0;
  let used = 0;
  for (let i = 0; i < layer.coverage.data.length; i++) {
    used += layer.coverage.data[i]!;
    rejected += layer.rejected.data[i]!;
  }
  return used + rejected > 0 ? rejected / (used + rejected) : 0;
}

function notesOf(results: Results): string[] {
  const { calibration, land, members, falloff } = results;
  const notes = [...calibration.notes];
  if (land && land.frames < members.length) {
    notes.push(`The land comes from the ${land.frames} frames of its longest unmoved stretch.`);
  }
  if (falloff) {
    notes.push(
      `The lens lets ${Math.round(100 / falloffGain(falloff))} % of the light through in the corners; that was divided out.`,
    );
  }
  return notes;
}
