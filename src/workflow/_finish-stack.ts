import type { ColorImage } from '../core/index.js';
import {
  balancedByStars,
  COVERAGE_SHARE,
  cropToCoverage,
  type FinishPlan,
  gradientPicture,
  joinSurvey,
  type Look,
  makeFinishPlan,
  RENDER_ROWS,
  type Rect,
  type SkyAt,
  type SkyGradient,
  type SkyLevels,
  type StackColor,
  type StackMaps,
  type SurveyRow,
  surveyPlan,
} from '../finishing/index.js';
import type { WorkerPool } from '../kernels/index.js';
import { pictureSamples, type RenderTask, type SurveyTask } from './_finish-tasks.js';

/** A stack on disk, ready to be finished. */
export interface StackSource extends StackColor {
  /** Its linear FITS file. */
  readonly path: string;
  readonly maps: StackMaps;
  readonly skyAt?: SkyAt | undefined;
}

/** A picture in memory that threads share, with what was done to get it. */
export interface Finished {
  readonly width: number;
  readonly height: number;
  /** sRGB, interleaved, turned for viewing: 16 and 8 bits a sample. */
  readonly data: Uint16Array;
  readonly small: Uint8Array;
  readonly crop: Rect;
  readonly look: Look;
  readonly sky: SkyLevels;
  readonly clippedShare: number;
  readonly gradient: SkyGradient;
  readonly gradientPicture: ColorImage;
}

/** Bytes in memory that threads share, holding a copy of `data`. */
export function shared(data: Uint8Array): Uint8Array {
  const copy = new Uint8Array(new SharedArrayBuffer(data.length));
  copy.set(data);
  return copy;
}

/** Cuts `count` things into runs of at most `size`. */
function runs(count: number, size: number): { readonly from: number; readonly to: number }[] {
  return Array.from({ length: Math.ceil(count / size) }, (_, i) => ({
    from: i * size,
    to: Math.min(count, (i + 1) * size),
  }));
}

/**
 * Finishes a stack from its files with all threads of a pool; the same bytes for any number of them.
 *
 * @param crop part of the stack to show; default what enough frames cover
 * @param pool its worker module must answer `finishTasks`
 */
export async function finishStack(
  source: StackSource,
  look: Look,
  options: {
    readonly pool: WorkerPool;
    readonly crop?: Rect | undefined;
    readonly signal?: AbortSignal | undefined;
  },
): Promise<Finished> {
  const { path, maps, skyAt, ...stack } = source;
  const color = balancedByStars<StackColor>(stack, look);
  const { pool, signal } = options;
  const cells = surveyPlan(options.crop ?? cropToCoverage(maps, COVERAGE_SHARE), color);
  const rows = await Promise.all(
    runs(cells.rows, 4).map(({ from, to }) =>
      pool.run<SurveyRow[]>('surveyRows', { path, plan: cells, maps, from, to } satisfies SurveyTask, {
        signal,
      }),
    ),
  );
  const plan = makeFinishPlan(joinSurvey(cells, rows.flat()), look, skyAt);
  return { ...(await renderAll(path, plan, maps, pool, signal)), look };
}

async function renderAll(
  path: string,
  plan: FinishPlan,
  maps: StackMaps,
  pool: WorkerPool,
  signal: AbortSignal | undefined,
): Promise<Omit<Finished, 'look'>> {
  const { width, height, samples } = pictureSamples(plan);
  const data = new Uint16Array(new SharedArrayBuffer(2 * samples));
  const small = new Uint8Array(new SharedArrayBuffer(samples));
  const bands = Math.ceil(plan.rect.height / RENDER_ROWS);
  const parts = await Promise.all(
    runs(bands, 4).map(({ from, to }) =>
      pool.run<{ clipped: number }>(
        'renderRows',
        { path, plan, maps, from, to, data, small } satisfies RenderTask,
        { signal },
      ),
    ),
  );
  return {
    ...{ width, height, data, small },
    crop: plan.rect,
    sky: plan.sky,
    clippedShare: parts.reduce((sum, { clipped }) => sum + clipped, 0) / (plan.rect.width * plan.rect.height),
    gradient: plan.gradient,
    gradientPicture: gradientPicture(plan),
  };
}
