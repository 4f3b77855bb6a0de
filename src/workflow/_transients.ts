import { inverseMapper } from '../alignment/index.js';
import { type ColorImage, InputError, type Plane } from '../core/index.js';
import { makePreview } from '../finishing/index.js';
import { writeJpeg } from '../frames/index.js';
import { isSureStreak } from '../report/index.js';
import { bringBack, type Line, lineReach, makeStackPlan } from '../stacking/index.js';
import type { PreparedRun } from './_prepare-run.js';
import { writeWhole } from './_run-folder.js';
import { exportNames } from './_side-cars.js';
import type { RunWork } from './_stack-config.js';
import { writeLinearTiff } from './_stack-files.js';
import type { Member } from './_stack-members.js';
import type { ResultFolder } from './_stack-results.js';
import { stackPart } from './_tiles.js';
import type { BlankLine } from './stack-worker.js';

/** A line of light in one frame: an aircraft, a satellite, a meteor; clipped away in the stack. */
export interface Transient {
  /** The frame's name and the line's number in it; `--bring-back` takes it. */
  readonly id: string;
  readonly member: Member;
  /** px on the frame. */
  readonly onFrame: BlankLine;
  /** px on the stack's grid. */
  readonly onStack: Line;
}

/** The lines of light found in a frame, that are no chance. */
export function linesOf({ record }: Member): BlankLine[] {
  const extra = record.measurement?.extra as { streaks?: BlankLine[] } | undefined;
  const { width, height } = record.header;
  const size = width === undefined || height === undefined ? {} : { width, height };
  return (extra?.streaks ?? []).filter((streak) => isSureStreak(size, { brightness: 0, ...streak }));
}

/** The lines of a run's frames with their place on the stack, in the order of time. */
export function transientsOf(run: Pick<PreparedRun, 'alignment' | 'members'>): Transient[] {
  const names = exportNames(run.members.map(({ record }) => record));
  return [...run.members]
    .sort((a, b) => a.index - b.index)
    .flatMap((member) => {
      const back = inverseMapper(run.alignment, member.index);
      return linesOf(member).flatMap((onFrame, i) => {
        const [x1, y1] = back(onFrame.x1, onFrame.y1);
        const [x2, y2] = back(onFrame.x2, onFrame.y2);
        if (!Number.isFinite(x1 + y1 + x2 + y2)) return [];
        const onStack = { x1, y1, x2, y2, width: onFrame.width };
        return [{ id: `${names.get(member.record.id)!}-${i + 1}`, member, onFrame, onStack }];
      });
    });
}

/** Those that were asked for. @throws {InputError} VALUE_NOT_UNDERSTOOD for an id that is none of them */
export function chosenTransients(all: readonly Transient[], ids: readonly string[]): Transient[] {
  return ids.map((id) => {
    const found = all.find((transient) => transient.id.toLowerCase() === id.toLowerCase());
    if (found) return found;
    const there = all.map((transient) => transient.id).join(', ') || 'none were found in this run';
    throw new InputError(
      'VALUE_NOT_UNDERSTOOD',
      `Expected the name of a line of light to bring back but received "${id}"; there are: ${there}.`,
    );
  });
}

/** A line's surroundings on the stack's grid, from a multiple of 32 px; undefined off the picture. */
function surroundings(line: Line, width: number, height: number) {
  const { across, beyond } = lineReach(line);
  const margin = 32 + across + beyond;
  const from = (a: number, b: number) => Math.max(0, Math.floor((Math.min(a, b) - margin) / 32) * 32);
  const to = (a: number, b: number, size: number) => Math.min(size, Math.ceil(Math.max(a, b) + margin));
  const [x0, y0] = [from(line.x1, line.x2), from(line.y1, line.y2)];
  const [x1, y1] = [to(line.x1, line.x2, width), to(line.y1, line.y2, height)];
  return x1 > x0 && y1 > y0 ? { x0, y0, width: x1 - x0, height: y1 - y0 } : undefined;
}

