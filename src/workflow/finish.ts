import { createHash } from 'node:crypto';
import { join } from 'node:path';
import { InputError, throwIfCancelled } from '../core/index.js';
import {
  COVERAGE_SHARE,
  cropToCoverage,
  DEFAULT_LOOK,
  LOOK_PARAMETERS,
  LOOKS,
  type Look,
  type LookParameter,
  lookValues,
  type Rect,
  type StackMaps,
  storedRect,
  withParameter,
} from '../finishing/index.js';
import { compiledUrl, createWorkerPool, type WorkerPool } from '../kernels/index.js';
import {
  findStacks,
  insideLibrary,
  type Library,
  openLibrary,
  type PictureRecord,
  type SessionRecord,
  type StackRecord,
  saveStack,
  sequence,
  session,
  slug,
  toStack,
} from '../library/index.js';
import { finishStack } from './_finish-stack.js';
import { type LinearFacts, readLinearFacts, stackSource } from './_linear-facts.js';
import { lookNamed } from './_looks.js';
import { storedFiles, writePictureFiles } from './_picture-files.js';
import type { WorkflowContext } from './context.js';

/** What part of the stack the picture shows. */
export type CropChoice =
  /** Where at least half of the frames overlap. */
  | 'covered'
  /** All of it. */
  | 'whole'
  /** The same as `covered`, without the border where the lens smears stars. */
  | 'sharp'
  /** A rectangle of the whole picture as it is viewed, px. */
  | Rect;

/** One parameter of a look, in the unit of its `LOOK_PARAMETERS` row. */
export interface LookChange {
  readonly field: LookParameter['field'];
  readonly value: number;
  /** How the person wrote it, for messages. */
  readonly label: string;
}

/** Settings of the finish stage. */
export interface FinishConfig {
  /** Name of a look, a look file, or a whole look. */
  readonly look: string | Look;
  /** Parameters of the look to be changed. */
  readonly changes: readonly LookChange[];
  readonly crop: CropChoice;
  /** Name of the picture; by default the look's, with a mark of the settings where they differ from it. */
  readonly name?: string;
  /** Tell the place of the night in the picture's EXIF block. */
  readonly location: boolean;
}

export const FINISH_DEFAULTS: FinishConfig = {
  look: DEFAULT_LOOK,
  changes: [],
  crop: 'covered',
  location: false,
};

/** One picture that was made. */
export interface FinishedPicture {
  readonly stack: ReturnType<typeof toStack>;
  readonly name: string;
  readonly look: Look;
  readonly crop: Rect;
  readonly clippedShare: number;
  readonly width: number;
  readonly height: number;
}

/**
 * Finishes stacks again from their linear files, with another look or other parameters; the stack itself and its
 * other pictures stay as they are.
 *
 * @param target a stack, its folder, a sequence or a session: see `findStacks`
 * @throws {InputError} UNKNOWN_ID, NOTHING_TO_DO, VALUE_NOT_UNDERSTOOD, VALUE_OUT_OF_RANGE
 * @throws {StorageError} NOT_READABLE when files of the stack are gone
 */
export async function finish(
  context: WorkflowContext,
  target: string,
  config: Partial<FinishConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly pictures: readonly FinishedPicture[] }> {
  const settings = { ...FINISH_DEFAULTS, ...config };
  const base = typeof settings.look === 'string' ? await lookNamed(settings.look) : settings.look;
  const look = settings.changes.reduce(
    (changed, { field, value, label }) =>
      withParameter(changed, LOOK_PARAMETERS.find((parameter) => parameter.field === field)!, value, label),
    base,
  );
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  const pool = createWorkerPool(compiledUrl(import.meta.url, './finish-worker.js'), context.workers);
  try {
    const stacks = findStacks(library, target);
    const pictures: FinishedPicture[] = [];
    for (const stack of stacks) {
      throwIfCancelled(context.signal);
      context.progress({ task: 'finishing', done: pictures.length, total: stacks.length, unit: 'files' });
      pictures.push(await finishOne({ context, library, pool, settings, look }, stack));
    }
    return { session: sessionOf(library, stacks[0]!), pictures };
  } finally {
    await pool.close();
    library.close();
  }
}

