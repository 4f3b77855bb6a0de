import { mkdir } from 'node:fs/promises';
import { basename, join } from 'node:path';
import { DataError, median } from '../core/index.js';
import { DEFAULT_LOOK, type Look } from '../finishing/index.js';
import { insideLibrary, nightFolders, type SessionRecord } from '../library/index.js';
import { chooseMethod, composeLand, falloffGain, makeStackPlan, type Taper } from '../stacking/index.js';
import { finishStack } from './_finish-stack.js';
import { STACK_FILES, stackSource, writeLinearFacts } from './_linear-facts.js';
import { lookNamed } from './_looks.js';
import { overRuns, type RunPlace } from './_over-runs.js';
import { writePictureFiles } from './_picture-files.js';
import { type PreparedRun, prepareRun } from './_prepare-run.js';
import { loadAlignmentFile, NOT_MEASURED, runFolder, writeWhole } from './_run-folder.js';
import { withScratch } from './_scratch.js';
import { STACK_DEFAULTS } from './_stack-config.js';
import { factsOf } from './_stack-facts.js';
import { recipeKey, writeGrey, writeLinearFits, writeLinearTiff } from './_stack-files.js';
import { type LandLayer, landOf } from './_stack-land.js';
import { isKept, type Member, membersOf } from './_stack-members.js';
import { stackPixels } from './_tiles.js';
import { type Dash, dashesOf, inTime, isTrailFrame, type TrailPlan, trailFrames } from './_trail-frames.js';
import { linesOf } from './_transients.js';
import { toolVersion } from './_version.js';
import type { WorkflowContext } from './context.js';

/** Settings of the trails stage. */
export interface TrailConfig {
  /** Close the dashes between frames along the sky's way. */
  readonly bridge: boolean;
  /** Ends of the trails that fade; default none. */
  readonly taper?: Taper;
  /** Leave out frames that were dropped for cloud; they leave breaks. */
  readonly keptOnly: boolean;
  /** Leave out lines of light: aircraft, satellites, meteors. */
  readonly withoutLines: boolean;
  /** Subtract darks where the night or the library holds matching ones. */
  readonly darks: boolean;
  /** `hold`: the land from its own stack; `none`: the brightest pixel there too. */
  readonly land: 'hold' | 'none';
  /** Photographer's own mask picture, white = land. */
  readonly mask?: string;
  /** Name of a look, or a whole one. */
  readonly look: string | Look;
  readonly memoryBytes: number;
  /** Use darks and flats that do not match. */
  readonly force: boolean;
}

export const TRAIL_DEFAULTS: TrailConfig = {
  bridge: false,
  keptOnly: false,
  withoutLines: false,
  darks: true,
  land: 'hold',
  look: DEFAULT_LOOK,
  memoryBytes: STACK_DEFAULTS.memoryBytes,
  force: false,
};

/** The dashes of a run: typical ones, and each break that is longer. */
export interface TrailGaps {
  /** Median dash in the middle of the frame and where the sky moves fastest, px. */
  readonly center: number;
  readonly edge: number;
  /** s, median. */
  readonly seconds: number;
  readonly breaks: readonly {
    readonly after: string;
    readonly before: string;
    readonly seconds: number;
    readonly center: number;
    readonly edge: number;
    readonly bridged: boolean;
  }[];
}

export interface TrailOutcome {
  readonly sequenceId: string;
  readonly folder?: string;
  readonly framesUsed: number;
  /** Frames among them that were dropped for cloud. */
  readonly cloudedFrames: number;
  /** s */
  readonly totalExposure: number;
  readonly gaps?: TrailGaps;
  readonly bridged: boolean;
  readonly files?: Readonly<Record<string, string>>;
  readonly notes: readonly string[];
  /** Why there are no trails. */
  readonly reason?: string;
}

/**
 * Draws star trails: the brightest value of each pixel over a run, in linear light, in front of the land's
 * own stack.
 *
 * @throws {InputError} UNKNOWN_ID; NOTHING_TO_DO when the session holds no lights
 */
