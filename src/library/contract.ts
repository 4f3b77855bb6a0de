import { join } from 'node:path';
import { present } from './_rows.js';
import type { Library } from './library.js';
import { insideLibrary } from './paths.js';
import type { FrameRecord, PlanRecord, SequenceRecord, SessionRecord, StackRecord } from './records.js';
import { siteById } from './sites.js';

/** ISO 8601 UTC ending in Z. */
export const isoInstant = (ms: number | undefined): string | undefined =>
  ms === undefined ? undefined : new Date(ms).toISOString();

/** The name of a session's site where nobody named one. */
export const SITE_NOT_NAMED = 'site not named';

/** SESSION of the JSON contract. */
export const toSession = (session: SessionRecord) =>
  present({
    id: session.id,
    night: session.night,
    site: present({
      name: session.site?.name ?? SITE_NOT_NAMED,
      latitude: session.site?.latitude,
      longitude: session.site?.longitude,
      zone: session.zone,
    }),
    planId: session.planId,
  });
export type SessionJson = ReturnType<typeof toSession>;

/** SEQ of the JSON contract. */
export const toSequence = (sequence: SequenceRecord) =>
  present({
    id: sequence.id,
    sessionId: sequence.sessionId,
    role: sequence.role,
    frameCount: sequence.frameCount,
    bracketed: sequence.bracketed,
    segments: sequence.segments,
    exposureTime: sequence.exposureTime,
    realExposureTime: sequence.realExposureTime,
    iso: sequence.iso,
    fNumber: sequence.fNumber,
    focalLength: sequence.focalLengthMm,
    camera: sequence.camera,
    lens: sequence.lens,
    start: isoInstant(sequence.startMs),
    end: isoInstant(sequence.endMs),
    kept: sequence.kept,
    doubtful: sequence.doubtful,
    dropped: sequence.dropped,
    totalExposure: sequence.totalExposure,
    moonlight: sequence.moonlight,
    fwhm: sequence.fwhm,
    pointing: sequence.pointing,
    cadence: sequence.cadence,
    inCameraDark: sequence.inCameraDark,
    holes: sequence.holes.length === 0 ? undefined : sequence.holes,
    notes: sequence.notes.length === 0 ? undefined : sequence.notes,
  });
export type SequenceJson = ReturnType<typeof toSequence>;

/** FRAME of the JSON contract; paths absolute. */
export function toFrame(library: Library, frame: FrameRecord) {
  const { header, measurement: measured } = frame;
  const files = frame.files.map(({ path }) => insideLibrary(library.dir, path));
  const failure = frame.files.find((file) => file.failure)?.failure;
  const offset =
    measured?.offsetX === undefined || measured.offsetY === undefined
      ? undefined
      : { x: measured.offsetX, y: measured.offsetY, rotation: measured.offsetRotation ?? 0 };
  return present({
    id: frame.id,
    file: files[0],
    files,
    sha256: frame.files[0]?.sha256,
    takenAt: isoInstant(frame.takenMs),
    role: frame.role,
    roleReason: frame.roleReason,
    exposureTime: header.exposureTime,
    realExposureTime: undefined as number | undefined,
    iso: header.iso,
    fNumber: header.fNumber,
    focalLength: header.focalLengthMm,
    temperature: header.temperature,
    width: header.width,
    height: header.height,
    starCount: measured?.starCount,
    fwhm: measured?.fwhm,
    elongation: measured?.elongation,
    trailLength: measured?.trailLength,
    trailAngle: measured?.trailAngle,
    predictedTrail: measured?.predictedTrail,
    background: measured?.background,
    noise: measured?.noise,
    transparency: measured?.transparency,
    // Only where the target's part of the sky decided.
    targetTransparency: (measured?.extra as { targetTransparency?: number } | undefined)?.targetTransparency,
    cloudCover: measured?.cloudCover,
    offset,
    verdict: measured?.verdict ?? 'none',
    verdictBy: measured?.verdictBy,
    reasons: measured?.reasons ?? [],
    remarks: measured?.remarks,
    failure,
  });
}
export type FrameJson = ReturnType<typeof toFrame>;

