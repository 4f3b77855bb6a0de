import { copyFile, mkdir } from 'node:fs/promises';
import { basename, dirname, extname, join, resolve } from 'node:path';
import { DataError } from '../core/index.js';
import {
  type FrameRecord,
  framePath,
  framesOf,
  insideLibrary,
  nightFolders,
  type SessionRecord,
} from '../library/index.js';
import { falloffGain, makeStackPlan } from '../stacking/index.js';
import { overRuns, type RunPlace } from './_over-runs.js';
import { type PreparedRun, prepareRun } from './_prepare-run.js';
import { loadAlignmentFile, NOT_MEASURED, runFolder, writeWhole } from './_run-folder.js';
import { withScratch } from './_scratch.js';
import { exportNames, verdictXmp, writeSideCar } from './_side-cars.js';
import { exifOf } from './_stack-facts.js';
import { type StackFacts, writeLinearTiff } from './_stack-files.js';
import { type Member, membersOf } from './_stack-members.js';
import { stackPixels } from './_tiles.js';
import { toolVersion } from './_version.js';
import type { WorkflowContext } from './context.js';

/** Settings of the export stage. */
export interface ExportConfig {
  /** Folder for the files, one below it a run; default `export` in the night's own folder. */
  readonly to?: string;
  /** What stays in place from frame to frame: the sky (aligned on the stars) or the land. */
  readonly hold: 'sky' | 'land';
  /** Whether calibrated and aligned frames are written. */
  readonly tiff: boolean;
  /** Whether the originals of all lights are copied, each with its side-car. */
  readonly originals: boolean;
  /** Whether side-cars are written beside the originals in the library too. */
  readonly besideOriginals: boolean;
  /** Use darks and flats that do not match. */
  readonly force: boolean;
  /** Bytes that tiles under way may take together. */
  readonly memoryBytes: number;
}

export const EXPORT_DEFAULTS: ExportConfig = {
  hold: 'sky',
  tiff: true,
  originals: false,
  besideOriginals: false,
  force: false,
  memoryBytes: 200e6,
};

/** What one frame came to. */
export interface ExportedFrame {
  readonly frameId: string;
  readonly tiff?: string;
  /** Copy of its original. */
  readonly original?: string;
  readonly sideCars: readonly string[];
}

/** What became of one run. */
export interface ExportOutcome {
  readonly sequenceId: string;
  readonly folder?: string;
  readonly frames: readonly ExportedFrame[];
  readonly notes: readonly string[];
  /** Why nothing was exported. */
  readonly reason?: string;
}

/**
 * Writes a session's or a run's kept frames, calibrated and aligned, as 16-bit TIFF for an editor, and the
 * verdicts as XMP side-cars beside them (and beside copies of the originals, where asked). The originals are
 * not touched; a side-car goes beside them only where asked.
 *
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when the session holds no lights
 */
export async function exportFrames(
  context: WorkflowContext,
  target: string,
  config: Partial<ExportConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly exports: readonly ExportOutcome[] }> {
  const settings = { ...EXPORT_DEFAULTS, ...config };
  const { session, results } = await overRuns(context, target, 'write', (place) =>
    exportRun(place, settings),
  );
  return { session, exports: results };
}

async function exportRun(place: RunPlace, config: ExportConfig): Promise<ExportOutcome> {
  const { library, session, sequence } = place;
  const records = framesOf(library, sequence.id);
  const nothing = (reason: string): ExportOutcome => ({
    ...{ sequenceId: sequence.id, frames: [], notes: [], reason },
  });
  const alignment = await loadAlignmentFile(runFolder(library.dir, session, sequence).alignment);
  if (!alignment) return nothing(NOT_MEASURED);
  const members = membersOf(place, alignment);
  if (config.tiff && members.length === 0) return nothing('No frame of it was kept.');
  const base = config.to
    ? resolve(config.to)
    : insideLibrary(library.dir, nightFolders(session.folder).export);
  const folder = join(base, `run-${sequence.ordinal}`);
  await mkdir(folder, { recursive: true });
  const names = exportNames(records);
  const notes: string[] = [];
  const tiffs = new Map<string, string>();
  try {
    if (config.tiff) {
      const scratch = { library, session, command: 'export' };
      await withScratch(scratch, `export-${sequence.ordinal}`, async (dir) => {
        const run = await prepareRun(place, alignment, members, dir, {
          force: config.force,
          resultBytes: members.length * alignment.width * alignment.height * 6,
          command: 'export',
        });
        for (const member of members) {
          const path = join(folder, `${names.get(member.record.id)!}.tif`);
          await writeFrame({ place, config, run, member, path });
          tiffs.set(member.record.id, path);
          const done = { done: tiffs.size, total: members.length };
          place.context.progress({ task: 'writing frames', ...done, unit: 'frames' });
        }
        notes.push(...(await writeRecipe(folder, config, run)));
      });
    }
  } catch (error) {
    if (error instanceof DataError) return nothing(error.message);
    throw error;
  }
  const frames: ExportedFrame[] = [];
  for (const record of records) {
    const name = names.get(record.id)!;
    const done = await writeVerdict(place, record, {
      config,
      folder,
      name,
      notes,
      tiff: tiffs.get(record.id),
    });
    if (done.tiff !== undefined || done.original !== undefined || done.sideCars.length > 0) frames.push(done);
  }
  return { sequenceId: sequence.id, folder, frames, notes };
}