export async function trails(
  context: WorkflowContext,
  target: string,
  config: Partial<TrailConfig> = {},
): Promise<{ readonly session: SessionRecord; readonly trails: readonly TrailOutcome[] }> {
  const settings = { ...TRAIL_DEFAULTS, ...config };
  const look = typeof settings.look === 'string' ? await lookNamed(settings.look) : settings.look;
  const { session, results } = await overRuns(context, target, 'write', (place) =>
    trailRun(place, settings, look),
  );
  return { session, trails: results };
}

async function trailRun(place: RunPlace, config: TrailConfig, look: Look): Promise<TrailOutcome> {
  const { library, session, sequence } = place;
  const nothing = (reason: string): TrailOutcome => ({
    ...{ sequenceId: sequence.id, framesUsed: 0, cloudedFrames: 0, totalExposure: 0, bridged: false },
    ...{ notes: [], reason },
  });
  const alignment = await loadAlignmentFile(runFolder(library.dir, session, sequence).alignment);
  if (!alignment) return nothing(NOT_MEASURED);
  const members = membersOf(place, alignment, config.keptOnly ? isKept : isTrailFrame);
  if (members.length < 2) return nothing('Trails need at least two frames that were kept.');
  const scratch = { library, session, command: 'trails' };
  try {
    return await withScratch(scratch, `trails-${sequence.ordinal}`, async (dir) => {
      const run = await prepareRun(place, alignment, members, dir, {
        force: config.force,
        withoutDarks: !config.darks,
        ...(config.withoutLines ? { blank: linesOf } : {}),
        resultBytes: alignment.width * alignment.height * (12 + 6 + 6 + 3),
        command: 'trails',
      });
      return drawTrails(place, config, look, run);
    });
  } catch (error) {
    if (error instanceof DataError) return nothing(error.message);
    throw error;
  }
}

async function drawTrails(
  place: RunPlace,
  config: TrailConfig,
  look: Look,
  run: PreparedRun,
): Promise<TrailOutcome> {
  const { context, pool } = place;
  const dashes = dashesOf(run.alignment, inTime(run.members));
  const planned = trailFrames(run, dashes, config);
  const plan = makeStackPlan({ ...run.shared, frames: planned.frames, sky: { method: 'max' } });
  const sky = await stackPixels(context, pool, plan, {
    ...{
      scratch: planned.scratch,
      memoryBytes: config.memoryBytes,
      layer: 'sky',
      task: 'drawing the trails',
    },
  });
  const kept = run.members.filter(({ record }) => isKept(record));
  const landMembers = kept.length > 0 ? kept : run.members;
  const land =
    config.land === 'none'
      ? undefined
      : await landOf(
          {
            ...{ ...place, look },
            config: {
              ...STACK_DEFAULTS,
              ...(config.mask === undefined ? {} : { mask: config.mask }),
            },
          },
          { ...run.shared, method: chooseMethod(landMembers.length) as 'mean' | 'clipped-mean' },
          run.frames.filter(({ member }) => landMembers.includes(member)),
          landMembers,
          { scratch: run.scratch, memoryBytes: config.memoryBytes },
          run.firstMask,
          run.reference,
        );
  const image = composeLand({ sky, ...(land ? { land: land.image, share: land.share } : {}) }, 'hold', sky);
  return writeTrails(place, { config, look, run, planned, dashes, image, land });
}