const sessionOf = (library: Library, stack: StackRecord): SessionRecord =>
  session(library, sequence(library, stack.sequenceId)!.sessionId)!;

interface FinishWork {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly settings: FinishConfig;
  readonly look: Look;
}

async function finishOne(work: FinishWork, stack: StackRecord): Promise<FinishedPicture> {
  const { context, library, pool, settings, look } = work;
  const folder = insideLibrary(library.dir, stack.folder);
  const linear = await readLinearFacts(folder);
  const name = pictureName(settings, look);
  const source = await stackSource(folder, linear);
  const finished = await finishStack(source, look, {
    pool,
    crop: cropOf(settings.crop, linear, source.maps),
    signal: context.signal,
  });
  const site = sessionOf(library, stack).site;
  const files = await writePictureFiles(join(folder, 'pictures'), finished, linear.facts, {
    base: name,
    cropAsked: typeof settings.crop === 'string' ? settings.crop : 'rectangle',
    ...(settings.location && site?.latitude !== undefined && site.longitude !== undefined
      ? { place: { latitude: site.latitude, longitude: site.longitude } }
      : {}),
  });
  const record = addPicture(library, stack, { name, look: look.name, files: storedFiles(library, files) });
  const json = toStack(library, record);
  return {
    // The picture just made stands where the stack's own did.
    stack: { ...json, files: { ...json.files, ...files } },
    name,
    look,
    crop: finished.crop,
    clippedShare: finished.clippedShare,
    width: finished.width,
    height: finished.height,
  };
}

function addPicture(library: Library, stack: StackRecord, picture: PictureRecord): StackRecord {
  const others = (stack.body.pictures ?? []).filter((other) => other.name !== picture.name);
  return saveStack(library, {
    sequenceId: stack.sequenceId,
    folder: stack.folder,
    ...(stack.method === undefined ? {} : { method: stack.method }),
    ...(stack.framesUsed === undefined ? {} : { framesUsed: stack.framesUsed }),
    ...(stack.totalExposure === undefined ? {} : { totalExposure: stack.totalExposure }),
    body: { ...stack.body, pictures: [...others, picture] },
  });
}

/** The name asked for, else the look's; a mark of the settings where they are not the look's own. */
function pictureName(settings: FinishConfig, look: Look): string {
  if (settings.name !== undefined) return slug(settings.name);
  const own =
    typeof settings.look === 'string' && Object.hasOwn(LOOKS, settings.look)
      ? LOOKS[settings.look]
      : undefined;
  const values = JSON.stringify([lookValues(look), settings.crop, settings.location]);
  const plain = own && JSON.stringify([lookValues(own), FINISH_DEFAULTS.crop, FINISH_DEFAULTS.location]);
  if (values === plain) return slug(look.name);
  return `${slug(look.name)}-${createHash('sha256').update(values).digest('hex').slice(0, 6)}`;
}

/** The part of the stack that a choice of crop means. */
function cropOf(choice: CropChoice, linear: LinearFacts, maps: StackMaps): Rect {
  const { width, height, orientation = 1 } = linear;
  if (choice === 'whole') return { x: 0, y: 0, width, height };
  if (choice === 'covered' || choice === 'sharp') {
    const covered = cropToCoverage(maps, COVERAGE_SHARE);
    return choice === 'sharp' && linear.sharp ? overlap(covered, linear.sharp) : covered;
  }
  const rect = storedRect(choice, { width, height }, orientation);
  if (rect.x < 0 || rect.y < 0 || rect.x + rect.width > width || rect.y + rect.height > height) {
    const [w, h] = orientation >= 5 ? [height, width] : [width, height];
    throw new InputError(
      'VALUE_OUT_OF_RANGE',
      `Expected a crop inside the picture of ${w} x ${h} px but received ${choice.width} x ${choice.height} px from ${choice.x}, ${choice.y}.`,
    );
  }
  return rect;
}

function overlap(a: Rect, b: Rect): Rect {
  const x = Math.max(a.x, b.x);
  const y = Math.max(a.y, b.y);
  return {
    x,
    y,
    width: Math.min(a.x + a.width, b.x + b.width) - x,
    height: Math.min(a.y + a.height, b.y + b.height) - y,
  };
}
