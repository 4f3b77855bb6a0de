import { existsSync } from 'node:fs';
import { mkdir, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type ColorImage, unpackStarTable } from '../core/index.js';
import { type StackColor, type StarBalance, starBalance } from '../finishing/index.js';
import {
  insideLibrary,
  nightFolders,
  type PictureRecord,
  saveStack,
  stacksOf,
  starTablePath,
  stored,
  toStack,
} from '../library/index.js';
import type { NoiseGain, StackLayer } from '../stacking/index.js';
import { finishStack } from './_finish-stack.js';
import { type LinearFacts, STACK_FILES, stackSource, writeLinearFacts } from './_linear-facts.js';
import { storedFiles, writePictureFiles, writeSinglePicture } from './_picture-files.js';
import { writeWhole } from './_run-folder.js';
import { sharpPart } from './_sharp-part.js';
import { plateCards } from './_sky-pointing.js';
import type { RunWork } from './_stack-config.js';
import { factsOf, notesOf, type Results, recipeOf } from './_stack-facts.js';
import { recipeKey, type StackFacts, writeGrey, writeLinearFits, writeLinearTiff } from './_stack-files.js';
import type { LandLayer } from './_stack-land.js';
import { knownStars } from './_star-light.js';
import type { TransientEntry } from './_transients.js';
import { withoutUnknown } from './_unknown.js';

/** The folder of a stack's results, open for writing one after the other. */
export interface ResultFolder extends Results {
  readonly folder: string;
  readonly recipe: object;
  readonly facts: StackFacts;
  /** What the numbers of the linear files mean, and where they point. */
  readonly linear: LinearFacts;
  /** Linear file of the single frame, among the working files. */
  readonly single: string;
  /** False when these results were made before and are made again. */
  readonly isNew: boolean;
  file(name: string): string;
  /** Counts a step of writing. */
  tell(): void;
}

/** What was measured while the pictures were made. */
export interface Measured {
  readonly noise: NoiseGain;
  readonly rejectedShare: number;
  readonly landFrames: number | undefined;
  /** What is to be said of where the land comes from. */
  readonly landNote?: string | undefined;
  readonly transients: readonly TransientEntry[];
  readonly starBalance?: StarBalance | undefined;
}

/** Makes the folder that belongs to the recipe. */
export async function openResults(
  work: RunWork,
  results: Results,
  scratchDir: string,
): Promise<ResultFolder> {
  const { context, library, session, sequence } = work;
  const recipe = recipeOf(work, results);
  const stacks = insideLibrary(library.dir, nightFolders(session.folder).stacks);
  const folder = join(stacks, `run-${sequence.ordinal}-${recipeKey(recipe)}`);
  let step = 0;
  const facts = factsOf(results);
  const opened = {
    ...results,
    ...{ folder, recipe, facts, linear: await linearFacts(work, results, facts) },
    single: join(scratchDir, 'single.fits'),
    isNew: !existsSync(folder),
    file: (name: string) => join(folder, name),
    tell: () => context.progress({ task: 'writing the results', done: ++step, total: 5, unit: 'steps' }),
  };
  await mkdir(folder, { recursive: true });
  return opened;
}

/** Writes the land's own stack and its mask. */
export async function writeLand(results: ResultFolder, land: LandLayer): Promise<void> {
  await writeLinearTiff(results.file(STACK_FILES.land), land.image, results.facts);
  await writeGrey(results.file(STACK_FILES.mask), land.share, 1);
  results.tell();
}

/** Writes the sky's own stack and its maps; returns the share of samples clipped. */
export async function writeSky(results: ResultFolder, sky: StackLayer): Promise<number> {
  const { file, members } = results;
  await writeLinearTiff(file(STACK_FILES.sky), sky.image, results.facts);
  await writeGrey(file(STACK_FILES.coverage), sky.coverage, members.length);
  await writeGrey(file(STACK_FILES.rejected), sky.rejected, Math.max(3, members.length / 4));
  results.tell();
  return shareRejected(sky);
}

