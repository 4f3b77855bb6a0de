import { type Kernels, plainKernels } from '../kernels/index.js';
import { balancedByStars } from './_balance.js';
import { type FinishPlan, gradientPicture, makeFinishPlan } from './finish-plan.js';
import { cropToCoverage, orientedSize, placeRows } from './geometry.js';
import { toMap } from './maps.js';
import { renderReach, renderRows } from './render-rows.js';
import { joinSurvey, surveyedRows, surveyPlan, surveyRow } from './survey.js';
import type { Band, FinishInput, Look, Picture, Rect, StackColor, StackMaps } from './types.js';

/** Sky pixels with less than this share of the best coverage are cropped away. */
export const COVERAGE_SHARE = 0.5;

/** Rows that are made in one go. */
export const RENDER_ROWS = 64;

/** The 8-bit maps of a stack in memory. */
export function mapsOf(input: FinishInput): StackMaps {
  const { image, coverage, landShare } = input;
  let most = 0;
  if (coverage) for (const value of coverage.data) if (value > most) most = value;
  return {
    width: image.width,
    height: image.height,
    ...(coverage ? { coverage: toMap(coverage, Math.max(1, most)) } : {}),
    ...(landShare ? { land: toMap(landShare, 1) } : {}),
  };
}

/**
 * Turns a linear stack into a picture: crop to coverage, smooth sky gradient off, camera balance and matrix,
 * background made grey, asinh stretch that keeps hue, land lifted by a curve of its own, saturation in Oklab,
 * sRGB, and the turn for viewing last. Survey, plan and rows can be had apart, so that threads share the work;
 * the result is the same.
 *
 * @param kernels the compiled ones for speed; default the plain twins, which give the same bytes
 * @returns 16-bit sRGB picture; the stack is not modified
 * @throws {DataError} NO_PIXELS when the stack holds no usable pixel
 * @source stretch: R. H. Lupton et al., PASP 116 (2004) 133; sRGB: IEC 61966-2-1; Oklab: B. Ottosson 2020
 */
export function finishPicture(
  input: FinishInput,
  look: Look,
  kernels: Kernels = plainKernels(),
  crop?: Rect,
): Picture {
  const { image, skyAt, ...given } = input;
  const stack = balancedByStars<StackColor>(given, look);
  const maps = mapsOf(input);
  const rect = crop ?? cropToCoverage(maps, COVERAGE_SHARE);
  const cells = surveyPlan(rect, {
    whiteLevel: stack.whiteLevel,
    ...(stack.color ? { color: stack.color } : {}),
    ...(stack.orientation === undefined ? {} : { orientation: stack.orientation }),
    ...(stack.falloffBy === undefined ? {} : { falloffBy: stack.falloffBy }),
  });
  const rows = Array.from({ length: cells.rows }, (_, row) => {
    const { top, rows: count } = surveyedRows(cells, row);
    return surveyRow(cells, bandOf(image, top, count), maps);
  });
  const plan = makeFinishPlan(joinSurvey(cells, rows), look, skyAt);
  return render(plan, (top, count) => bandOf(image, top, count), maps, kernels);
}

function render(
  plan: FinishPlan,
  rowsOf: (top: number, count: number) => Band,
  maps: StackMaps,
  kernels: Kernels,
): Picture {
  const { rect, orientation } = plan;
  const [width, height] = orientedSize(rect.width, rect.height, orientation);
  const data = new Uint16Array(3 * width * height);
  const reach = renderReach(plan);
  let clipped = 0;
  for (let top = 0; top < rect.height; top += RENDER_ROWS) {
    const count = Math.min(RENDER_ROWS, rect.height - top);
    const band = rowsOf(rect.y + top - reach, count + 2 * reach);
    const rows = renderRows(plan, { top, count }, band, maps, kernels);
    placeRows(rows.data, { top, count }, { width: rect.width, height: rect.height, orientation }, data);
    clipped += rows.clipped;
  }
  return {
    width,
    height,
    data,
    crop: rect,
    sky: plan.sky,
    clippedShare: clipped / (rect.width * rect.height),
    gradient: gradientPicture(plan),
  };
}

/** Rows `top` to `top + count` of an image, as far as there are such. */
function bandOf(image: FinishInput['image'], top: number, count: number): Band {
  const { width, height, data } = image;
  const first = Math.max(0, top);
  const last = Math.min(height, top + count);
  const rows = Math.max(0, last - first);
  const out = new Float32Array(3 * rows * width);
  for (let color = 0; color < 3; color++) {
    const start = (color * height + first) * width;
    out.set(data.subarray(start, start + rows * width), color * rows * width);
  }
  return { top: first, rows, width, data: out };
}
