import { fittedFrame, frameLens } from './_camera.js';
import { apply, applyTransposed, multiply, rotationExp, rotationLog, transpose } from './_rotation.js';
import { projectDirection, unprojectPixel } from './geometry.js';
import { applyHomography, invertHomography } from './homography.js';
import type { Alignment, MapPoint } from './types.js';

/** How the sky goes on from one frame to a later one of the same framing. */
export interface SkyStep {
  /** Place of a star of the first frame at the time `share` (0 = first frame, 1 = the other), px to px. */
  ahead(share: number): MapPoint;
  /** The inverse: which place of the first frame is to be shown at a place, at the time `share`. */
  back(share: number): MapPoint;
  /** Angle that the sky turned between them, rad; absent when no sky-motion model tells. */
  readonly angle?: number;
}

/**
 * The sky's way between two frames. With a sky-motion model it is the even turn about one axis that the real
 * sky makes; with plane mappings alone a straight line from place to place. Undefined when either frame was
 * left out. The camera is taken to stand still between the two.
 */
export function skyStep(alignment: Alignment, from: number, to: number): SkyStep | undefined {
  const [a, b] = [fittedFrame(alignment, from), fittedFrame(alignment, to)];
  if (!a || !b) return undefined;
  const { model } = alignment;
  if (model && !a.homography && !b.homography) {
    const lens = frameLens(model, a);
    const [x, y, z] = rotationLog(multiply(b.rotation, transpose(a.rotation)));
    const turned = (share: number) => rotationExp(x * share, y * share, z * share);
    return {
      ahead: (share) => {
        const turn = turned(share);
        return (px, py) => projectDirection(lens, apply(turn, unprojectPixel(lens, px, py)));
      },
      back: (share) => {
        const turn = turned(share);
        return (px, py) => projectDirection(lens, applyTransposed(turn, unprojectPixel(lens, px, py)));
      },
      angle: Math.hypot(x, y, z),
    };
  }
  const identity = [1, 0, 0, 0, 1, 0, 0, 0, 1];
  const step = multiply(b.homography ?? identity, invertHomography(a.homography ?? identity));
  const ahead =
    (share: number): MapPoint =>
    (px, py) => {
      const [qx, qy] = applyHomography(step, px, py);
      return [px + share * (qx - px), py + share * (qy - py)];
    };
  return {
    ahead,
    back: (share) => (px, py) => {
      // Two rounds are enough: the way changes little over its own length.
      const map = ahead(share);
      let [x, y] = [px, py];
      for (let round = 0; round < 3; round++) {
        const [qx, qy] = map(x, y);
        [x, y] = [x + px - qx, y + py - qy];
      }
      return [x, y];
    },
  };
}
