import { median } from '../core/index.js';
import { type Balanced, balance, toSrgb } from './_balance.js';
import { luminance } from './color.js';
import type { Band, Rect, StackColor, StackMaps } from './types.js';

/** Cells across the short side of the sky mesh: well above star size, well below the band's width. */
const MESH_CELLS = 40;

/** Share of land, of 255, above which a pixel tells nothing of the sky; and from which on it is land alone. */
const SKY_LIMIT = 5;
const LAND_LIMIT = 250;

/** Where and how a stack is looked at before it is finished. */
export interface SurveyPlan extends StackColor {
  readonly rect: Rect;
  /** Side of a mesh cell, px. */
  readonly cell: number;
  readonly columns: number;
  readonly rows: number;
}

/** What one row of cells tells. */
export interface SurveyRow {
  /** f32[3*columns], camera colours, ADU: cell medians, which stars hardly touch; NaN where mostly land or no data. */
  readonly levels: Float32Array;
  /**
   * f32[3*columns], distance of red, green and blue from luminance, balanced linear sRGB, ADU: medians of pixels as
   * the picture shows their colour, each smoothed with its neighbours; NaN as in `levels`.
   */
  readonly tints: Float32Array;
  /** Differences of single sky pixels from their surroundings, luminance, ADU. */
  readonly differences: Float32Array;
  /** Single land pixels, balanced linear sRGB, three values each, ADU. */
  readonly land: Float32Array;
}

export function surveyPlan(rect: Rect, stack: StackColor): SurveyPlan {
  const cell = Math.max(8, Math.floor(Math.min(rect.width, rect.height) / MESH_CELLS));
  return {
    ...stack,
    rect,
    cell,
    columns: Math.max(1, Math.floor(rect.width / cell)),
    rows: Math.max(1, Math.floor(rect.height / cell)),
  };
}

/** Stack rows that a row of cells covers: first and number. */
export function surveyedRows(plan: SurveyPlan, row: number): { readonly top: number; readonly rows: number } {
  const top = plan.rect.y + row * plan.cell;
  return { top, rows: Math.min(plan.cell, plan.rect.y + plan.rect.height - top) };
}

/** Looks at one row of cells. @param band the rows that `surveyedRows` names, the stack's whole width */
export function surveyRow(plan: SurveyPlan, band: Band, maps: StackMaps): SurveyRow {
  const balanced = balance(plan);
  return {
    levels: cellLevels(plan, band, maps),
    tints: cellTints(plan, band, maps, balanced),
    differences: differences(plan, band, maps, balanced),
    land: landSamples(plan, band, maps, balanced),
  };
}

function cellLevels(plan: SurveyPlan, band: Band, maps: StackMaps): Float32Array {
  const { cell, columns, rect } = plan;
  const levels = new Float32Array(3 * columns).fill(Number.NaN);
  const size = band.rows * band.width;
  // A quarter of the pixels of a cell gives its median well enough and four times as fast.
  const step = cell >= 16 ? 2 : 1;
  const sample = new Float64Array(Math.ceil(cell / step) ** 2);
  for (let column = 0; column < columns; column++) {
    for (let color = 0; color < 3; color++) {
      let n = 0;
      let seen = 0;
      for (let y = 0; y < band.rows; y += step) {
        const from = y * band.width + rect.x + column * cell;
        const inMap = (band.top + y) * maps.width + rect.x + column * cell;
        for (let x = 0; x < cell; x += step) {
          seen++;
          if (maps.land && maps.land[inMap + x]! > SKY_LIMIT) continue;
          const value = band.data[color * size + from + x]!;
          if (!Number.isNaN(value)) sample[n++] = value;
        }
      }
      if (n * 3 >= seen) levels[color * columns + column] = median(sample.subarray(0, n));
    }
  }
  return levels;
}

/** Samples along a cell's side whose colour is looked at, at most. */
const TINT_SAMPLES = 10;

/** (1 4 6 4 1), the kernel's own smoothing of colour. */
const SMOOTH = [1, 4, 6, 4, 1];

/**
 * Faint stars and the skew of noise move the medians of three raw colours by different shares; the picture shows
 * smoothed colour, so its tint is measured smoothed too.
 */
function cellTints(plan: SurveyPlan, band: Band, maps: StackMaps, balanced: Balanced): Float32Array {
  const { cell, columns, rect } = plan;
  const tints = new Float32Array(3 * columns).fill(Number.NaN);
  const size = band.rows * band.width;
  const step = Math.max(1, Math.floor(cell / TINT_SAMPLES));
  const rgb = new Float64Array(3);
  const soft = new Float64Array(3);
  for (let column = 0; column < columns; column++) {
    const found: [number[], number[], number[]] = [[], [], []];
    for (let y = 2; y < band.rows - 2; y += step) {
      for (let x = 2; x < cell - 2; x += step) {
        const left = rect.x + column * cell + x;
        if (maps.land && maps.land[(band.top + y) * maps.width + left]! > SKY_LIMIT) continue;
        for (let color = 0; color < 3; color++) {
          let sum = 0;
          for (let j = -2; j <= 2; j++) {
            const at = color * size + (y + j) * band.width + left;
            for (let i = -2; i <= 2; i++) sum += SMOOTH[j + 2]! * SMOOTH[i + 2]! * band.data[at + i]!;
          }
          soft[color] = sum / 256;
        }
        toSrgb(balanced, soft[0]!, soft[1]!, soft[2]!, rgb);
        const light = luminance(rgb[0]!, rgb[1]!, rgb[2]!);
        if (!Number.isFinite(light)) continue;
        for (let color = 0; color < 3; color++) found[color]!.push(rgb[color]! - light);
      }
    }
    if (found[0].length < 4) continue;
    for (let color = 0; color < 3; color++) tints[color * columns + column] = median(found[color]!);
  }
  return tints;
}

