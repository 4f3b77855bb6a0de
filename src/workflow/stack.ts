import { rm } from 'node:fs/promises';
import type { Alignment } from '../alignment/index.js';
import { DataError } from '../core/index.js';
import type { SessionRecord, toStack } from '../library/index.js';
import {
  type CombineMethod,
  chooseMethod,
  growMask,
  makeStackPlan,
  type StackPlan,
} from '../stacking/index.js';
import { composeHeld, type HeldLand, holdLand } from './_held-land.js';
import { landFrom } from './_land-from.js';
import { lookNamed } from './_looks.js';
import { overRuns } from './_over-runs.js';
import { type PreparedRun, prepareRun } from './_prepare-run.js';
import { loadAlignmentFile, NOT_MEASURED, runFolder } from './_run-folder.js';
import { withScratch } from './_scratch.js';
import { type RunWork, STACK_DEFAULTS, type StackConfig, type StackOutcome } from './_stack-config.js';
import { writeLinearFits } from './_stack-files.js';
import { landOf } from './_stack-land.js';
import { idealOf, type Member, membersOf } from './_stack-members.js';
import { stackNoise } from './_stack-noise.js';
import {
  finishResults,
  type Measured,
  openResults,
  type ResultFolder,
  writeLand,
  writeLinear,
  writeSky,
} from './_stack-results.js';
import { stackLayer, stackPixels } from './_tiles.js';
import { chosenTransients, handleTransients, transientsOf } from './_transients.js';
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
  const { config } = work;
  const run = await prepareRun(work, alignment, members, scratchDir, {
    force: config.force,
    banding: config.banding,
    resultBytes: alignment.width * alignment.height * BYTES_PER_PIXEL,
    command: 'stack',
  });
  const method = chooseMethod(members.length, config.method) as CombineMethod;
  const frames = run.frames.map(({ frame }) => frame);
  const plan = makeStackPlan({ ...run.shared, frames, sky: { method } });
  const results = await openResults(work, { ...run, method, plan }, scratchDir);
  try {
    return await fillResults(work, run, { results, method, scratchDir });
  } catch (error) {
    // A stop leaves no half of a result behind; what was whole before stays.
    if (results.isNew) await rm(results.folder, { recursive: true, force: true });
    throw error;
  }
}

async function fillResults(
  work: RunWork,
  run: PreparedRun,
  to: { readonly results: ResultFolder; readonly method: CombineMethod; readonly scratchDir: string },
): Promise<ReturnType<typeof toStack>> {
  const { context, pool, config } = work;
  const { reference, frames, shared, scratch, skies } = run;
  const { results, method, scratchDir } = to;
  const options = { scratch, memoryBytes: config.memoryBytes };
  // Each picture goes to disk as soon as it is made: no two of them need be in memory together.
  const land = await heldLand(work, run, method, results, scratchDir);
  const hidden = land && config.land === 'hold' ? { landMask: growMask(land.mask, 2) } : {};
  const plan = makeStackPlan({ ...results.plan, sky: { method }, ...hidden });
  const made = await skyOf(work, run, { plan, land, results, options });

  const noise = await stackNoise({
    ...{ context, pool, plan, ...options },
    order: run.members.map(({ record }) => record.id),
    referenceId: reference.record.id,
    mask: land ? growMask(land.mask, 8) : undefined,
    ideal: idealOf(method, frames, skies, reference),
  });
  const own = frames.find(({ member }) => member === reference)!;
  const single = makeStackPlan({ ...shared, frames: [own.frame], sky: { method: 'mean' } });
  await writeLinearFits(
    results.single,
    await stackPixels(context, pool, single, {
      ...{ ...options, layer: 'sky', task: 'developing one frame for comparison' },
    }),
    results.facts,
  );
  // The threads' tiles are no longer needed, and the finish wants the room.
  await pool.renew();
  return finishResults(work, results, { noise, ...made, landFrames: land?.frames, landNote: land?.note });
}

/** Stacks the land, writes it and lays it aside. */
async function heldLand(
  work: RunWork,
  run: PreparedRun,
  method: CombineMethod,
  results: ResultFolder,
  scratchDir: string,
): Promise<HeldLand | undefined> {
  const { shared, frames, members, scratch, firstMask, reference } = run;
  const options = { scratch, memoryBytes: work.config.memoryBytes };
  const own = await landOf(work, { ...shared, method }, frames, members, options, firstMask, reference);
  if (!own) return undefined;
  const wanted = work.config.landFrom;
  const land = wanted === undefined ? own : await landFrom(work, own, { run, wanted, method, scratchDir });
  await writeLand(results, land);
  return holdLand(scratchDir, land);
}

/** Stacks the sky, puts the land in front of it, brings lines of light back that were asked for, and writes the pictures. */
async function skyOf(
  work: RunWork,
  run: PreparedRun,
  by: {
    readonly plan: StackPlan;
    readonly land: HeldLand | undefined;
    readonly results: ResultFolder;
    readonly options: { readonly scratch: Readonly<Record<string, string>>; readonly memoryBytes: number };
  },
): Promise<Pick<Measured, 'rejectedShare' | 'transients' | 'starBalance'>> {
  const { context, pool, config } = work;
  const { plan, land, results, options } = by;
  const all = transientsOf(run);
  const chosen = chosenTransients(all, config.bringBack);
  const sky = await stackLayer(context, pool, plan, { ...options, layer: 'sky', task: 'stacking the sky' });
  const rejectedShare = await writeSky(results, sky);
  const { image } = sky;
  if (land) await composeHeld(image, land, config.land);
  const landShare = config.land === 'hold' ? land?.share : undefined;
  const transients = await handleTransients(work, run, results, { all, chosen, image, landShare });
  const starBalance = await writeLinear(results, image);
  return { rejectedShare, transients, starBalance };
}