/** The frame alone about a line, scaled and levelled as it enters the stack. */
async function partOf(
  work: RunWork,
  run: PreparedRun,
  transient: Transient,
): Promise<
  { readonly rect: NonNullable<ReturnType<typeof surroundings>>; readonly image: ColorImage } | undefined
> {
  const rect = surroundings(transient.onStack, run.shared.width, run.shared.height);
  if (!rect) return undefined;
  const own = run.frames.find(({ member }) => member === transient.member)!;
  const plan = makeStackPlan({ ...run.shared, frames: [own.frame], sky: { method: 'mean' } });
  const image = await stackPart(work.context, work.pool, plan, {
    ...{ scratch: run.scratch, memoryBytes: work.config.memoryBytes, layer: 'sky', rect },
  });
  return { rect, image };
}

/** What `show` and the stack's JSON say of a line; the paths are file names in the stack's folder. */
export interface TransientEntry {
  readonly id: string;
  readonly frameId: string;
  readonly takenAt?: string;
  readonly onFrame: BlankLine;
  readonly onStack: Line;
  /** px on the frame. */
  readonly length: number;
  readonly broughtBack: boolean;
  readonly cutOut?: string;
  readonly cutOutTiff?: string;
}

const rounded = <T extends BlankLine>({ x1, y1, x2, y2, width }: T): BlankLine => {
  const r = (value: number) => Number(value.toFixed(1));
  return { x1: r(x1), y1: r(y1), x2: r(x2), y2: r(y2), width: r(width) };
};

/**
 * Saves a cut-out of each line (the frame alone, on the stack's grid) and brings the chosen ones back into the
 * picture, in place (P36).
 */
export async function handleTransients(
  work: RunWork,
  run: PreparedRun,
  results: ResultFolder,
  to: {
    readonly all: readonly Transient[];
    readonly chosen: readonly Transient[];
    readonly image: ColorImage;
    readonly landShare?: Plane | undefined;
  },
): Promise<TransientEntry[]> {
  const entries: TransientEntry[] = [];
  for (const transient of to.all) {
    const { id, member, onFrame, onStack } = transient;
    const part = await partOf(work, run, transient);
    const entry = {
      id,
      frameId: member.record.id,
      ...(member.record.takenMs === undefined
        ? {}
        : { takenAt: new Date(member.record.takenMs).toISOString() }),
      onFrame: rounded(onFrame),
      onStack: rounded(onStack),
      length: Number(Math.hypot(onFrame.x2 - onFrame.x1, onFrame.y2 - onFrame.y1).toFixed(1)),
    };
    if (!part) {
      entries.push({ ...entry, broughtBack: false });
      continue;
    }
    const [jpeg, tiff] = [`line-${id}.jpg`, `line-${id}.tif`];
    await writeCutOut(results, run, part.image, { jpeg, tiff, member });
    const broughtBack = to.chosen.includes(transient) && bringBack(to.image, part, onStack, to.landShare) > 0;
    entries.push({ ...entry, broughtBack, cutOut: jpeg, cutOutTiff: tiff });
  }
  return entries;
}

async function writeCutOut(
  results: ResultFolder,
  run: PreparedRun,
  image: ColorImage,
  to: { readonly jpeg: string; readonly tiff: string; readonly member: Member },
): Promise<void> {
  const { width, height } = image;
  const exposure = Number(to.member.exposure.toFixed(3));
  await writeLinearTiff(results.file(to.tiff), image, {
    ...results.facts,
    exif: { ...results.facts.exif, width, height, exposureTime: exposure },
    ...{ frames: 1, totalExposure: exposure, method: 'cut out of one frame' },
  });
  const { color, whiteLevel, decoder } = run.example;
  const preview = makePreview(
    {
      ...{ kind: 'color', width, height, data: image.data, blackLevel: [0], whiteLevel },
      ...{ quantization: 1, decoder, warnings: [] },
      ...(color === undefined ? {} : { color }),
    },
    { longSide: Math.max(width, height) },
  );
  // Turned by the viewer, as the picture is.
  const exif = { ...results.facts.exif, width: preview.width, height: preview.height };
  await writeWhole(results.file(to.jpeg), await writeJpeg({ ...preview, exif, quality: 90 }));
}
