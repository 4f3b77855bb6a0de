import { mkdir, readFile, rm } from 'node:fs/promises';
import { join } from 'node:path';
import type { Alignment } from '../alignment/index.js';
import { type ColorImage, type FrameHeader, unpackStarTable } from '../core/index.js';
import type { StackColor } from '../finishing/index.js';
import type { ExifFields } from '../frames/index.js';
import {
  hashesOf,
  insideLibrary,
  nightFolders,
  type PictureRecord,
  saveStack,
  stacksOf,
  starTablePath,
  stored,
  toStack,
} from '../library/index.js';
import {
  type CombineMethod,
  type Falloff,
  falloffGain,
  type NoiseGain,
  type StackLayer,
  type StackPlan,
} from '../stacking/index.js';
import type { Calibration } from './_calibration.js';
import { finishStack } from './_finish-stack.js';
import { type LinearFacts, STACK_FILES, stackSource, writeLinearFacts } from './_linear-facts.js';
import { storedFiles, writePictureFiles, writeSinglePicture } from './_picture-files.js';
import { writeWhole } from './_run-folder.js';
import { sharpPart } from './_sharp-part.js';
import { skyPointing } from './_sky-pointing.js';
import type { RunWork } from './_stack-config.js';
import { recipeKey, type StackFacts, writeGrey, writeLinearFits, writeLinearTiff } from './_stack-files.js';
import type { LandLayer } from './_stack-land.js';
import type { Member } from './_stack-members.js';
import { withoutUnknown } from './_unknown.js';
import { toolVersion } from './_version.js';
import type { Surveyed } from './stack-worker.js';

const VERSION = toolVersion();

export interface Results {
  readonly alignment: Alignment;
  readonly members: readonly Member[];
  readonly reference: Member;
  readonly example: Surveyed;
  readonly calibration: Calibration;
  readonly falloff: Falloff | undefined;
  readonly method: CombineMethod | 'brightest pixel';
  readonly sky: StackLayer;
  readonly land: LandLayer | undefined;
  readonly single: ColorImage;
  readonly image: ColorImage;
  readonly noise: NoiseGain;
  readonly plan: StackPlan;
}

/** What the files made of frames say of the camera and its settings. */
const EXIF_KEPT = [
  'cameraMake',
  'cameraModel',
  'serial',
  'lens',
  'iso',
  'fNumber',
  'focalLengthMm',
  'focalLength35Mm',
  'wallTime',
  'utcOffsetMinutes',
] as const;

/** The parts of a frame's header that stay true of a picture made from it. */
export function exifOf(header: Partial<FrameHeader>): ExifFields {
  return Object.fromEntries(
    EXIF_KEPT.flatMap((name) => (header[name] === undefined ? [] : [[name, header[name]] as const])),
  );
}

/** What the headers of a result's files say. */
export function factsOf(
  results: Pick<Results, 'members' | 'example' | 'method' | 'reference' | 'image' | 'falloff'>,
): StackFacts {
  const { members, example, method, reference } = results;
  const { header } = example;
  const total = members.reduce((sum, member) => sum + member.exposure, 0);
  const times = members.map(({ record }) => record.takenMs).filter((time) => time !== undefined);
  const first = times.length > 0 ? Math.min(...times) : undefined;
  const last = times.length > 0 ? Math.max(...times) + 1000 * members.at(-1)!.exposure : undefined;
  return {
    exif: {
      ...exifOf(reference.record.header),
      exposureTime: Number(total.toFixed(3)),
      orientation: header.orientation ?? 1,
      width: results.image.width,
      height: results.image.height,
      software: `Nightcairn ${VERSION}`,
    },
    totalExposure: Number(total.toFixed(3)),
    frames: members.length,
    method,
    ...(first === undefined ? {} : { start: new Date(first).toISOString() }),
    ...(first === undefined || last === undefined
      ? {}
      : { middle: new Date((first + last) / 2).toISOString() }),
    software: `Nightcairn ${VERSION}`,
    white: Number(
      (Math.max(...example.whiteLevel) * (results.falloff ? falloffGain(results.falloff) : 1)).toFixed(2),
    ),
  };
}

