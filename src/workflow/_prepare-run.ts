import { join } from 'node:path';
import type { Alignment } from '../alignment/index.js';
import type { Mask } from '../core/index.js';
import { framePath, starTablePath } from '../library/index.js';
import {
  type CoarseSky,
  defectsFromDark,
  type Falloff,
  falloffGain,
  fitFalloff,
  fitSky,
  fitStarFalloff,
  joinDefects,
  type makeStackPlan,
  packRange,
} from '../stacking/index.js';
import { type Calibration, calibrationFor } from './_calibration.js';
import { loadDefects, loadMask, runFolder } from './_run-folder.js';
import { checkRoom } from './_scratch.js';
import { type SkyPointing, skyPointing } from './_sky-pointing.js';
import type { RunWork } from './_stack-config.js';
import { type Member, referenceOf, spread, stackFrames, type Weighted } from './_stack-members.js';
import { starLight } from './_star-light.js';
import type { BlankLine, CalibrationSet, PreparedFrame, Surveyed } from './stack-worker.js';

/** Most survey frames for the falloff; more tell nothing new. */
const SURVEY_FRAMES = 8;

/** What preparing needs of a stage's run. */
export type PrepareWork = Pick<RunWork, 'context' | 'library' | 'pool' | 'session' | 'sequence'>;

export interface PrepareOptions {
  /** Use darks and flats that do not match. */
  readonly force: boolean;
  /** Leave darks and biases out. */
  readonly withoutDarks?: boolean;
  /** Take row or column offsets off. */
  readonly banding?: 'rows' | 'columns' | undefined;
  /** Lines of light to be left out of a member. */
  readonly blank?: (member: Member) => readonly BlankLine[];
  /** Bytes that the stage's results will take, for the check of the disk. */
  readonly resultBytes: number;
  /** The command that asks, for messages. */
  readonly command: string;
}

/** A run whose frames are calibrated and packed into scratch files, ready to be made into anything. */
export interface PreparedRun {
  readonly alignment: Alignment;
  readonly members: readonly Member[];
  readonly reference: Member;
  readonly calibration: Calibration;
  readonly falloff: Falloff | undefined;
  /** Where the stack's grid points, where the stars tell. */
  readonly pointing: SkyPointing | undefined;
  /** What the reference frame is like. */
  readonly example: Surveyed;
  readonly firstMask: Mask | undefined;
  readonly skies: ReadonlyMap<string, CoarseSky>;
  readonly frames: readonly Weighted[];
  /** Scratch file of each frame, by its id. */
  readonly scratch: Readonly<Record<string, string>>;
  /** What every plan over this run has in common. */
  readonly shared: Omit<Parameters<typeof makeStackPlan>[0], 'frames'>;
}

