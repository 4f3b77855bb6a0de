import { readFile } from 'node:fs/promises';
import { throwIfCancelled, unpackStarTable } from '../core/index.js';
import { compiledUrl, createWorkerPool } from '../kernels/index.js';
import { framePath, type Library, type SessionRecord, starTablePath } from '../library/index.js';
import { nameTransients, type ReportRun, sureStreaks } from '../report/index.js';
import type { RunSource } from './_report-data.js';
import type { PictureFolder } from './_report-images.js';
import { loadDefects, runFolder } from './_run-folder.js';
import type { WorkflowContext } from './context.js';
import type { CloseUps, CloseUpTask } from './report-worker.js';

interface Work {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly session: SessionRecord;
  readonly pictures: PictureFolder;
  /** Most judged frames to open at full size; 0 opens none, nor those that something crossed. */
  readonly most: number;
}

/** The sharpest kept frame: what stars looked like at their best. */
function sharpestOf(run: ReportRun): string | undefined {
  const kept = run.frames.filter((frame) => frame.verdict === 'keep' && frame.fwhm !== undefined);
  return kept.sort((a, b) => a.fwhm! - b.fwhm!)[0]?.id;
}

/**
 * Opens judged frames, the sharpest one and those that something crossed, at full size: five stars of each
 * side by side, a cut-out and a name for each line. A frame that cannot be opened is passed over.
 */
export async function addCloseUps(work: Work, run: ReportRun, source: RunSource): Promise<ReportRun> {
  const { context, library, session, pictures } = work;
  const folder = runFolder(library.dir, session, source.sequence);
  const sure = sureStreaks(run.frames);
  const sharpest = sharpestOf(run);
  const order = { drop: 0, doubt: 1, keep: 2, none: 3 } as const;
  const judged = run.frames
    .filter((frame) => frame.verdict !== 'keep' && frame.fwhm !== undefined)
    .sort((a, b) => order[a.verdict] - order[b.verdict])
    .slice(0, work.most)
    .map((frame) => frame.id);
  const strips = new Set([...judged, ...(sharpest === undefined ? [] : [sharpest])]);
  const wanted = run.frames.filter(
    (frame) => strips.has(frame.id) || sure.some((item) => item.frame.id === frame.id),
  );
  if (wanted.length === 0) return run;
  if (work.most === 0) return withPictures(run, new Map(), pictures, sharpest);
  const defects = await loadDefects(folder.defects);
  const pool = createWorkerPool(compiledUrl(import.meta.url, './report-worker.js'), context.workers);
  const found = new Map<string, CloseUps>();
  let done = 0;
  try {
    await Promise.all(
      wanted.map(async (frame) => {
        const record = source.records.find((other) => other.id === frame.id)!;
        const stars = strips.has(frame.id)
          ? await starsOf(starTablePath(library.dir, session.folder, frame.id))
          : undefined;
        try {
          const closeUps = await pool.run<CloseUps>(
            'closeUps',
            {
              path: framePath(library, record),
              orientation: record.header.orientation,
              defects,
              stars,
              lines: sure.filter((item) => item.frame.id === frame.id).map((item) => item.streak),
            } satisfies CloseUpTask,
            { signal: context.signal },
          );
          found.set(frame.id, closeUps);
        } catch (error) {
          throwIfCancelled(context.signal);
          if (!isOfFrame(error)) throw error;
        }
        context.progress({ task: 'close-ups', done: ++done, total: wanted.length, unit: 'frames' });
      }),
    );
  } finally {
    await pool.close();
  }
  return withPictures(run, found, pictures, sharpest);
}

/** A frame that is gone or cannot be read leaves a gap on the page; anything else is a fault. */
const isOfFrame = (error: unknown): boolean =>
  error instanceof Error && ['FormatError', 'DataError', 'StorageError'].includes(error.name);

async function starsOf(path: string): Promise<CloseUpTask['stars']> {
  try {
    const table = unpackStarTable(await readFile(path));
    if (!table) return undefined;
    const { count, x, y, flux, fwhm, flags } = table;
    return { count, x, y, flux, fwhm, flags };
  } catch {
    // Not measured, or taken away: no strip.
    return undefined;
  }
}

async function withPictures(
  run: ReportRun,
  found: ReadonlyMap<string, CloseUps>,
  pictures: PictureFolder,
  sharpest: string | undefined,
): Promise<ReportRun> {
  const frames = [];
  for (const frame of run.frames) {
    const strip = found.get(frame.id)?.strip;
    const stars =
      strip === undefined
        ? undefined
        : await pictures.add(`${frame.id}-stars.png`, async () => Buffer.from(strip));
    frames.push(stars === undefined ? frame : { ...frame, stars });
  }
  const sure = sureStreaks(run.frames);
  const used = new Map<string, number>();
  const cuts = sure.map(({ frame }) => {
    const nth = used.get(frame.id) ?? 0;
    used.set(frame.id, nth + 1);
    return { nth, line: found.get(frame.id)?.lines[nth] };
  });
  const named = nameTransients(
    run.frames,
    cuts.map(({ line }) => line?.profile ?? []),
  );
  const transients = [];
  for (const [i, transient] of named.entries()) {
    const { nth, line } = cuts[i]!;
    const picture =
      line === undefined || line.jpeg.byteLength === 0
        ? undefined
        : await pictures.add(`${transient.frameId}-line-${nth + 1}.jpg`, async () => Buffer.from(line.jpeg));
    transients.push(picture === undefined ? transient : { ...transient, picture });
  }
  return { ...run, frames, transients, ...(sharpest === undefined ? {} : { sharpest }) };
}
