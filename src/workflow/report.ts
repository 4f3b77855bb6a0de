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
  type StackRecord,
  stacksOf,
  storageError,
  toSession,
  toStack,
} from '../library/index.js';
import {
  hidePlace,
  type ReportData,
  type ReportFrame,
  type ReportRun,
  type ReportStack,
  reportPage,
  type Told,
  tell,
} from '../report/index.js';
import { present } from './_present.js';
import { addCloseUps } from './_report-close-ups.js';
import { gatherReport, type RunSource } from './_report-data.js';
import { openPictures, type PictureFolder, sizeOf, smallJpeg, smallMap } from './_report-images.js';
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
  /** Most doubtful and dropped frames of a run to open at full size for close-ups; 0 opens no frame at all. */
  readonly closeUps: number;
  /** Another session to set beside this one: an id or a date. */
  readonly with?: string;
  /** Leaves out where it was: position, site's name, notes, links to originals, heights to the degree. */
  readonly private: boolean;
}

export const REPORT_DEFAULTS: ReportConfig = {
  pictureSide: 1600,
  judgedSide: 420,
  keptSide: 240,
  mapSide: 480,
  closeUps: 40,
  private: false,
};

/** What `report` made. */
export interface ReportResult {
  readonly session: ReturnType<typeof toSession>;
  /** Absolute path of index.html. */
  readonly path: string;
  readonly data: ReportData;
  /** The sentences and tables of the page. */
  readonly told: Told;
}

/** How a report was asked for, so that it can be written again alike; a private one names no other night. */
const asked = (settings: ReportConfig): { readonly private: boolean; readonly with?: string } => ({
  private: settings.private,
  ...(settings.with === undefined || settings.private ? {} : { with: settings.with }),
});

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
    const made = { at: context.clock(), version: toolVersion() };
    const gathered = gatherReport(library, session, made);
    const other =
      settings.with === undefined
        ? undefined
        : gatherReport(library, findSession(library, settings.with), made);
    try {
      await mkdir(dir, { recursive: true });
      const pictures = await openPictures(dir, context.signal);
      const work = { context, library, session, dir, pictures, settings };
      const runs: ReportRun[] = [];
      for (const [i, run] of gathered.data.runs.entries()) {
        runs.push(await illustrate(work, run, gathered.sources[i]!));
      }
      const whole: ReportData = { ...gathered.data, runs };
      const data = settings.private ? hidePlace(whole) : whole;
      const beside = other && withStacks(work, other);
      const told = tell(data, beside && settings.private ? hidePlace(beside) : beside);
      throwIfCancelled(context.signal);
      const path = join(dir, 'index.html');
      await writeWhole(
        join(dir, 'session.json'),
        `${JSON.stringify({ ...data, told, asked: asked(settings) }, null, 1)}\n`,
      );
      await writeWhole(path, reportPage(data, told));
      await pictures.tidy();
      return { session: toSession(session), path, data, told };
    } catch (error) {
      // Only what the system refused is a matter of storage; a slip of ours stays one.
      const code = (error as { code?: unknown }).code;
      throw typeof code === 'string' ? storageError(error, dir, 'write the report') : error;
    }
  } finally {
    library.close();
  }
}

/** The numbers of another session's stacks, without its pictures. */
function withStacks(
  work: Work,
  other: { readonly data: ReportData; readonly sources: readonly RunSource[] },
): ReportData {
  return {
    ...other.data,
    runs: other.data.runs.map((run, i) => {
      const record = newestStack(work.library, other.sources[i]!);
      return record ? { ...run, stack: stackFacts(work.library, record) } : run;
    }),
  };
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

/** Most larger pictures of judged frames on one page. */
const MOST_LARGE = 80;

/** Adds small pictures, stacks and the count of defects to a run. */
async function illustrate(work: Work, run: ReportRun, source: RunSource): Promise<ReportRun> {
  const { context, library, session, pictures, settings } = work;
  const folder = runFolder(library.dir, session, source.sequence);
  const frames: ReportFrame[] = [];
  let large = 0;
  for (const [i, frame] of run.frames.entries()) {
    const record = source.records[i]!;
    // In a night gone wrong as a whole the pictures stay small, and with them the page.
    const judged = frame.verdict === 'drop' || frame.verdict === 'doubt';
    const longSide = judged && large++ < MOST_LARGE ? settings.judgedSide : settings.keptSide;
    const { orientation } = record.header;
    const thumbnail = await pictures.add(`${frame.id}.jpg`, () =>
      smallJpeg(folder.preview(frame.id), { longSide, orientation, lift: 1.4 }),
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
  const seen = await addCloseUps(
    { context, library, session, pictures, most: settings.closeUps },
    { ...run, frames },
    source,
  );
  return {
    ...seen,
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

/** The newest stack of a run; one made before frames were decided or sorted anew only where there is no other. */
function newestStack(library: Library, { sequence }: RunSource): StackRecord | undefined {
  const stacks = stacksOf(library, sequence.id);
  return stacks.filter((stack) => !stack.stale).at(-1) ?? stacks.at(-1);
}

/** Said of a stack that later choices have left behind. */
const STALE =
  'Frames were kept, dropped or sorted anew since this stack was made; stack the run again for that to show.';

/** What the catalogue says of a stack, without files. */
function stackFacts(library: Library, record: StackRecord): ReportStack {
  const more = record.body as StackMore;
  return present({
    method: record.method ?? 'clipped-mean',
    framesUsed: record.framesUsed ?? 0,
    totalExposure: record.totalExposure ?? 0,
    noise: toStack(library, record).noise as ReportStack['noise'],
    mastersUsed: more.mastersUsed ?? [],
    rejectedShare: more.rejectedShare,
    files: {},
    notes: [...(record.stale ? [STALE] : []), ...(more.notes ?? [])],
  });
}

/** The newest stack of a run, its pictures brought to the page's size. */
async function reportStack(work: Work, source: RunSource): Promise<ReportStack | undefined> {
  const { library, pictures, settings } = work;
  const { sequence, records } = source;
  const record = newestStack(library, source);
  if (!record) return undefined;
  const { files } = toStack(library, record);
  const name = `run-${sequence.ordinal}`;
  const orientation = records.find((frame) => frame.sound)?.header.orientation;
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
  const picture = await jpeg(files.pictureJpeg, 'picture', settings.pictureSide);
  return present({
    ...stackFacts(library, record),
    picture,
    pictureSize: picture === undefined ? undefined : await sizeOf(join(work.dir, picture)),
    single: await jpeg(singleJpeg, 'single', settings.mapSide * 2),
    coverage: await map(files.coverage, 'coverage'),
    rejected: await map(files.rejected, 'rejected'),
    mask: await map(files.mask, 'mask'),
    files: Object.fromEntries(Object.entries(offered).map(([key, path]) => [key, linkTo(work, path)])),
  });
}
