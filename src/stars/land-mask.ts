import { type Mask, makeMask, median, type Plane, quantile, type StarTable } from '../core/index.js';
import { changes, FEW_POINTS, roughnessFromSky, type SkyPoints, skyPoints } from './_land-evidence.js';
import {
  type Edge,
  edgeOfOrientation,
  type Grid,
  medianGrid,
  smooth3,
  toGrid,
  turnGrid,
  turnPoint,
} from './_land-grid.js';
import { bestBoundary } from './_land-path.js';

/** What the first land mask of a run is made from. */
export interface LandMaskInput {
  /** Full size of the frames, px. */
  readonly width: number;
  readonly height: number;
  /**
   * Measuring planes of 1 to about 8 frames of the run, unaligned, spread over its length; full size or
   * averaged down (`decimate`), all of one exposure.
   */
  readonly planes: readonly Plane[];
  /** Star tables of the run's frames, measured without a mask; more of them than planes do no harm. */
  readonly starTables: readonly StarTable[];
  /** EXIF orientation of the frames, 1..8. */
  readonly orientation?: number | undefined;
  /** Direction to the ground in the stored picture as the sky's turning gives it, (x, y); outranks `orientation`. */
  readonly skyDown?: readonly [number, number] | undefined;
}

/** Longest side of the grid the mask is sought on, px. */
const GRID = 1000;
/** How much a star below the boundary counts against land, and over how many columns on each side. */
const STAR_COST = 3.5;
const STAR_REACH = 2;
/** Share of the run's mean star density that even haze near the horizon leaves. */
const HAZE = 0.4;
/** Weight of a cell's look (level, texture) against the sky's. */
const LOOK = 0.12;
/** Roughness of the way from the sky at which a cell looks neither like sky nor like land. */
const BEYOND = 3;
/** What a cell far from every star adds to its look. */
const VOID = 0.6;
/** Most that a clear edge in the picture gains a column. */
const EDGE_GAIN = 4;
const SLOPE = 0.1;
const JUMP = 5;
/** Land must gain this much a column of the grid on average, else there is none. */
const MIN_GAIN = 0.6;

/** Averages a plane down by a whole factor, so that a run's planes can be kept while it is measured. */
export function decimate(plane: Plane, factor: number): Plane {
  const width = Math.max(1, Math.floor(plane.width / factor));
  const height = Math.max(1, Math.floor(plane.height / factor));
  const cut =
    width * factor === plane.width && height * factor === plane.height
      ? plane
      : cropPlane(plane, width * factor, height * factor);
  return toGrid(cut, width, height);
}

function cropPlane(plane: Plane, width: number, height: number): Plane {
  const data = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    data.set(plane.data.subarray(y * plane.width, y * plane.width + width), y * width);
  }
  return { width, height, data };
}

/**
 * Finds the land of a run before anything is aligned: the part joined to the lower edge that holds no
 * moving stars, differs from the sky's smooth level or is textured, and is bounded by an edge that stays put.
 * Black, textureless land counts by its edge and its want of stars; lit land by its look. The boundary is
 * one height a column of the turned picture, so a tower is land and the sky under a branch is too.
 *
 * @returns mask at full size, 1 = land; undefined when no land is seen
 */
export function firstLandMask(input: LandMaskInput): Mask | undefined {
  const { width, height } = input;
  if (input.planes.length === 0) return undefined;
  const factor = Math.max(1, Math.ceil(Math.max(width, height) / GRID));
  const gridWidth = Math.ceil(width / factor);
  const gridHeight = Math.ceil(height / factor);
  const grids = input.planes.map((plane) => toGrid(plane, gridWidth, gridHeight));
  const still = smooth3(medianGrid(grids));
  const points = skyPoints(input.starTables, { x: gridWidth / width, y: gridHeight / height });
  const told = edgeOfDirection(input.skyDown) ?? edgeOfOrientation(input.orientation);
  let best: { edge: Edge; rows: Int32Array; total: number; worth: number } | undefined;
  for (const edge of ['bottom', 'top', 'left', 'right'] as const) {
    if (told && edge !== told) continue;
    const found = landAt(still, points, edge);
    const worth = found.total / found.rows.length;
    if (!best || found.total > best.total) best = { edge, ...found, worth };
  }
  if (!best || best.worth < MIN_GAIN) return undefined;
  const mask = paint(best, { width, height, gridWidth, gridHeight });
  return mask.data.includes(1) ? mask : undefined;
}

