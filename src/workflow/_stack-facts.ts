import type { Alignment } from '../alignment/index.js';
import type { FrameHeader } from '../core/index.js';
import type { ExifFields } from '../frames/index.js';
import { hashesOf } from '../library/index.js';
import { type CombineMethod, type Falloff, falloffGain, type StackPlan } from '../stacking/index.js';
import type { Calibration } from './_calibration.js';
import { landHashes } from './_land-from.js';
import type { SkyPointing } from './_sky-pointing.js';
import type { RunWork } from './_stack-config.js';
import type { StackFacts } from './_stack-files.js';
import type { Member } from './_stack-members.js';
import { toolVersion } from './_version.js';
import type { Surveyed } from './stack-worker.js';

const VERSION = toolVersion();

/** What is known of a stack besides its pixels. */
export interface Results {
  readonly alignment: Alignment;
  readonly members: readonly Member[];
  readonly reference: Member;
  readonly example: Surveyed;
  readonly calibration: Calibration;
  readonly falloff: Falloff | undefined;
  /** Where the stack's grid points, where the stars tell. */
  readonly pointing?: SkyPointing | undefined;
  readonly method: CombineMethod | 'brightest pixel';
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
  results: Pick<Results, 'alignment' | 'members' | 'example' | 'method' | 'reference' | 'falloff'>,
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
      width: results.alignment.width,
      height: results.alignment.height,
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
export function recipeOf(work: RunWork, results: Results) {
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
    ...(config.banding ? { banding: config.banding } : {}),
    ...(config.landFrom === undefined ? {} : { landFrom: landHashes(work, config.landFrom) }),
    ...(config.bringBack.length > 0 ? { bringBack: config.bringBack } : {}),
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

/** Sentences on how the stack was made. */
export function notesOf(results: Results, landFrames: number | undefined, landNote?: string): string[] {
  const { calibration, members, falloff } = results;
  const notes = [...calibration.notes];
  if (landNote !== undefined) notes.push(landNote);
  else if (landFrames !== undefined && landFrames < members.length) {
    notes.push(`The land comes from the ${landFrames} frames of its longest unmoved stretch.`);
  }
  if (falloff) {
    notes.push(
      `The lens lets ${Math.round(100 / falloffGain(falloff))} % of the light through in the corners; that was divided out.`,
    );
  }
  return notes;
}
