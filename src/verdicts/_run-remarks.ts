import { median } from '../core/index.js';
import { round } from './_round.js';
import type { FrameShape } from './shape.js';
import type { JudgeFrame } from './types.js';
import type { ZoneOfInterest } from './zone-of-interest.js';

/** What a run came to as a whole. */
export interface RunSeen {
  readonly frames: readonly JudgeFrame[];
  readonly shapes: readonly FrameShape[];
  /** First frame of dew. */
  readonly dewStart: number | undefined;
  readonly clear: Float64Array;
  readonly interest: ZoneOfInterest | undefined;
  /** Frames that show enough of the zone of interest to be judged by it. */
  readonly byInterest: readonly boolean[];
}

/** What must be said of a run as such, in absolute terms: a bad night is no good night because all of it was bad (P28). */
export function runRemarks({ frames, shapes, dewStart, clear, interest, byInterest }: RunSeen): string[] {
  const remarks: string[] = [];
  const trail = median(shapes.map((shape) => shape.measured));
  const predicted = median(shapes.map((shape) => shape.predicted));
  const minor = median(frames.map((frame) => frame.measurement?.fwhmMinor ?? Number.NaN));
  if (trail > 4) {
    remarks.push(
      `Stars trail ${round(trail, 1)} px in every frame${
        Number.isFinite(predicted)
          ? ` (the turning sky alone makes ${round(predicted, 1)} px at this shutter)`
          : ''
      }: none was dropped for it, but a shorter shutter would give points.`,
    );
  }
  if (minor > 5) {
    remarks.push(
      `Stars are ${round(minor, 1)} px wide even in ordinary frames: the whole run looks out of focus, or the picture is strongly enlarged.`,
    );
  }
  const middle = median(clear);
  if (middle < 0.9 && dewStart === undefined) {
    remarks.push(
      `Cloud for most of the run: the middle frame got ${Math.round(100 * middle)} % of the starlight of the clearest ones.`,
    );
  }
  if (dewStart !== undefined) {
    remarks.push(`Dew began at frame ${dewStart + 1} of ${frames.length}.`);
  }
  if (interest) remarks.push(interestRemark(interest, byInterest));
  return remarks;
}

function interestRemark(interest: ZoneOfInterest, byInterest: readonly boolean[]): string {
  const count = byInterest.filter(Boolean).length;
  const { name, radius } = interest;
  if (count === 0) {
    return `No frame shows enough stars within ${radius} deg of ${name} to judge by that part alone, so the whole sky decided.`;
  }
  const rest = byInterest.length - count;
  return `Only the sky within ${radius} deg of ${name} decided${
    rest === 0
      ? '.'
      : `; in ${rest} of ${byInterest.length} frames it is behind land, outside the picture or without stars, and there the whole sky did.`
  }`;
}