/** One frame, calibrated and moved onto the reference, its brightness as the camera recorded it. */
async function writeFrame(task: {
  readonly place: RunPlace;
  readonly config: ExportConfig;
  readonly run: PreparedRun;
  readonly member: Member;
  readonly path: string;
}): Promise<void> {
  const { place, config, run, member, path } = task;
  const { record } = member;
  const own = run.frames.find((item) => item.member === member)!.frame;
  const { level: _level, zoneWeights: _zones, ...rest } = own;
  const plan = makeStackPlan({
    ...run.shared,
    frames: [{ ...rest, scale: 1, landScale: 1, weight: 1 }],
    sky: { method: 'mean' },
    land: { method: 'mean' },
  });
  const image = await stackPixels(place.context, place.pool, plan, {
    scratch: run.scratch,
    memoryBytes: config.memoryBytes,
    layer: config.hold,
  });
  const { example, falloff } = run;
  const facts: StackFacts = {
    exif: {
      ...exifOf(record.header),
      exposureTime: Number(member.exposure.toFixed(3)),
      orientation: example.header.orientation ?? 1,
      width: image.width,
      height: image.height,
      software: `Nightcairn ${toolVersion()}`,
    },
    totalExposure: Number(member.exposure.toFixed(3)),
    frames: 1,
    method: `calibrated and aligned on the ${config.hold}`,
    software: `Nightcairn ${toolVersion()}`,
    white: Number((Math.max(...example.whiteLevel) * (falloff ? falloffGain(falloff) : 1)).toFixed(2)),
  };
  await writeLinearTiff(path, image, facts, verdictXmp(record));
}

/** What the frames were made of and with; returns the notes on calibration. */
async function writeRecipe(folder: string, config: ExportConfig, run: PreparedRun): Promise<string[]> {
  const { calibration, falloff, example, reference, members } = run;
  const recipe = {
    tool: `Nightcairn ${toolVersion()}`,
    decoder: example.decoder,
    hold: config.hold,
    masters: calibration.masters.map(({ kind, frameIds, master }) => ({
      kind,
      frames: master.frames,
      frameIds,
    })),
    falloff: falloff ? { source: falloff.source, corner: 1 / falloffGain(falloff) } : null,
    reference: reference.record.id,
    frames: members.map(({ record }) => ({ id: record.id, sha256: record.files[0]?.sha256 ?? null })),
  };
  await writeWhole(join(folder, 'recipe.json'), `${JSON.stringify(recipe, null, 2)}\n`);
  return [...calibration.notes];
}

/** A frame's side-cars, and the copy of its original. */
async function writeVerdict(
  place: RunPlace,
  record: FrameRecord,
  task: {
    readonly config: ExportConfig;
    readonly folder: string;
    readonly name: string;
    readonly notes: string[];
    readonly tiff: string | undefined;
  },
): Promise<ExportedFrame> {
  const { config, folder, name, notes, tiff } = task;
  const packet = verdictXmp(record);
  const sideCars: string[] = [];
  const put = async (dir: string, base: string) => {
    if (packet === undefined) return;
    const path = join(dir, `${base}.xmp`);
    if (await writeSideCar(dir, base, packet)) sideCars.push(path);
    else notes.push(`${path} was written by another program and was left as it is.`);
  };
  if (tiff !== undefined) await put(folder, name);
  let original: string | undefined;
  if (config.originals) {
    const dir = join(folder, 'originals');
    await mkdir(dir, { recursive: true });
    for (const file of record.files) {
      const from = insideLibrary(place.library.dir, file.path);
      const copy = join(dir, basename(from));
      await copyFile(from, copy);
      original ??= copy;
    }
    await put(dir, name);
  }
  if (config.besideOriginals) {
    const from = framePath(place.library, record);
    await put(dirname(from), basename(from, extname(from)));
  }
  return {
    frameId: record.id,
    ...(tiff === undefined ? {} : { tiff }),
    ...(original === undefined ? {} : { original }),
    sideCars,
  };
}