function edgeOfDirection(down: readonly [number, number] | undefined): Edge | undefined {
  if (!down || !(Math.hypot(down[0], down[1]) > 0)) return undefined;
  if (Math.abs(down[0]) > Math.abs(down[1])) return down[0] > 0 ? 'right' : 'left';
  return down[1] > 0 ? 'bottom' : 'top';
}

/** Seeks the boundary with one edge of the picture taken as down. */
function landAt(still: Grid, points: SkyPoints, edge: Edge): { rows: Int32Array; total: number } {
  const grid = turnGrid(still, edge);
  const turned: SkyPoints = {
    count: points.count,
    perFrame: points.perFrame,
    x: new Float64Array(points.count),
    y: new Float64Array(points.count),
  };
  for (let k = 0; k < points.count; k++) {
    const [x, y] = turnPoint(points.x[k]!, points.y[k]!, still, edge);
    turned.x[k] = x;
    turned.y[k] = y;
  }
  const gain = cellGain(grid, turned);
  const edges = edgeGain(grid, turned);
  return bestBoundary(grid, gain, edges, { slope: SLOPE, jump: JUMP });
}

/** What each cell says for land: no stars where there should be some, and a look unlike the sky's. */
function cellGain(grid: Grid, points: SkyPoints): Float32Array {
  const { width, height, data } = grid;
  const gain = new Float32Array(width * height);
  const density = (HAZE * points.count) / (width * height);
  // A few false stars on land must not outweigh a frame without true ones.
  if (points.perFrame >= FEW_POINTS) gain.fill(density);
  for (let k = 0; k < points.count && points.perFrame >= FEW_POINTS; k++) {
    const y = Math.max(0, Math.min(height - 1, Math.round(points.y[k]!)));
    const cx = Math.round(points.x[k]!);
    for (let x = Math.max(0, cx - STAR_REACH); x <= Math.min(width - 1, cx + STAR_REACH); x++) {
      gain[y * width + x]! -= STAR_COST;
    }
  }
  const few = points.perFrame < FEW_POINTS;
  // Without stars the uppermost rows stand for the sky.
  const upper = Math.ceil(height / 20) * width;
  const steps = few ? changes(grid).subarray(0, upper) : sampleAt(changes(grid), points, grid);
  const level = median(few ? data.subarray(0, upper) : sampleAt(data, points, grid));
  const unit = quantile(steps, 0.9);
  // A sky clipped to black looks like black land: then only stars and edges tell.
  if (!(level > 0) || !(unit > 0)) return gain;
  const way = roughnessFromSky(grid, points, Math.max(unit, 0.004 * level));
  const texture = localTexture(grid);
  const skyTexture = few
    ? quantile(texture.subarray(0, upper), 0.9)
    : quantile(sampleAt(texture, points, grid), 0.9);
  const lone = few ? undefined : loneliness(grid, points);
  for (let i = 0; i < gain.length; i++) {
    let look = Math.max(-1, Math.min(2, way[i]! / BEYOND - 1));
    const apart = lone ? lone[i]! : 0;
    // Looking like sky proves little far from any star: lit land may be as bright as the sky above it.
    if (look < 0) look *= Math.exp(-((apart / 1.5) ** 2));
    const rough = texture[i]! / Math.max(skyTexture, 0.002 * level) - 2;
    look = Math.max(look, Math.min(rough, 2));
    gain[i]! += LOOK * (look + VOID * Math.max(0, Math.min(1, apart / 2 - 1)));
  }
  return gain;
}

