import { type Alignment, landMapper, type MapPoint, warpGrid } from '../alignment/index.js';
import { type FrameRecord, framesOf } from '../library/index.js';
import {
  type CoarseSky,
  type CombineMethod,
  fitLevel,
  frameWeight,
  idealGain,
  type StackFrame,
  sampleVariance,
} from '../stacking/index.js';
import type { RunWork } from './_stack-config.js';

/** Frames clearer than this are not dimmed; the measured ratio scatters by a few per cent. */
const MAX_TRANSPARENCY = 1.05;

const MIN_TRANSPARENCY = 0.2;

/** One frame that goes into the stack. */
export interface Member {
  readonly record: FrameRecord;
  /** Index in the alignment. */
  readonly index: number;
  readonly transparency: number;
  readonly exposure: number;
  readonly segment: number;
  readonly zones: readonly number[] | undefined;
}

/** Whether a frame goes into a stack. */
export const isKept = ({ measurement }: FrameRecord): boolean =>
  measurement?.verdict === 'keep' || measurement?.verdict === 'doubt';

/** Frames that the alignment fitted and that are wanted: kept and doubtful ones unless `wanted` says otherwise. */
export function membersOf(
  work: Pick<RunWork, 'library' | 'sequence'>,
  alignment: Alignment,
  wanted: (record: FrameRecord) => boolean = isKept,
): Member[] {
  const { library, sequence } = work;
  const indexOf = new Map(alignment.frames.map((frame, i) => [frame.id, i]));
  const ratio =
    sequence.realExposureTime !== undefined && sequence.exposureTime
      ? sequence.realExposureTime / sequence.exposureTime
      : 1;
  return framesOf(library, sequence.id).flatMap((record) => {
    const index = indexOf.get(record.id);
    if (index === undefined || !wanted(record)) return [];
    const fit = alignment.frames[index]!;
    if (fit.status !== 'fitted') return [];
    const extra = record.measurement?.extra as
      | { zoneTransparency?: (number | null)[]; targetTransparency?: number }
      | undefined;
    // Where the target's part of the sky decided, the light is matched there, and cloud elsewhere loses its weight.
    const transparency = extra?.targetTransparency ?? record.measurement?.transparency ?? 1;
    return [
      {
        record,
        index,
        transparency: Math.min(MAX_TRANSPARENCY, Math.max(MIN_TRANSPARENCY, transparency)),
        exposure: (record.header.exposureTime ?? sequence.exposureTime ?? 1) * ratio,
        segment: fit.segment,
        zones: extra?.zoneTransparency?.map((value) => value ?? Number.NaN),
      },
    ];
  });
}

/** The alignment's reference where it is kept, else the kept frame nearest to it. */
export function referenceOf(members: readonly Member[], alignment: Alignment): Member {
  return members.reduce((best, member) =>
    Math.abs(member.index - alignment.referenceIndex) < Math.abs(best.index - alignment.referenceIndex)
      ? member
      : best,
  );
}

/** A few members spread evenly over the run. */
export function spread(members: readonly Member[], count: number): Member[] {
  if (members.length <= count) return [...members];
  return Array.from({ length: count }, (_, i) => members[Math.floor(((i + 0.5) * members.length) / count)]!);
}

export interface Weighted {
  readonly member: Member;
  /** Where the reference's land pixels lie on the frame; the identity where the camera stood still. */
  readonly land: MapPoint;
  readonly frame: StackFrame;
}

/** How each frame enters the stack: place, light, level, weight and noise. */
export function stackFrames(
  alignment: Alignment,
  members: readonly Member[],
  reference: Member,
  skies: ReadonlyMap<string, CoarseSky>,
  isColor: boolean,
): Weighted[] {
  const referenceSky = skies.get(reference.record.id)!;
  return members.map((member) => {
    const sky = skies.get(member.record.id)!;
    const grid = warpGrid(alignment, member.index);
    const exposures = reference.exposure / member.exposure;
    const scale = (exposures * reference.transparency) / member.transparency;
    const level = fitLevel(referenceSky, sky, grid, scale);
    const moved = alignment.frames[member.index]!.headMotion;
    const still = Math.hypot(moved.x, moved.y) <= 0.05 && Math.abs(moved.rotation) <= 0.002;
    const land: MapPoint = still ? (x, y) => [x, y] : landMapper(alignment, member.index);
    const landGrid = still ? undefined : warpGrid(alignment, member.index, { map: land });
    return {
      member,
      land,
      frame: {
        id: member.record.id,
        grid,
        ...(landGrid ? { landGrid } : {}),
        scale,
        landScale: exposures,
        level,
        weight: frameWeight(sky.noise[1], scale),
        ...zoneWeights(member),
        variance: sampleVariance(sky, { scale, level, ...(isColor ? { source: 'color' as const } : {}) }),
      },
    };
  });
}

/** Patchy cloud takes weight where it hangs and only there (P33). */
function zoneWeights(member: Member): Pick<StackFrame, 'zoneWeights'> {
  const { zones, transparency } = member;
  if (zones?.length !== 25) return {};
  const data = Float32Array.from(zones, (value) =>
    Number.isFinite(value) ? Math.min(1.2, Math.max(0.02, (value / transparency) ** 2)) : 1,
  );
  // Even transparency needs no map; the zones' own scatter would only add noise.
  return data.every((value) => value > 0.75) ? {} : { zoneWeights: { columns: 5, rows: 5, data } };
}

export function idealOf(
  method: CombineMethod,
  frames: readonly Weighted[],
  skies: ReadonlyMap<string, CoarseSky>,
  reference: Member,
): number {
  const sigma = ({ member, frame }: Weighted) => skies.get(member.record.id)!.noise[1] * frame.scale;
  const own = sigma(frames.find(({ member }) => member === reference)!);
  return idealGain(
    method,
    frames.map((item) => sigma(item) / own),
    frames.map(({ frame }) => frame.weight),
  );
}
