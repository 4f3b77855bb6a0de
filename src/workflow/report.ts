import { mkdir } from 'node:fs/promises';
import { join, relative, sep } from 'node:path';
import { throwIfCancelled } from '../core/index.js';
import {
  findSession,
  framePath,
  insideLibrary,
  type Library,
  nightFolders,
  openLibrary,
  type SessionRecord,
  stacksOf,
  storageError,
  toSession,
  toStack,
} from '../library/index.js';
import {
  type ReportData,
  type ReportFrame,
  type ReportRun,
  type ReportStack,
  reportPage,
} from '../report/index.js';
import { gatherReport, present, type RunSource } from './_report-data.js';
import { openPictures, type PictureFolder, smallJpeg, smallMap } from './_report-images.js';
import { loadDefects, runFolder, writeWhole } from './_run-folder.js';
import { toolVersion } from './_version.js';
import type { WorkflowContext } from './context.js';

/** Sizes of the pictures on the page; smaller makes a smaller page. */
export interface ReportConfig {
  /** px, long side: the finished picture, judged frames, kept frames, maps. */
  readonly pictureSide: number;
  readonly judgedSide: number;
  readonly keptSide: number;
  readonly mapSide: number;
}

export const REPORT_DEFAULTS: ReportConfig = {
  pictureSide: 1600,
  judgedSide: 420,
  keptSide: 240,
  mapSide: 480,
};

/** What `report` made. */
export interface ReportResult {
  readonly session: ReturnType<typeof toSession>;
  /** Absolute path of index.html. */
  readonly path: string;
  readonly data: ReportData;
}

/**
 * Writes the report of a session: `report/index.html`, its JSON twin `report/session.json` and small pictures.
 * Both files are written whole or not at all; a stopped report leaves the last one in place.
 *
 * @param target `latest`, an id or a date
 * @throws {InputError} UNKNOWN_ID
 * @throws {StorageError} when the library cannot be written
 */
export async function writeReport(
  context: WorkflowContext,
  target: string,
  config: Partial<ReportConfig> = {},
): Promise<ReportResult> {
  const settings = { ...REPORT_DEFAULTS, ...config };
  const library = openLibrary(context.libraryDir, { mode: 'write' });
  try {
    const session = findSession(library, target);
    const dir = insideLibrary(library.dir, nightFolders(session.folder).report);
    const gathered = gatherReport(library, session, { at: context.clock(), version: toolVersion() });
    try {
      await mkdir(dir, { recursive: true });
      const pictures = await openPictures(dir, context.signal);
      const work = { context, library, session, dir, pictures, settings };
      const runs: ReportRun[] = [];
      for (const [i, run] of gathered.data.runs.entries()) {
        runs.push(await illustrate(work, run, gathered.sources[i]!));
      }
      const data: ReportData = { ...gathered.data, runs };
      throwIfCancelled(context.signal);
      const path = join(dir, 'index.html');
      await writeWhole(join(dir, 'session.json'), `${JSON.stringify(data, null, 1)}\n`);
      await writeWhole(path, reportPage(data));
      await pictures.tidy();
      return { session: toSession(session), path, data };
    } catch (error) {
      // Only what the system refused is a matter of storage; a slip of ours stays one.
      const code = (error as { code?: unknown }).code;
      throw typeof code === 'string' ? storageError(error, dir, 'write the report') : error;
    }
  } finally {
    library.close();
  }
}

interface Work {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly session: SessionRecord;
  readonly dir: string;
  readonly pictures: PictureFolder;
  readonly settings: ReportConfig;
}

/** A path as a link of the page. */
const linkTo = (work: Work, path: string): string =>
  relative(work.dir, path).split(sep).map(encodeURIComponent).join('/');

/** Adds small pictures, stacks and the count of defects to a run. */
async function illustrate(work: Work, run: ReportRun, source: RunSource): Promise<ReportRun> {
  const { context, library, session, pictures, settings } = work;
  const folder = runFolder(library.dir, session, source.sequence);
  const frames: ReportFrame[] = [];
  for (const [i, frame] of run.frames.entries()) {
    const record = source.records[i]!;
    const longSide = frame.verdict === 'keep' ? settings.keptSide : settings.judgedSide;
    const { orientation } = record.header;
    const thumbnail = await pictures.add(`${frame.id}.jpg`, () =>
      smallJpeg(folder.preview(frame.id), { longSide, orientation }),
    );
    frames.push({
      ...frame,
      ...(record.files.length > 0 ? { file: linkTo(work, framePath(library, record)) } : {}),
      ...(thumbnail === undefined ? {} : { thumbnail }),
    });
    context.progress({ task: 'small pictures', done: i + 1, total: run.frames.length, unit: 'frames' });
  }
  const defects = (await loadDefects(folder.defects)).length;
  const stack = await reportStack(work, source);
  return {
    ...run,
    frames,
    ...(defects > 0 ? { defectCount: defects } : {}),
    ...(stack ? { stack } : {}),
  };
}

/** What the stack stage keeps beyond the contract. */
interface StackMore {
  readonly mastersUsed?: readonly string[];
  readonly notes?: readonly string[];
  readonly rejectedShare?: number;
}

/** The newest stack of a run that is not stale, its pictures brought to the page's size. */
async function reportStack(work: Work, source: RunSource): Promise<ReportStack | undefined> {
  const { library, pictures, settings } = work;
  const { sequence, records } = source;
  const record = stacksOf(library, sequence.id)
    .filter((stack) => !stack.stale)
    .at(-1);
  if (!record) return undefined;
  const stack = toStack(library, record);
  const more = record.body as StackMore;
  const { files } = stack;
  const name = `run-${sequence.ordinal}`;
  const reference = records[Math.floor(records.length / 2)];
  const orientation = reference?.header.orientation;
  const jpeg = (path: string | undefined, suffix: string, longSide: number) =>
    path === undefined
      ? undefined
      : pictures.add(`${name}-${suffix}.jpg`, () => smallJpeg(path, { longSide, quality: 84 }));
  const map = (path: string | undefined, suffix: string) =>
    path === undefined
      ? undefined
      : pictures.add(`${name}-${suffix}.png`, () =>
          smallMap(path, { longSide: settings.mapSide, orientation }),
        );
  const { singleJpeg, ...offered } = files;
  return present({
    method: record.method ?? 'clipped-mean',
    framesUsed: record.framesUsed ?? 0,
    totalExposure: record.totalExposure ?? 0,
    noise: stack.noise as ReportStack['noise'],
    mastersUsed: more.mastersUsed ?? [],
    rejectedShare: more.rejectedShare,
    picture: await jpeg(files.pictureJpeg, 'picture', settings.pictureSide),
    single: await jpeg(singleJpeg, 'single', settings.mapSide * 2),
    coverage: await map(files.coverage, 'coverage'),
    rejected: await map(files.rejected, 'rejected'),
    mask: await map(files.mask, 'mask'),
    files: Object.fromEntries(Object.entries(offered).map(([key, path]) => [key, linkTo(work, path)])),
    notes: more.notes ?? [],
  });
}
