import { closeSync, openSync, readSync } from 'node:fs';
import { writeFile } from 'node:fs/promises';
import type { CameraColor, CfaPattern, FrameHeader, FramePixels, Mask } from '../core/index.js';
import { FormatError, toPlainError } from '../core/index.js';
import { type Kernels, loadKernelsFromDisk, type Rect, serveTasks } from '../kernels/index.js';
import {
  type CoarseSky,
  calibrate,
  coarseSky,
  createMaster,
  type DefectMap,
  type Falloff,
  type Master,
  type MasterKind,
  type PackRange,
  pack,
  stackTile,
  type TileResult,
  type TileTask,
  tileTransfer,
} from '../stacking/index.js';
import { finishTasks } from './_finish-tasks.js';
import { loadMaster } from './_master-file.js';
import { loadFrame, loadPixels } from './_pixels.js';

/** What calibrates a light. */
export interface CalibrationSet {
  /** Files of masters; each thread reads one once. */
  readonly masters: readonly string[];
  readonly defects?: DefectMap | undefined;
  readonly falloff?: Falloff | undefined;
  readonly banding?: 'rows' | 'columns' | undefined;
}

/** A line of light from end to end, px, to be left out. */
export interface BlankLine {
  readonly x1: number;
  readonly y1: number;
  readonly x2: number;
  readonly y2: number;
  readonly width: number;
}

/** A light calibrated and packed into a scratch file. */
export interface PreparedFrame {
  readonly sky: CoarseSky;
}

/** What a survey learns of the reference and of the run's smooth sky. */
export interface Surveyed {
  readonly sky: CoarseSky;
  readonly width: number;
  readonly height: number;
  readonly kind: FramePixels['kind'];
  readonly cfa?: CfaPattern;
  readonly color?: CameraColor;
  readonly whiteLevel: readonly [number, number, number];
  readonly decoder: string;
  readonly header: FrameHeader;
}

const held = new Map<string, Promise<Master>>();

/** A master from its file, read once a thread. */
function masterAt(path: string): Promise<Master> {
  let master = held.get(path);
  if (!master) {
    master = loadMaster(path);
    held.set(path, master);
  }
  return master;
}

async function calibrated(pixels: FramePixels, set: CalibrationSet): Promise<FramePixels> {
  const found = await Promise.all(set.masters.map(masterAt));
  const of = (kind: MasterKind) => found.find((master) => master.kind === kind);
  const [dark, flat, bias] = [of('dark'), of('flat'), of('bias')];
  return calibrate(pixels, {
    ...(dark ? { dark } : {}),
    ...(flat ? { flat } : {}),
    ...(bias ? { bias } : {}),
    ...(set.defects && pixels.kind !== 'color' ? { defects: set.defects } : {}),
    ...(set.falloff ? { falloff: set.falloff } : {}),
    ...(set.banding ? { banding: set.banding } : {}),
  });
}

/** Combines calibration frames; unreadable ones are left out and told. */
async function makeMaster(task: {
  readonly paths: readonly string[];
  readonly kind: MasterKind;
  /** File of a bias that is taken off first. */
  readonly subtract?: string;
}): Promise<{ master: Master; skipped: { path: string; message: string }[] }> {
  const builder = createMaster({
    kind: task.kind,
    ...(task.subtract === undefined ? {} : { subtract: await masterAt(task.subtract) }),
  });
  const skipped: { path: string; message: string }[] = [];
  for (const path of task.paths) {
    try {
      const { header, pixels } = await loadFrame(path);
      builder.add(pixels, header);
    } catch (error) {
      if (!(error instanceof FormatError)) throw error;
      skipped.push({ path, message: toPlainError(error).message });
    }
  }
  return { master: builder.finish(), skipped };
}

/**
 * Sky that an 8-bit curve cut to black shows no scatter at all; it cannot be known better than the step between
 * two levels allows. @source variance of rounding, step^2/12
 */
function withRounding(sky: CoarseSky, quantization: number): CoarseSky {
  const least = Math.max(quantization, 1e-3) / Math.sqrt(12);
  const floor = (value: number) => Math.max(least, Number.isNaN(value) ? 0 : value);
  return { ...sky, noise: [floor(sky.noise[0]), floor(sky.noise[1]), floor(sky.noise[2])] };
}