/** Everything that made the stack, in a fixed order, without the time it was made. */
function recipeOf(work: RunWork, results: Results) {
  const { library, sequence, config, look } = work;
  const hashes = hashesOf(library, sequence.id);
  return {
    tool: `Nightcairn ${VERSION}`,
    decoder: results.example.decoder,
    sequence: sequence.id,
    method: results.method,
    limits: { sky: results.plan.skyOptions, land: results.plan.landOptions },
    demosaic: results.plan.demosaic,
    land: config.land,
    look,
    masters: results.calibration.masters.map(({ kind, frameIds, master }) => ({
      kind,
      frames: master.frames,
      frameIds,
    })),
    falloff: results.falloff
      ? { source: results.falloff.source, corner: 1 / falloffGain(results.falloff) }
      : null,
    reference: results.reference.record.id,
    frames: [...results.members]
      .sort((a, b) => (a.record.id < b.record.id ? -1 : 1))
      .map(({ record, transparency, exposure }) => ({
        id: record.id,
        sha256: hashes.get(record.id) ?? null,
        transparency,
        exposure,
      })),
  };
}

export async function writeResults(work: RunWork, results: Results): Promise<ReturnType<typeof toStack>> {
  const { context, library, session, sequence, look } = work;
  const { members, sky, land, image } = results;
  const recipe = recipeOf(work, results);
  const stacks = insideLibrary(library.dir, nightFolders(session.folder).stacks);
  const folder = join(stacks, `run-${sequence.ordinal}-${recipeKey(recipe)}`);
  await mkdir(folder, { recursive: true });
  const facts = factsOf(results);
  let step = 0;
  const tell = () => context.progress({ task: 'writing the results', done: ++step, total: 5, unit: 'steps' });

  const file = (name: string) => join(folder, name);
  await writeLinearTiff(file(STACK_FILES.linearTiff), image, facts);
  await writeLinearFits(file(STACK_FILES.fits), image, facts);
  tell();
  await writeLinearTiff(file(STACK_FILES.sky), sky.image, facts);
  if (land) await writeLinearTiff(file(STACK_FILES.land), land.layer.image, facts);
  tell();
  await writeGrey(file(STACK_FILES.coverage), sky.coverage, members.length);
  await writeGrey(file(STACK_FILES.rejected), sky.rejected, Math.max(3, members.length / 4));
  if (land) await writeGrey(file(STACK_FILES.mask), land.share, 1);
  const linear = await linearFacts(work, results, facts);
  await writeLinearFacts(folder, linear);
  tell();
  const source = await stackSource(folder, linear);
  const finishing = { pool: work.pool, signal: context.signal };
  const finished = await finishStack(source, look, finishing);
  const pictures = await writePictureFiles(folder, finished, facts, {
    base: 'picture',
    cropAsked: 'covered',
  });
  tell();
  const single = file('.single.fits');
  try {
    await writeLinearFits(single, results.single, facts);
    await writeSinglePicture(
      file(STACK_FILES.singleJpeg),
      await finishStack({ ...source, path: single }, look, finishing),
      { ...facts, exif: { ...facts.exif, exposureTime: results.reference.exposure } },
    );
  } finally {
    await rm(single, { force: true });
  }
  await writeWhole(
    file(STACK_FILES.recipe),
    `${JSON.stringify({ ...recipe, crop: finished.crop }, null, 2)}\n`,
  );
  tell();
  return storeResults(work, results, { folder, facts, pictures: storedFiles(library, pictures) });
}

