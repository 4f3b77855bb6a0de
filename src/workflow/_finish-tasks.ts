import {
  type FinishPlan,
  orientedSize,
  placeRows,
  RENDER_ROWS,
  renderReach,
  renderRows,
  type StackMaps,
  type SurveyPlan,
  type SurveyRow,
  surveyedRows,
  surveyRow,
} from '../finishing/index.js';
import { type Kernels, loadKernelsFromDisk, type Task } from '../kernels/index.js';
import { openLinearRows } from './_linear-rows.js';

/** Rows of cells of a stack to look at. */
export interface SurveyTask {
  readonly path: string;
  readonly plan: SurveyPlan;
  readonly maps: StackMaps;
  readonly from: number;
  readonly to: number;
}

/** Rows of a picture to make, into memory that threads share. */
export interface RenderTask {
  readonly path: string;
  readonly plan: FinishPlan;
  readonly maps: StackMaps;
  /** Bands of `RENDER_ROWS` rows. */
  readonly from: number;
  readonly to: number;
  /** The whole turned picture: 16 and 8 bits a sample, side by side. */
  readonly data: Uint16Array;
  readonly small: Uint8Array;
}

function survey({ path, plan, maps, from, to }: SurveyTask): SurveyRow[] {
  const rows = openLinearRows(path);
  try {
    return Array.from({ length: to - from }, (_, i) => {
      const { top, rows: count } = surveyedRows(plan, from + i);
      return surveyRow(plan, rows.band(top, count), maps);
    });
  } finally {
    rows.close();
  }
}

let kernels: Kernels | undefined;

async function render(task: RenderTask): Promise<{ clipped: number }> {
  kernels ??= await loadKernelsFromDisk();
  const { plan, maps, data, small } = task;
  const { rect, orientation } = plan;
  const size = { width: rect.width, height: rect.height, orientation };
  const stack = openLinearRows(task.path);
  const reach = renderReach(plan);
  let clipped = 0;
  try {
    for (let band = task.from; band < task.to; band++) {
      const top = band * RENDER_ROWS;
      const count = Math.min(RENDER_ROWS, rect.height - top);
      if (count <= 0) break;
      const source = stack.band(rect.y + top - reach, count + 2 * reach);
      const made = renderRows(plan, { top, count }, source, maps, kernels);
      placeRows(made.data, { top, count }, size, data);
      placeRows(eightBits(made.data), { top, count }, size, small);
      clipped += made.clipped;
    }
  } finally {
    stack.close();
  }
  return { clipped };
}

/** 16 bits to 8, rounded. */
function eightBits(data: Uint16Array): Uint8Array {
  const out = new Uint8Array(data.length);
  for (let i = 0; i < out.length; i++) out[i] = (data[i]! + 128) / 257;
  return out;
}

/** Samples of a plan's picture. */
export function pictureSamples(plan: FinishPlan): { width: number; height: number; samples: number } {
  const [width, height] = orientedSize(plan.rect.width, plan.rect.height, plan.orientation);
  return { width, height, samples: 3 * width * height };
}

/** What a worker thread answers about finishing. */
export const finishTasks: Readonly<Record<string, Task>> = { surveyRows: survey, renderRows: render };