/** Frames of one sequence, with the working exposure time that its cadence told. */
export const toFrames = (
  library: Library,
  sequence: SequenceRecord,
  frames: readonly FrameRecord[],
): FrameJson[] =>
  frames.map((frame) => {
    // A bracket's real shutters differ from frame to frame; only a plain run has one value for all.
    const real =
      sequence.realExposureTime !== undefined &&
      sequence.exposureTime !== undefined &&
      frame.header.exposureTime
        ? (frame.header.exposureTime * sequence.realExposureTime) / sequence.exposureTime
        : frame.header.exposureTime;
    return present({ ...toFrame(library, frame), realExposureTime: real }) as FrameJson;
  });

/** Name of a stack: its sequence and the short form of its recipe. */
export const stackId = (stack: StackRecord): string =>
  `${stack.sequenceId}/${stack.folder.replace(/^.*-/, '')}`;

/** A line of light as a stack's body keeps it, paths relative to the library. */
interface StoredTransient {
  readonly id: string;
  readonly frameId: string;
  readonly takenAt?: string;
  readonly broughtBack: boolean;
  readonly cutOut?: string;
  readonly cutOutTiff?: string;
}

/** STACK of the JSON contract; paths absolute. */
export function toStack(library: Library, stack: StackRecord) {
  const { alignment, noise, files, pictures, transients, ...more } = stack.body;
  const absolute = (paths: Readonly<Record<string, string>> = {}): Record<string, string> =>
    Object.fromEntries(Object.entries(paths).map(([name, path]) => [name, insideLibrary(library.dir, path)]));
  return present({
    ...more,
    id: stackId(stack),
    sequenceId: stack.sequenceId,
    folder: join(library.dir, ...stack.folder.split('/')),
    method: stack.method,
    framesUsed: stack.framesUsed,
    totalExposure: stack.totalExposure,
    transients: (transients as readonly StoredTransient[] | undefined)?.map((line) => ({
      ...line,
      ...(line.cutOut === undefined ? {} : { cutOut: insideLibrary(library.dir, line.cutOut) }),
      ...(line.cutOutTiff === undefined ? {} : { cutOutTiff: insideLibrary(library.dir, line.cutOutTiff) }),
    })),
    alignment: alignment as Record<string, unknown> | undefined,
    noise: noise as Record<string, unknown> | undefined,
    files: absolute(files),
    // Further pictures of the same stack, each with its own name and recipe.
    pictures: pictures?.map((picture) => ({ ...picture, files: absolute(picture.files) })),
    stale: stack.stale || undefined,
  });
}
export type StackJson = ReturnType<typeof toStack>;

/** The stored part of a plan as JSON; what is worked out from it is added by the command. */
export function toPlanJson(library: Library, plan: PlanRecord) {
  const site = plan.siteId === undefined ? undefined : siteById(library, plan.siteId);
  const latitude = plan.latitude ?? site?.latitude;
  const longitude = plan.longitude ?? site?.longitude;
  return present({
    id: plan.id,
    night: plan.night,
    site:
      site === undefined && latitude === undefined
        ? undefined
        : present({ name: site?.name ?? SITE_NOT_NAMED, latitude, longitude, zone: plan.zone ?? site?.zone }),
    camera: plan.camera,
    lens: plan.lens,
    focalLength: plan.focalLengthMm,
    crop: plan.crop,
    pixelPitchUm: plan.pixelPitchUm,
    sensorWidthMm: plan.sensorWidthMm,
    sensorHeightMm: plan.sensorHeightMm,
    portrait: plan.portrait,
    fNumber: plan.fNumber,
    iso: plan.iso,
    exposureTime: plan.exposureTime,
    frames: plan.frames,
    target: plan.target,
    trailTolerance: plan.trailTolerance,
    notes: plan.notes,
  });
}
export type PlanJson = ReturnType<typeof toPlanJson>;
