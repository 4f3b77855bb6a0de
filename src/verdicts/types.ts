import type { Reason, Verdict } from '../core/index.js';
import type { FrameMeasurement } from '../stars/index.js';

/** One light as the judge sees it. */
export interface JudgeFrame {
  readonly id: string;
  /** Absent when the pixels could not be read. */
  readonly measurement?: FrameMeasurement;
  /** Working exposure time, s; brackets are compared at equal exposure. */
  readonly exposureTime?: number;
  /** Altitude of the sun's centre at mid-exposure, deg; absent when site or time is unknown. */
  readonly sunAltitude?: number;
  /** Altitude of the moon, deg, and the illuminated share of its disc, 0..1. */
  readonly moonAltitude?: number;
  readonly moonIllumination?: number;
}

/** Fluxes of the run's own stars at their predicted places. */
export interface RunPhotometry {
  readonly trackCount: number;
  /** f32[frames*tracks], ADU above background, NaN = not measurable there (off frame, land, saturated). */
  readonly flux: Float32Array;
  /** Predicted places, f32[frames*tracks] each, px. */
  readonly x: Float32Array;
  readonly y: Float32Array;
  /** Air mass at each place, f32[frames*tracks]; absent when the zenith is unknown. NaN = unknown there. */
  readonly airmass?: Float32Array;
}

/** What was measured of a light against what was to be expected, and the verdict that follows. */
export interface FrameJudgement {
  readonly id: string;
  readonly verdict: Exclude<Verdict, 'none'>;
  readonly reasons: readonly Reason[];
  /** Things worth saying that change no verdict (aircraft, dew's onset), plain sentences. */
  readonly remarks: readonly string[];
  /** Mean flux of the run's own stars against their best, averaged over the sky, 0..about 1; absent when unknown. */
  readonly transparency?: number;
  /** The same over the zone of interest alone; absent when that did not decide. */
  readonly targetTransparency?: number;
  /** Share of the sky's zones under cloud, 0..1. */
  readonly cloudCover?: number;
  /** fwhm against the run's best quarter, and the same across the trail. */
  readonly fwhmRatio?: number;
  readonly fwhmMinorRatio?: number;
  /** Predicted and measured trail length at the middle of the field, px, and the part the sky does not explain. */
  readonly predictedTrail?: number;
  readonly trailLength?: number;
  readonly extraTrail?: number;
  /** Weight for the stack, relative: transparency^2 / noise^2. */
  readonly weight: number;
  /** Transparency by zone (5 x 5, row by row), for per-pixel weights under patchy cloud; NaN where nothing is known. */
  readonly zoneTransparency?: readonly number[];
}

/** Limits of the verdict scale (DEVELOPERS.md, "Verdicts"). */
export interface VerdictLimits {
  /** Mean transparency below this: drop. Fraction. Raise it to be stricter about cloud. */
  readonly dropTransparency: number;
  /** Mean transparency below this: doubt. Fraction. */
  readonly doubtTransparency: number;
  /** fwhm above this multiple of the best quarter: drop. */
  readonly dropFwhmRatio: number;
  /** fwhm above this multiple of the best quarter: doubt. */
  readonly doubtFwhmRatio: number;
  /** Trail beyond the predicted, px; the larger of this and `extraTrailFwhm` x the fwhm of the best quarter counts: drop. */
  readonly extraTrail: number;
  readonly extraTrailFwhm: number;
  /** Sky level above the neighbours' by this factor: doubt for glare. */
  readonly glareSky: number;
  /** Land level above the neighbours' by this factor: doubt for light on the land. */
  readonly glareLand: number;
  /** Sun higher than this, deg: doubt for twilight. Raise it in summer far north or south, where no night is darker. */
  readonly twilightAltitude: number;
  /** Longest trail the photographer accepts, px; absent = no such limit. */
  readonly maxTrail?: number;
  /** Fewest stars to judge a frame by. */
  readonly minStars: number;
}