/** Luminance at an index of a band's plane, ADU. */
function lightOf(band: Band, balanced: Balanced): (at: number) => number {
  const size = band.rows * band.width;
  const rgb = new Float64Array(3);
  return (at) => {
    toSrgb(balanced, band.data[at]!, band.data[size + at]!, band.data[2 * size + at]!, rgb);
    return luminance(rgb[0]!, rgb[1]!, rgb[2]!);
  };
}

function differences(plan: SurveyPlan, band: Band, maps: StackMaps, balanced: Balanced): Float32Array {
  const { rect } = plan;
  const light = lightOf(band, balanced);
  const found: number[] = [];
  const step = Math.max(3, Math.floor(Math.sqrt((rect.width * rect.height) / 40_000)));
  const w = band.width;
  for (let y = 2; y < band.rows - 2; y += step) {
    for (let x = rect.x + 2; x < rect.x + rect.width - 2; x += step) {
      if (maps.land && maps.land[(band.top + y) * maps.width + x]! > SKY_LIMIT) continue;
      const at = y * w + x;
      // Second difference along both diagonals: smooth light cancels, noise remains (variance 1 + 4/16).
      const around =
        light(at - 2 * w - 2) + light(at - 2 * w + 2) + light(at + 2 * w - 2) + light(at + 2 * w + 2);
      const difference = light(at) - around / 4;
      if (Number.isFinite(difference)) found.push(difference);
    }
  }
  return Float32Array.from(found);
}

function landSamples(plan: SurveyPlan, band: Band, maps: StackMaps, balanced: Balanced): Float32Array {
  const { rect } = plan;
  if (!maps.land) return new Float32Array(0);
  const size = band.rows * band.width;
  const rgb = new Float64Array(3);
  const found: number[] = [];
  const step = Math.max(1, Math.floor(Math.sqrt((rect.width * rect.height) / 60_000)));
  for (let y = 0; y < band.rows; y += step) {
    for (let x = rect.x; x < rect.x + rect.width; x += step) {
      if (maps.land[(band.top + y) * maps.width + x]! < LAND_LIMIT) continue;
      const at = y * band.width + x;
      toSrgb(balanced, band.data[at]!, band.data[size + at]!, band.data[2 * size + at]!, rgb);
      if (Number.isFinite(rgb[0]! + rgb[1]! + rgb[2]!)) found.push(rgb[0]!, rgb[1]!, rgb[2]!);
    }
  }
  return Float32Array.from(found);
}

/** The rows of cells put together. */
export interface Survey {
  readonly plan: SurveyPlan;
  /** f32[3*rows*columns], camera colours, ADU; NaN where a cell is mostly land or without data. */
  readonly levels: Float32Array;
  /** f32[3*rows*columns], see `SurveyRow`. */
  readonly tints: Float32Array;
  /** Noise of single pixels around their surroundings, luminance, ADU; 0 = too little sky to tell. */
  readonly noise: number;
  /** Level that half the land pixels exceed, luminance, ADU; NaN without land. */
  readonly land: number;
  /** Its typical colour, linear sRGB offsets from grey, ADU: mostly the sensor's own glow and the sky's tint. */
  readonly landCast: readonly [number, number, number];
}

/** Share of the land's typical colour that is taken for a cast; the rest is its own. */
const LAND_CAST_SHARE = 0.7;

/** @param rows one entry for each row of cells, in order */
export function joinSurvey(plan: SurveyPlan, rows: readonly SurveyRow[]): Survey {
  const { columns } = plan;
  const joined = (of: (row: SurveyRow) => Float32Array): Float32Array => {
    const all = new Float32Array(3 * plan.rows * columns);
    rows.forEach((row, j) => {
      for (let color = 0; color < 3; color++) {
        all.set(of(row).subarray(color * columns, (color + 1) * columns), (color * plan.rows + j) * columns);
      }
    });
    return all;
  };
  const differences = rows.flatMap((row) => Array.from(row.differences, Math.abs));
  const samples = rows.flatMap((row) => Array.from(row.land));
  const land = samples.flatMap((_, i) =>
    i % 3 === 0 ? [luminance(samples[i]!, samples[i + 1]!, samples[i + 2]!)] : [],
  );
  return {
    plan,
    levels: joined((row) => row.levels),
    tints: joined((row) => row.tints),
    noise: differences.length < 50 ? 0 : (1.4826 * median(differences)) / Math.sqrt(1.25),
    land: land.length < 50 ? Number.NaN : median(land),
    landCast: land.length < 50 ? [0, 0, 0] : castOfLand(samples),
  };
}

function castOfLand(samples: readonly number[]): [number, number, number] {
  const typical = [0, 1, 2].map((color) => median(samples.filter((_, i) => i % 3 === color)));
  const grey = luminance(typical[0]!, typical[1]!, typical[2]!);
  const off = (color: number) => LAND_CAST_SHARE * (typical[color]! - grey);
  return [off(0), off(1), off(2)];
}