async function writeTrails(
  place: RunPlace,
  made: {
    readonly config: TrailConfig;
    readonly look: Look;
    readonly run: PreparedRun;
    readonly planned: TrailPlan;
    readonly dashes: readonly Dash[];
    readonly image: Parameters<typeof writeLinearTiff>[1];
    readonly land: LandLayer | undefined;
  },
): Promise<TrailOutcome> {
  const { library, session, sequence } = place;
  const { config, look, run, planned, dashes, image, land } = made;
  const facts = factsOf({ ...run, method: 'brightest pixel' });
  const gaps = gapsOf(dashes, planned);
  const recipe = {
    tool: `Nightcairn ${toolVersion()}`,
    decoder: run.example.decoder,
    sequence: sequence.id,
    method: 'brightest pixel',
    bridge: config.bridge ? { copies: planned.copies } : null,
    taper: config.taper ?? null,
    withoutLines: config.withoutLines,
    land: land ? { method: 'land stack', frames: land.frames } : null,
    look,
    masters: run.calibration.masters.map(({ kind, frameIds, master }) => ({
      ...{ kind, frames: master.frames, frameIds },
    })),
    falloff: run.falloff ? { source: run.falloff.source, corner: 1 / falloffGain(run.falloff) } : null,
    reference: run.reference.record.id,
    frames: inTime(run.members).map(({ record, exposure }) => ({
      ...{ id: record.id, sha256: record.files[0]?.sha256 ?? null, exposure },
    })),
  };
  const stacks = insideLibrary(library.dir, nightFolders(session.folder).stacks);
  const folder = join(stacks, `trails-${sequence.ordinal}-${recipeKey(recipe)}`);
  await mkdir(folder, { recursive: true });
  const file = (name: string) => join(folder, name);
  await writeLinearTiff(file(STACK_FILES.linearTiff), image, facts);
  await writeLinearFits(file(STACK_FILES.fits), image, facts);
  if (land) await writeGrey(file(STACK_FILES.mask), land.share, 1);
  const { color, whiteLevel, header } = run.example;
  const linear = {
    ...{ width: image.width, height: image.height, facts, whiteLevel },
    ...(color === undefined ? {} : { color }),
    ...(header.orientation === undefined ? {} : { orientation: header.orientation }),
  };
  await writeLinearFacts(folder, linear);
  const { context, pool } = place;
  const finished = await finishStack(await stackSource(folder, linear), look, {
    ...{ pool, signal: context.signal },
  });
  const pictures = await writePictureFiles(folder, finished, facts, {
    ...{ base: 'picture', cropAsked: 'all' },
  });
  await writeWhole(file(STACK_FILES.recipe), `${JSON.stringify(recipe, null, 2)}\n`);
  return {
    sequenceId: sequence.id,
    folder,
    framesUsed: run.members.length,
    cloudedFrames: run.members.filter(({ record }) => !isKept(record)).length,
    totalExposure: facts.totalExposure,
    ...(gaps ? { gaps } : {}),
    bridged: config.bridge,
    files: {
      linearTiff: file(STACK_FILES.linearTiff),
      fits: file(STACK_FILES.fits),
      ...pictures,
      ...(land ? { mask: file(STACK_FILES.mask) } : {}),
      recipe: file(STACK_FILES.recipe),
    },
    notes: run.calibration.notes,
  };
}

/** Breaks are dashes this many times as long as the typical one, and of some length at all, px. */
const BREAK = 2.5;
const LEAST_BREAK = 2;

/** What the dashes come to, told before the trails are looked at (P22, P23). */
function gapsOf(dashes: readonly Dash[], planned: TrailPlan): TrailGaps | undefined {
  if (dashes.length === 0) return undefined;
  const round = (value: number) => Number(value.toFixed(2));
  const typical = median(dashes.map(({ edge }) => edge));
  const nameOf = ({ record }: Member) => basename(record.files[0]?.path ?? record.id);
  return {
    center: round(median(dashes.map(({ center }) => center))),
    edge: round(typical),
    seconds: round(median(dashes.map(({ seconds }) => seconds))),
    breaks: dashes
      .filter(({ edge }) => edge > Math.max(LEAST_BREAK, BREAK * typical))
      .map((dash) => ({
        after: nameOf(dash.before),
        before: nameOf(dash.after),
        seconds: round(dash.seconds),
        center: round(dash.center),
        edge: round(dash.edge),
        bridged: planned.copies > 0 && !planned.open.includes(dash),
      })),
  };
}