/** Calibrates the members of a run into scratch files and works out how each enters a stack. */
export async function prepareRun(
  work: PrepareWork,
  alignment: Alignment,
  members: readonly Member[],
  scratchDir: string,
  options: PrepareOptions,
): Promise<PreparedRun> {
  const { context, library, pool, session, sequence } = work;
  const folder = runFolder(library.dir, session, sequence);
  const firstMask = await loadMask(folder.mask);
  const found = await calibrationFor({ ...work, ...options });
  const reference = referenceOf(members, alignment);
  const defects = await defectsOf(folder.defects, alignment, found);
  const calibration = withoutPixels(found);
  const base: CalibrationSet = {
    masters: calibration.masters.map(({ path }) => path),
    defects,
    banding: options.banding,
  };

  // The reference and a few others first: they tell the lens's falloff.
  const picked = spread(members, SURVEY_FRAMES);
  if (!picked.includes(reference)) picked.push(reference);
  let looked = 0;
  const surveys = await Promise.all(
    picked.map(async (member) => {
      const found = await pool.run<Surveyed>(
        'survey',
        { path: framePath(library, member.record), set: base, mask: firstMask },
        { signal: context.signal },
      );
      context.progress({ task: 'reading the sky', done: ++looked, total: picked.length, unit: 'frames' });
      return found;
    }),
  );
  const example = surveys[picked.indexOf(reference)]!;
  const hasFlat = calibration.masters.some(({ kind }) => kind === 'flat');
  const pointing = pointingOf(work, alignment, members, reference);
  const falloff = hasFlat
    ? undefined
    : ((await falloffOfStars(work, alignment, pointing, picked)) ??
      fitFalloff(surveys.map(({ sky }) => sky)));
  const set: CalibrationSet = { ...base, falloff };

  const white = Math.max(...example.whiteLevel);
  const range = packRange(white, falloff ? falloffGain(falloff) : hasFlat ? 3 : 1);
  const planes = example.kind === 'color' ? 3 : 1;
  const working = members.length * alignment.width * alignment.height * planes * 2;
  await checkRoom(scratchDir, { working, results: options.resultBytes }, options.command);
  const scratch: Record<string, string> = {};
  const skies = new Map<string, CoarseSky>();
  let prepared = 0;
  await Promise.all(
    members.map(async (member) => {
      const path = join(scratchDir, member.record.id);
      scratch[member.record.id] = path;
      const { sky } = await pool.run<PreparedFrame>(
        'prepare',
        {
          ...{ path: framePath(library, member.record), set, mask: firstMask, pack: range, scratch: path },
          ...(options.blank ? { blank: options.blank(member) } : {}),
        },
        { signal: context.signal },
      );
      skies.set(member.record.id, sky);
      context.progress({ task: 'calibrating', done: ++prepared, total: members.length, unit: 'frames' });
    }),
  );

  // What decoding left in the threads' memory goes before tiles fill it.
  await pool.renew();
  const limit = (color: 0 | 1 | 2) => 0.97 * example.whiteLevel[color];
  return {
    alignment,
    members,
    reference,
    calibration,
    falloff,
    pointing,
    example,
    firstMask,
    skies,
    frames: stackFrames(alignment, members, reference, skies, planes === 3),
    scratch,
    shared: {
      width: alignment.width,
      height: alignment.height,
      ...(example.cfa === undefined ? {} : { cfa: example.cfa }),
      sourcePlanes: planes,
      ...(example.color === undefined ? {} : { balance: example.color.multipliers }),
      pack: range,
      saturation: [limit(0), limit(1), limit(2)],
      skySurface: fitSky(skies.get(reference.record.id)!),
    },
  };
}

/** Where the alignment's reference points; it need not be a member, only its clock must be near. */
function pointingOf(
  { session }: PrepareWork,
  alignment: Alignment,
  members: readonly Member[],
  reference: Member,
): SkyPointing | undefined {
  const { latitude, longitude } = session.site ?? {};
  const grid = members.find(({ index }) => index === alignment.referenceIndex) ?? reference;
  const { takenMs } = grid.record;
  if (latitude === undefined || longitude === undefined || takenMs === undefined) {
    return skyPointing(alignment);
  }
  return skyPointing(alignment, {
    site: { latitude, longitude },
    instant: new Date(takenMs + 500 * grid.exposure),
  });
}

/** The falloff that the light of known stars tells; clouded frames have no say where there are others. */
async function falloffOfStars(
  { library, session }: PrepareWork,
  alignment: Alignment,
  pointing: SkyPointing | undefined,
  picked: readonly Member[],
): Promise<Falloff | undefined> {
  if (!pointing) return undefined;
  const clear = picked.filter(({ transparency }) => transparency > 0.93);
  const tables = (clear.length > 0 ? clear : picked).map(({ record, index }) => ({
    path: starTablePath(library.dir, session.folder, record.id),
    index,
  }));
  const { width, height } = alignment;
  return fitStarFalloff(await starLight(alignment, pointing, tables), pointing.lens, { width, height });
}

/** The masters' facts alone: their pixels are read by the threads and would only take memory here. */
const withoutPixels = ({ masters, notes }: Calibration): Calibration => ({
  masters: masters.map((chosen) => {
    const { data: _data, ...master } = chosen.master;
    return { ...chosen, master };
  }),
  notes,
});

async function defectsOf(path: string, alignment: Alignment, calibration: Calibration) {
  const own = await loadDefects(path);
  const { width, height } = alignment;
  const dark = calibration.masters.find(({ kind }) => kind === 'dark')?.master;
  return joinDefects(
    { width, height, index: Int32Array.from(own) },
    dark?.data && dark.width === width && dark.height === height && dark.planes === 1
      ? defectsFromDark({ ...dark, data: dark.data })
      : undefined,
  );
}
