import {
  framesOf,
  type Library,
  type MasterRecord,
  masters,
  type SequenceRecord,
  sequencesOf,
} from '../library/index.js';
import { type CalibrationSet, type MasterMatch, matchMasters } from '../nights/index.js';
import type { MasterKind } from '../stacking/index.js';

/** A sequence of the catalogue as the matching sees it. */
export function calibrationSet(library: Library, sequence: SequenceRecord): CalibrationSet | undefined {
  const frames = framesOf(library, sequence.id).filter((frame) => frame.sound);
  if (frames.length === 0) return undefined;
  const temperatures = frames
    .map((frame) => frame.header.temperature)
    .filter((value) => value !== undefined)
    .sort((a, b) => a - b);
  const temperature = temperatures[Math.floor(temperatures.length / 2)];
  return {
    id: sequence.id,
    role: sequence.role,
    header: frames[Math.floor(frames.length / 2)]!.header,
    count: frames.length,
    ...(temperature === undefined ? {} : { temperature }),
    ...(sequence.startMs === undefined ? {} : { startMs: sequence.startMs }),
  };
}

/** The masters that earlier nights left for a camera, as the matching sees them. */
export function earlierSets(
  library: Library,
  kind: MasterKind,
  lights: CalibrationSet,
): { readonly records: readonly MasterRecord[]; readonly sets: readonly CalibrationSet[] } {
  const { camera } = lights.header;
  const records = masters(library, { kind, ...(camera === undefined ? {} : { camera }) });
  const sets = records.map(
    (record): CalibrationSet => ({
      id: record.id,
      role: kind,
      count: record.frameCount,
      header: {
        ...lights.header,
        ...(record.iso === undefined ? {} : { iso: record.iso }),
        ...(record.exposureTime === undefined ? {} : { exposureTime: record.exposureTime }),
        ...(record.width === undefined ? {} : { width: record.width }),
        ...(record.height === undefined ? {} : { height: record.height }),
        warnings: [],
      },
      ...(record.temperature === undefined ? {} : { temperature: record.temperature }),
    }),
  );
  return { records, sets };
}

/** Darks, flats or biases that a run of lights could be calibrated with. */
export interface MasterOffer {
  readonly kind: MasterKind;
  /** Run of the same night, or master of an earlier one. */
  readonly sequenceId?: string;
  readonly masterId?: string;
  /** Evening of the night they were shot in, where known. */
  readonly night?: string;
  readonly frameCount: number;
  /** `refused` ones are used only when forced. */
  readonly quality: MasterMatch['quality'];
  readonly reason: string;
  /** Share by which their own noise raises that of a frame. */
  readonly addedNoise: number;
}

/**
 * What there is to calibrate a run of lights with, best first of each kind: its own night's, and where none of
 * those fits the best of earlier nights. Refused ones of its own night are listed with the reason (P13).
 */
export function masterOffers(library: Library, sequence: SequenceRecord, night?: string): MasterOffer[] {
  const lights = sequence.role === 'light' ? calibrationSet(library, sequence) : undefined;
  if (!lights) return [];
  const own = sequencesOf(library, sequence.sessionId)
    .map((other) => calibrationSet(library, other))
    .filter((set) => set !== undefined);
  return (['dark', 'flat', 'bias'] as const).flatMap((kind): MasterOffer[] => {
    const sets = own.filter(({ role }) => role === kind);
    const offers = matchMasters(lights, sets).map(({ id, role: _, ...match }) => ({
      ...{ kind, sequenceId: id, ...(night === undefined ? {} : { night }) },
      ...{ frameCount: sets.find((set) => set.id === id)!.count, ...match },
    }));
    if (offers.some(({ quality }) => quality !== 'refused')) return offers;
    const earlier = earlierSets(library, kind, lights);
    const best = matchMasters(lights, earlier.sets).find(({ quality }) => quality !== 'refused');
    const record = best && earlier.records.find(({ id }) => id === best.id);
    if (!best || !record) return offers;
    const { id, role: _, ...match } = best;
    return [
      {
        ...{ kind, masterId: id, frameCount: record.frameCount },
        ...(record.night === undefined ? {} : { night: record.night }),
        ...match,
      },
      ...offers,
    ];
  });
}