const skyOf = (pixels: FramePixels, mask: Mask | undefined): CoarseSky =>
  withRounding(coarseSky(pixels, mask === undefined ? {} : { mask }), pixels.quantization);

async function survey(task: {
  readonly path: string;
  readonly set: CalibrationSet;
  readonly mask?: Mask | undefined;
}): Promise<Surveyed> {
  const { header, pixels } = await loadFrame(task.path);
  const clean = await calibrated(pixels, task.set);
  return {
    sky: skyOf(clean, task.mask),
    width: pixels.width,
    height: pixels.height,
    kind: pixels.kind,
    ...(pixels.cfa === undefined ? {} : { cfa: pixels.cfa }),
    ...(pixels.color === undefined ? {} : { color: pixels.color }),
    whiteLevel: clean.whiteLevel,
    decoder: pixels.decoder,
    header,
  };
}

async function prepare(task: {
  readonly path: string;
  readonly set: CalibrationSet;
  readonly mask?: Mask | undefined;
  readonly pack: PackRange;
  readonly scratch: string;
  readonly blank?: readonly BlankLine[];
}): Promise<PreparedFrame> {
  const clean = await calibrated(await loadPixels(task.path), task.set);
  for (const line of task.blank ?? []) blankLine(clean, line);
  const packed = pack(clean.data, task.pack);
  await writeFile(task.scratch, new Uint8Array(packed.buffer, packed.byteOffset, packed.byteLength));
  return { sky: skyOf(clean, task.mask) };
}

/** Takes the pixels within a line's width, and its faint ends, out of a frame. */
function blankLine({ width, height, data }: FramePixels, line: BlankLine): void {
  const { x1, y1, x2, y2 } = line;
  const length = Math.hypot(x2 - x1, y2 - y1);
  const reach = Math.max(6, 1.5 * line.width);
  const beyond = reach + 0.05 * length;
  const [ux, uy] = [(x2 - x1) / length, (y2 - y1) / length];
  const margin = reach + beyond;
  const [left, right] = [Math.min(x1, x2) - margin, Math.max(x1, x2) + margin];
  const [top, bottom] = [Math.min(y1, y2) - margin, Math.max(y1, y2) + margin];
  for (let y = Math.max(0, Math.floor(top)); y <= Math.min(height - 1, bottom); y++) {
    for (let x = Math.max(0, Math.floor(left)); x <= Math.min(width - 1, right); x++) {
      const along = (x - x1) * ux + (y - y1) * uy;
      const across = Math.abs((x - x1) * uy - (y - y1) * ux);
      if (across > reach || along < -beyond || along > length + beyond) continue;
      for (let at = y * width + x; at < data.length; at += width * height) data[at] = Number.NaN;
    }
  }
}

let kernels: Kernels | undefined;

/** Reads one frame's rectangle from its scratch file, row by row. */
function readRect(
  path: string,
  size: { width: number; height: number; planes: number },
  rect: Rect,
): Uint16Array {
  const { width, height, planes } = size;
  const crop = new Uint16Array(planes * rect.height * rect.width);
  const bytes = new Uint8Array(crop.buffer);
  const file = openSync(path, 'r');
  try {
    for (let plane = 0; plane < planes; plane++) {
      for (let row = 0; row < rect.height; row++) {
        const from = 2 * ((plane * height + rect.y0 + row) * width + rect.x0);
        const to = 2 * (plane * rect.height + row) * rect.width;
        readSync(file, bytes, to, 2 * rect.width, from);
      }
    }
  } finally {
    closeSync(file);
  }
  return crop;
}

async function tile(task: {
  readonly task: TileTask;
  readonly scratch: Readonly<Record<string, string>>;
}): Promise<{ output: TileResult; transfer: ArrayBuffer[] }> {
  kernels ??= await loadKernelsFromDisk();
  // Calibration is over when tiles are made.
  held.clear();
  const { width, height, sourcePlanes } = task.task;
  const result = stackTile(
    task.task,
    (id, rect) => readRect(task.scratch[id]!, { width, height, planes: sourcePlanes }, rect),
    kernels,
  );
  return { output: result, transfer: tileTransfer(result) };
}

serveTasks({ makeMaster, survey, prepare, tile, ...finishTasks });
