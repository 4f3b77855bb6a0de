import type { Reason, Verdict } from '../core/index.js';

/** What was measured of a light against what was to be expected, and the verdict that follows. */
export interface FrameJudgement {
  readonly id: string;
  readonly verdict: Exclude<Verdict, 'none'>;
  readonly reasons: readonly Reason[];
  /** Things worth saying that change no verdict (aircraft, dew's onset), plain sentences. */
  readonly remarks: readonly string[];
  /** Mean flux of the run's own stars against their best, extinction removed, 0..1; absent when unknown. */
  readonly transparency?: number;
  /** Share of the sky's zones under cloud, 0..1. */
  readonly cloudCover?: number;
  /** fwhm against the run's best quarter. */
  readonly fwhmRatio?: number;
  /** Predicted and measured trail length at the middle of the field, px, and the measured minus predicted (vector) part. */
  readonly predictedTrail?: number;
  readonly trailLength?: number;
  readonly extraTrail?: number;
  /** Weight for the stack, relative: transparency^2 / noise^2. */
  readonly weight: number;
  /** Transparency by zone (5 x 5, row by row), for per-pixel weights under patchy cloud; NaN where nothing is known. */
  readonly zoneTransparency?: readonly number[];
}

/** Limits of the verdict scale; DESIGN section 6. */
export interface VerdictLimits {
  /** Mean transparency below this: drop. Fraction. */
  readonly dropTransparency: number;
  /** Mean transparency below this: doubt. Fraction. */
  readonly doubtTransparency: number;
  /** fwhm above this multiple of the best quarter: drop. */
  readonly dropFwhmRatio: number;
  /** fwhm above this multiple of the best quarter: doubt. */
  readonly doubtFwhmRatio: number;
  /** Extra trail beyond the predicted: px, or this many fwhm, whichever is larger: drop. */
  readonly extraTrail: number;
  readonly extraTrailFwhm: number;
  /** Longest trail the photographer accepts, px; absent = no such limit. */
  readonly maxTrail?: number;
  /** Fewest stars to judge a frame by. */
  readonly minStars: number;
}
