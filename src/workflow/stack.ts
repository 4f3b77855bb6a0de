import { mkdir, rm, statfs } from 'node:fs/promises';
import { join } from 'node:path';
import type { Alignment } from '../alignment/index.js';
import {
  type ColorImage,
  DataError,
  InputError,
  NightcairnError,
  StorageError,
  throwIfCancelled,
} from '../core/index.js';
import { LOOKS, type Look } from '../finishing/index.js';
import { compiledUrl, createWorkerPool } from '../kernels/index.js';
import {
  findSequences,
  framePath,
  insideLibrary,
  nightFolders,
  openLibrary,
  type SessionRecord,
  type toStack,
} from '../library/index.js';
import {
  type CoarseSky,
  type CombineMethod,
  chooseMethod,
  composeLand,
  defectsFromDark,
  falloffGain,
  fitFalloff,
  fitSky,
  growMask,
  joinDefects,
  makeStackPlan,
  packRange,
} from '../stacking/index.js';
import { type Calibration, calibrationFor } from './_calibration.js';
import { loadAlignmentFile, loadDefects, loadMask, runFolder } from './_run-folder.js';
import { type RunWork, STACK_DEFAULTS, type StackConfig, type StackOutcome } from './_stack-config.js';
import { landOf } from './_stack-land.js';
import {
  idealOf,
  type Member,
  membersOf,
  referenceOf,
  spread,
  stackFrames,
  type Weighted,
} from './_stack-members.js';
import { stackNoise } from './_stack-noise.js';
import { writeResults } from './_stack-results.js';
import { stackLayer } from './_tiles.js';
import type { WorkflowContext } from './context.js';
import type { CalibrationSet, PreparedFrame, Surveyed } from './stack-worker.js';

/** Most survey frames for the falloff; more tell nothing new. */
const SURVEY_FRAMES = 8;

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
