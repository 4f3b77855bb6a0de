import { mkdir } from 'node:fs/promises';
import { join } from 'node:path';
import type { Alignment } from '../alignment/index.js';
import type { ColorImage, FrameHeader } from '../core/index.js';
import type { FinishInput } from '../finishing/index.js';
import type { ExifFields } from '../frames/index.js';
import { hashesOf, insideLibrary, nightFolders, saveStack, stored, toStack } from '../library/index.js';
import {
  type CombineMethod,
  type Falloff,
  falloffGain,
  type NoiseGain,
  type StackLayer,
  type StackPlan,
} from '../stacking/index.js';
import type { Calibration } from './_calibration.js';
import { writeWhole } from './_run-folder.js';
import type { RunWork } from './_stack-config.js';
import {
  recipeKey,
  type StackFacts,
  writeGrey,
  writeLinearFits,
  writeLinearTiff,
  writePicture,
  writeSingle,
} from './_stack-files.js';
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
  readonly method: CombineMethod;
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

function factsOf(results: Results): StackFacts {
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
  const { alignment, members, sky, land, image, noise, calibration, method } = results;
  const recipe = recipeOf(work, results);
  const stacks = insideLibrary(library.dir, nightFolders(session.folder).stacks);
  const folder = join(stacks, `run-${sequence.ordinal}-${recipeKey(recipe)}`);
  await mkdir(folder, { recursive: true });
  const facts = factsOf(results);
  let step = 0;
  const tell = () => context.progress({ task: 'writing the results', done: ++step, total: 5, unit: 'steps' });

  const file = (name: string) => join(folder, name);
  await writeLinearTiff(file('linear.tif'), image, facts);
  await writeLinearFits(file('linear.fits'), image, facts);
  tell();
  await writeLinearTiff(file('sky-linear.tif'), sky.image, facts);
  if (land) await writeLinearTiff(file('land-linear.tif'), land.layer.image, facts);
  tell();
  await writeGrey(file('coverage.png'), sky.coverage, members.length);
  await writeGrey(file('rejected.png'), sky.rejected, Math.max(3, members.length / 4));
  if (land) await writeGrey(file('land-mask.png'), land.share, 1);
  tell();
  const input = finishInput(results, land);
  const { jpeg, tiff, picture } = await writePicture(folder, { ...input, image }, look, facts);
  tell();
  await writeSingle(file('single.jpg'), { ...input, image: results.single }, look, {
    ...facts,
    frames: 1,
    totalExposure: results.reference.exposure,
  });
  await writeWhole(file('recipe.json'), `${JSON.stringify({ ...recipe, crop: picture.crop }, null, 2)}\n`);
  tell();

  const inLibrary = (path: string) => stored(library.dir, path);
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
        linearTiff: inLibrary(file('linear.tif')),
        fits: inLibrary(file('linear.fits')),
        pictureTiff: inLibrary(tiff),
        pictureJpeg: inLibrary(jpeg),
        sky: inLibrary(file('sky-linear.tif')),
        ...(land ? { land: inLibrary(file('land-linear.tif')), mask: inLibrary(file('land-mask.png')) } : {}),
        coverage: inLibrary(file('coverage.png')),
        rejected: inLibrary(file('rejected.png')),
        recipe: inLibrary(file('recipe.json')),
        singleJpeg: inLibrary(file('single.jpg')),
      },
      mastersUsed: calibration.masters.map(({ text }) => text),
      notes: notesOf(results),
      rejectedShare: shareRejected(sky),
      linearScale: { adu: facts.white, value: 65535 },
    },
  });
  return toStack(library, record);
}

function finishInput(results: Results, land: LandLayer | undefined): Omit<FinishInput, 'image'> {
  const { example, sky } = results;
  return {
    coverage: sky.coverage,
    ...(land ? { landShare: land.share } : {}),
    ...(example.color === undefined ? {} : { color: example.color }),
    // A clipped star in a corner stands above white once the falloff is divided out; the centre's white counts.
    whiteLevel: example.whiteLevel,
    ...(example.header.orientation === undefined ? {} : { orientation: example.header.orientation }),
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
