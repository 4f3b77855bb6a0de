import type { Alignment } from '../alignment/index.js';
import { type ColorImage, DataError } from '../core/index.js';
import type { SessionRecord, toStack } from '../library/index.js';
import { type CombineMethod, chooseMethod, composeLand, growMask, makeStackPlan } from '../stacking/index.js';
import { lookNamed } from './_looks.js';
import { overRuns } from './_over-runs.js';
import { prepareRun } from './_prepare-run.js';
import { loadAlignmentFile, NOT_MEASURED, runFolder } from './_run-folder.js';
import { withScratch } from './_scratch.js';
import { type RunWork, STACK_DEFAULTS, type StackConfig, type StackOutcome } from './_stack-config.js';
import { landOf } from './_stack-land.js';
import { idealOf, type Member, membersOf, type Weighted } from './_stack-members.js';
import { stackNoise } from './_stack-noise.js';
import { writeResults } from './_stack-results.js';
import { stackLayer } from './_tiles.js';
import type { WorkflowContext } from './context.js';

/** What the results of one stack take on disk, a pixel: one FITS, up to four TIFFs, small pictures. */
const BYTES_PER_PIXEL = 12 + 4 * 6 + 6;

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
  const look = typeof settings.look === 'string' ? await lookNamed(settings.look) : settings.look;
  const { session, results } = await overRuns(context, target, 'write', (place) =>
    stackRun({ ...place, config: settings, look }),
  );
  return { session, stacks: results };
}

async function stackRun(work: RunWork): Promise<StackOutcome> {
  const { library, session, sequence } = work;
  const folder = runFolder(library.dir, session, sequence);
  const alignment = await loadAlignmentFile(folder.alignment);
  if (!alignment) return { sequenceId: sequence.id, outcome: 'nothing-to-do', reason: NOT_MEASURED };
  const members = membersOf(work, alignment);
  if (members.length === 0) {
    return { sequenceId: sequence.id, outcome: 'unusable', reason: 'No frame of it was kept.' };
  }
  try {
    const place = { library, session, command: 'stack' };
    const done = await withScratch(place, `${sequence.ordinal}`, (scratch) =>
      combineRun(work, alignment, members, scratch),
    );
    return { sequenceId: sequence.id, outcome: 'done', stack: done };
  } catch (error) {
    if (error instanceof DataError)
      return { sequenceId: sequence.id, outcome: 'unusable', reason: error.message };
    throw error;
  }
}

async function combineRun(
  work: RunWork,
  alignment: Alignment,
  members: readonly Member[],
  scratchDir: string,
): Promise<ReturnType<typeof toStack>> {
  const { context, pool, config } = work;
  const run = await prepareRun(work, alignment, members, scratchDir, {
    force: config.force,
    resultBytes: alignment.width * alignment.height * BYTES_PER_PIXEL,
    command: 'stack',
  });
  const { reference, frames, shared, scratch, skies } = run;
  const layerOptions = { scratch, memoryBytes: config.memoryBytes };
  const method = chooseMethod(members.length, config.method) as CombineMethod;

  const land = await landOf(
    work,
    { ...shared, method },
    frames,
    members,
    layerOptions,
    run.firstMask,
    reference,
  );
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
  return writeResults(work, { ...run, method, sky, land, single, image, noise, plan: skyPlan });
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
