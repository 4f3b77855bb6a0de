import type { Alignment } from '../alignment/index.js';
import { type FrameHeader, type Mask, NightcairnError } from '../core/index.js';
import type { WorkerPool } from '../kernels/index.js';
import type { Library, SequenceRecord, SessionRecord } from '../library/index.js';
import { INTEREST_RADIUS, type RunJudgement, type VerdictLimits } from '../verdicts/index.js';
import type { WorkflowContext } from './context.js';
import type { SampleResult } from './measure-worker.js';

/** Settings of the measure stage. */
export interface MeasureConfig {
  /** Frames of a run looked at first, for land and defects; more finds fainter defects, fewer is faster. */
  readonly sampleFrames: number;
  /** Long side of the pictures that the land mask is found on, px. */
  readonly sampleLongSide: number;
  /** Share of the sampled frames in which a pixel must stand out to be called a defect. */
  readonly defectShare: number;
  /** Limits of the verdicts that differ from the defaults. */
  readonly limits: Partial<VerdictLimits>;
  /** Index of the reference frame by id; default the middle of the run. */
  readonly reference?: string;
  /** `target`: only the target's part of the sky decides a verdict; absent = the whole sky. */
  readonly zoneOfInterest?: 'target';
  /** The target, as a plan names it; absent = the plan's own. */
  readonly target?: string;
  /** How far the target's part of the sky reaches, deg. Raise it for a picture that is more than its target. */
  readonly interestRadius: number;
}

export const MEASURE_DEFAULTS: MeasureConfig = {
  sampleFrames: 8,
  sampleLongSide: 1000,
  defectShare: 0.6,
  limits: {},
  interestRadius: INTEREST_RADIUS,
};

/** Settings that a person asked for and that hold for a run until it is measured with others. */
export type AskedOfRun = Partial<Pick<MeasureConfig, 'limits' | 'zoneOfInterest' | 'target'>>;

/** What of the settings was asked for; undefined for plain ones. */
export function askedOf({ limits, zoneOfInterest, target }: MeasureConfig): AskedOfRun | undefined {
  const asked = {
    ...(Object.keys(limits).length === 0 ? {} : { limits }),
    ...(zoneOfInterest === undefined ? {} : { zoneOfInterest }),
    ...(target === undefined ? {} : { target }),
  };
  return Object.keys(asked).length === 0 ? undefined : asked;
}

/** What became of one sequence. */
export interface MeasuredRun {
  readonly sequenceId: string;
  readonly outcome: 'done' | 'nothing-to-do' | 'unusable' | 'failed';
  readonly reason?: string;
  readonly alignment?: Alignment;
  readonly judgement?: RunJudgement;
}

export interface RunWork {
  readonly context: WorkflowContext;
  readonly library: Library;
  readonly pool: WorkerPool;
  readonly session: SessionRecord;
  readonly sequence: SequenceRecord;
  readonly config: MeasureConfig;
}

export interface FirstLook {
  readonly mask: Mask | undefined;
  readonly defects: Uint32Array;
  readonly levels: SampleResult['levels'] | undefined;
}

/** A frame that cannot be read is not the run's failure; anything else is. */
export async function usable<T>(promise: Promise<T>): Promise<T | undefined> {
  try {
    return await promise;
  } catch (error) {
    if (error instanceof NightcairnError && error.name !== 'Cancelled' && error.name !== 'StorageError')
      return undefined;
    throw error;
  }
}

/** Exposure that a frame really had: the header's, corrected by what the run's cadence told (P03). */
export function workingExposure(header: FrameHeader, sequence: SequenceRecord): number | undefined {
  const { realExposureTime, exposureTime } = sequence;
  if (header.exposureTime === undefined) return realExposureTime;
  if (realExposureTime === undefined || exposureTime === undefined) return header.exposureTime;
  return (header.exposureTime * realExposureTime) / exposureTime;
}