/** Distance of each cell from the nearest sky star in units of their usual spacing within one frame. */
function loneliness(grid: Grid, points: SkyPoints): Float32Array {
  const { width, height } = grid;
  const distance = new Float32Array(width * height).fill(1e6);
  for (let k = 0; k < points.count; k++) {
    const x = Math.max(0, Math.min(width - 1, Math.round(points.x[k]!)));
    const y = Math.max(0, Math.min(height - 1, Math.round(points.y[k]!)));
    distance[y * width + x] = 0;
  }
  // Two passes of a chamfer: right within 8 %.
  const relax = (i: number, j: number, step: number): void => {
    if (distance[j]! + step < distance[i]!) distance[i] = distance[j]! + step;
  };
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      if (x > 0) relax(i, i - 1, 1);
      if (y > 0) relax(i, i - width, 1);
      if (x > 0 && y > 0) relax(i, i - width - 1, Math.SQRT2);
      if (x < width - 1 && y > 0) relax(i, i - width + 1, Math.SQRT2);
    }
  }
  for (let y = height - 1; y >= 0; y--) {
    for (let x = width - 1; x >= 0; x--) {
      const i = y * width + x;
      if (x < width - 1) relax(i, i + 1, 1);
      if (y < height - 1) relax(i, i + width, 1);
      if (x < width - 1 && y < height - 1) relax(i, i + width + 1, Math.SQRT2);
      if (x > 0 && y < height - 1) relax(i, i + width - 1, Math.SQRT2);
    }
  }
  const spacing = Math.sqrt((width * height) / Math.max(1, points.perFrame));
  for (let i = 0; i < distance.length; i++) distance[i]! /= spacing;
  return distance;
}

/** Mean difference to the right and lower neighbour over 5 x 5 cells. */
function localTexture(grid: Grid): Float32Array {
  const { width, height, data } = grid;
  const difference = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const right = x + 1 < width ? Math.abs(data[i]! - data[i + 1]!) : 0;
      const down = y + 1 < height ? Math.abs(data[i]! - data[i + width]!) : 0;
      difference[i] = right + down;
    }
  }
  const out = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let sum = 0;
      let n = 0;
      for (let py = Math.max(0, y - 2); py <= Math.min(height - 1, y + 2); py++) {
        for (let px = Math.max(0, x - 2); px <= Math.min(width - 1, x + 2); px++) {
          sum += difference[py * width + px]!;
          n++;
        }
      }
      out[y * width + x] = sum / n;
    }
  }
  return out;
}

function sampleAt(values: Float32Array, points: SkyPoints, grid: Grid): number[] {
  const found: number[] = [];
  for (let k = 0; k < points.count; k++) {
    const x = Math.round(points.x[k]! + 3);
    const y = Math.round(points.y[k]!);
    if (x >= 0 && y >= 0 && x < grid.width && y < grid.height) found.push(values[y * grid.width + x]!);
  }
  return found;
}

/** What a boundary just above each row gains from a step in level there, in units of the sky's own steps. */
function edgeGain(grid: Grid, points: SkyPoints): Float32Array {
  const { width, height, data } = grid;
  const steps = new Float32Array(width * (height + 1));
  for (let y = 2; y < height - 1; y++) {
    for (let x = 0; x < width; x++) {
      const i = y * width + x;
      const above = (data[i - width]! + data[i - 2 * width]!) / 2;
      const below = (data[i]! + data[i + width]!) / 2;
      steps[i] = Math.abs(below - above);
    }
  }
  const sky = points.count > 0 ? quantile(sampleAt(steps, points, grid), 0.8) : median(steps);
  const unit = Math.max(sky, 1e-6);
  for (let i = 0; i < steps.length; i++) {
    steps[i] = EDGE_GAIN * Math.max(0, Math.min(1, (steps[i]! / unit - 1.5) / 6));
  }
  return steps;
}

/** Paints the boundary at full size. */
function paint(
  found: { readonly edge: Edge; readonly rows: Int32Array },
  size: {
    readonly width: number;
    readonly height: number;
    readonly gridWidth: number;
    readonly gridHeight: number;
  },
): Mask {
  const { width, height, gridWidth, gridHeight } = size;
  const mask = makeMask(width, height);
  const small = new Uint8Array(gridWidth * gridHeight);
  for (let y = 0; y < gridHeight; y++) {
    for (let x = 0; x < gridWidth; x++) {
      const [tx, ty] = turnPoint(x, y, { width: gridWidth, height: gridHeight }, found.edge);
      if (ty >= found.rows[tx]!) small[y * gridWidth + x] = 1;
    }
  }
  for (let y = 0; y < height; y++) {
    const gy = Math.min(gridHeight - 1, Math.floor(((y + 0.5) * gridHeight) / height));
    for (let x = 0; x < width; x++) {
      const gx = Math.min(gridWidth - 1, Math.floor(((x + 0.5) * gridWidth) / width));
      mask.data[y * width + x] = small[gy * gridWidth + gx]!;
    }
  }
  return mask;
}
