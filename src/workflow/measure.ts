import { mkdir, writeFile } from 'node:fs/promises';
import { dirname } from 'node:path';
import { DataError, InputError, NightcairnError, packStarTable, throwIfCancelled } from '../core/index.js';
import { compiledUrl, createWorkerPool } from '../kernels/index.js';
import {
  type FrameRecord,
  findSequences,
  framePath,
  framesOf,
  openLibrary,
  type SessionRecord,
  starTablePath,
} from '../library/index.js';
import { parseTarget } from '../sky/index.js';
import { judgeRun } from '../verdicts/index.js';
import { alignRun } from './_align-run.js';
import { lookFirst } from './_first-look.js';
import { interestOf } from './_interest.js';
import {
  type FirstLook,
  MEASURE_DEFAULTS,
  type MeasureConfig,
  type MeasuredRun,
  type RunWork,
  usable,
} from './_measure-work.js';
import { photometryOf } from './_photometry.js';
import { type RunFolder, runFolder, saveAlignmentFile } from './_run-folder.js';
import { skyPointing } from './_sky-pointing.js';
import { saveVerdicts, storeRun, UNREADABLE } from './_store-run.js';
import type { WorkflowContext } from './context.js';
import type { MeasureResult, MeasureTask } from './measure-worker.js';

const workerUrl = () => compiledUrl(import.meta.url, './measure-worker.js');

/**
 * Measures the lights of a session or of one sequence: stars, land, defects, alignment, verdicts. Results go to
 * the catalogue and to the night's `measure` folder; a person's own verdicts stay.
 *
 * @param target session or sequence (`latest`, an id, a date)
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when it holds no lights; a target that is none
 */
export async function measure(
  context: WorkflowContext,
  target: string,
  config: Partial<MeasureConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly runs: readonly MeasuredRun[] }> {
  const settings = { ...MEASURE_DEFAULTS, ...config };
  if (settings.target !== undefined) parseTarget(settings.target);
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
    const pointing = skyPointing(alignment);
    const { interest, remark } = interestOf(work, alignment, pointing);
    const found = judgeRun({
      frames: frames.map(({ judge }) => judge),
      alignment,
      photometry: flux,
      limits: work.config.limits,
      ...(interest ? { interest } : {}),
    });
    const judged = remark === undefined ? found : { ...found, remarks: [...found.remarks, remark] };
    await storeRun(work, records, sound, measured, { alignment, pointing, judged });
    return { sequenceId: sequence.id, outcome: 'done', alignment, judgement: judged };
  } catch (error) {
    if (error instanceof DataError || (error instanceof NightcairnError && error.code === 'NO_STARS')) {
      return { sequenceId: sequence.id, outcome: 'unusable', reason: error.message };
    }
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