/** Writes sky and land together; returns what the stars in them say of the white balance. */
export async function writeLinear(
  results: ResultFolder,
  image: ColorImage,
): Promise<StarBalance | undefined> {
  await writeLinearTiff(results.file(STACK_FILES.linearTiff), image, results.facts);
  const { pointing } = results.linear;
  const plate = pointing ? plateCards(pointing, image.width, image.height) : [];
  await writeLinearFits(results.file(STACK_FILES.fits), image, results.facts, plate);
  results.tell();
  return pointing && starBalance(image, knownStars(results.alignment, pointing), results.linear);
}

/** Finishes the pictures from their linear files, writes the recipe and enters the stack in the catalogue. */
export async function finishResults(
  work: RunWork,
  results: ResultFolder,
  measured: Measured,
): Promise<ReturnType<typeof toStack>> {
  const { context, library, look } = work;
  const { folder, facts, file, single, reference } = results;
  const { starBalance: balanced } = measured;
  const linear = { ...results.linear, ...(balanced ? { starBalance: balanced } : {}) };
  await writeLinearFacts(folder, linear);
  const source = await stackSource(folder, linear);
  const finishing = { pool: work.pool, signal: context.signal };
  const finished = await finishStack(source, look, finishing);
  const pictures = await writePictureFiles(folder, finished, facts, {
    base: 'picture',
    cropAsked: 'covered',
  });
  results.tell();
  await writeSinglePicture(
    file(STACK_FILES.singleJpeg),
    await finishStack({ ...source, path: single }, look, finishing),
    { ...facts, exif: { ...facts.exif, exposureTime: reference.exposure } },
  );
  const recipe = { ...results.recipe, crop: finished.crop };
  await writeWhole(file(STACK_FILES.recipe), `${JSON.stringify(recipe, null, 2)}\n`);
  results.tell();
  return storeResults(work, results, { ...measured, pictures: storedFiles(library, pictures) });
}

/** Enters the stack in the catalogue. */
function storeResults(
  work: RunWork,
  results: ResultFolder,
  done: Measured & { readonly pictures: Readonly<Record<string, string>> },
): ReturnType<typeof toStack> {
  const { library, sequence } = work;
  const { alignment, members, calibration, method, folder, facts } = results;
  const { noise, landFrames, landNote, rejectedShare, transients } = done;
  const inLibrary = (path: string) => stored(library.dir, path);
  const listed = Object.entries(STACK_FILES).filter(
    ([key]) => landFrames !== undefined || (key !== 'land' && key !== 'mask'),
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
      notes: notesOf(results, landFrames, landNote),
      rejectedShare,
      transients: transients.map(({ cutOut, cutOutTiff, ...entry }) => ({
        ...entry,
        ...(cutOut === undefined ? {} : { cutOut: inLibrary(join(folder, cutOut)) }),
        ...(cutOutTiff === undefined ? {} : { cutOutTiff: inLibrary(join(folder, cutOutTiff)) }),
      })),
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

const hasFlat = ({ calibration }: Results): boolean =>
  calibration.masters.some(({ kind }) => kind === 'flat');

async function linearFacts(work: RunWork, results: Results, facts: StackFacts): Promise<LinearFacts> {
  const { alignment, example, pointing } = results;
  const color: StackColor = {
    ...(example.color === undefined ? {} : { color: example.color }),
    // A clipped star in a corner stands above white once the falloff is divided out; the centre's white counts.
    whiteLevel: example.whiteLevel,
    ...(example.header.orientation === undefined ? {} : { orientation: example.header.orientation }),
    ...(results.falloff
      ? { falloffBy: results.falloff.source }
      : hasFlat(results)
        ? { falloffBy: 'flat' }
        : {}),
  };
  const { width, height } = alignment;
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