/** Enters the stack in the catalogue. */
function storeResults(
  work: RunWork,
  results: Results,
  done: {
    readonly folder: string;
    readonly facts: StackFacts;
    readonly pictures: Readonly<Record<string, string>>;
  },
): ReturnType<typeof toStack> {
  const { library, sequence } = work;
  const { alignment, members, sky, land, noise, calibration, method } = results;
  const { folder, facts } = done;
  const inLibrary = (path: string) => stored(library.dir, path);
  const listed = Object.entries(STACK_FILES).filter(
    ([key]) => land !== undefined || (key !== 'land' && key !== 'mask'),
  );
  const record = saveStack(library, {
    sequenceId: sequence.id,
    folder: inLibrary(folder),
    method,
    framesUsed: members.length,
    totalExposure: facts.totalExposure,
    body: {
      alignment: withoutUnknown({
        rms: alignment.rms,
        cornerRms: alignment.cornerRms,
        frames: members.map(({ record: member, index }) => ({
          frameId: member.id,
          rms: alignment.frames[index]!.rms,
          matched: alignment.frames[index]!.matched,
        })),
      }),
      ...(Number.isFinite(noise.gain) && Number.isFinite(noise.ideal) ? { noise } : {}),
      files: {
        ...Object.fromEntries(listed.map(([key, name]) => [key, inLibrary(join(folder, name))])),
        ...done.pictures,
      },
      ...picturesBefore(work, inLibrary(folder)),
      mastersUsed: calibration.masters.map(({ text }) => text),
      notes: notesOf(results),
      rejectedShare: shareRejected(sky),
      linearScale: { adu: facts.white, value: 65535 },
    },
  });
  return toStack(library, record);
}

/** Pictures that were finished from the same stack before it was made again. */
function picturesBefore(work: RunWork, folder: string): { pictures?: readonly PictureRecord[] } {
  const before = stacksOf(work.library, work.sequence.id).find((stack) => stack.folder === folder);
  return before?.body.pictures ? { pictures: before.body.pictures } : {};
}

async function linearFacts(work: RunWork, results: Results, facts: StackFacts): Promise<LinearFacts> {
  const { alignment, example, members, image } = results;
  const color: StackColor = {
    ...(example.color === undefined ? {} : { color: example.color }),
    // A clipped star in a corner stands above white once the falloff is divided out; the centre's white counts.
    whiteLevel: example.whiteLevel,
    ...(example.header.orientation === undefined ? {} : { orientation: example.header.orientation }),
  };
  const { site } = work.session;
  const grid = members.find(({ index }) => index === alignment.referenceIndex) ?? results.reference;
  const at =
    site?.latitude === undefined || site.longitude === undefined || grid.record.takenMs === undefined
      ? undefined
      : {
          site: { latitude: site.latitude, longitude: site.longitude },
          instant: new Date(grid.record.takenMs + 500 * grid.exposure),
        };
  const pointing = skyPointing(alignment, at);
  const { width, height } = image;
  const table = starTablePath(work.library.dir, work.session.folder, results.reference.record.id);
  const stars = await readFile(table).then(unpackStarTable, () => undefined);
  const sharp = stars && sharpPart(stars, width, height);
  return {
    ...{ width, height, ...color, facts },
    ...(pointing ? { pointing } : {}),
    ...(sharp ? { sharp } : {}),
  };
}

/** Samples clipped over samples offered, sky only. */
function shareRejected(layer: StackLayer): number {
  let rejected = 0;
  let used = 0;
  for (let i = 0; i < layer.coverage.data.length; i++) {
    used += layer.coverage.data[i]!;
    rejected += layer.rejected.data[i]!;
  }
  return used + rejected > 0 ? rejected / (used + rejected) : 0;
}

export function notesOf(results: Results): string[] {
  const { calibration, land, members, falloff } = results;
  const notes = [...calibration.notes];
  if (land && land.frames < members.length) {
    notes.push(`The land comes from the ${land.frames} frames of its longest unmoved stretch.`);
  }
  if (falloff) {
    notes.push(
      `The lens lets ${Math.round(100 / falloffGain(falloff))} % of the light through in the corners; that was divided out.`,
    );
  }
  return notes;
}
