import { median, STAR_FLAGS, type StarTable } from '../core/index.js';
import type { Rect } from '../finishing/index.js';

/** A star this much larger than in the middle is smeared. */
const LIMIT = 1.35;

/** Rings from the middle to the corners, and stars a ring must hold to be judged. */
const RINGS = 12;
const LEAST = 8;

const SPOILED =
  STAR_FLAGS.SATURATED.bit |
  STAR_FLAGS.NEAR_EDGE.bit |
  STAR_FLAGS.BLENDED.bit |
  STAR_FLAGS.DEFECT_SUSPECT.bit |
  STAR_FLAGS.ON_LAND.bit |
  STAR_FLAGS.SHAPE_FAILED.bit;

/**
 * Finds the part of a frame inside which stars are at most a third larger than in its middle: a rectangle of the
 * frame's own shape about its middle. Size is the longest extent, fwhm of the major axis, so that coma counts.
 *
 * @returns undefined when all of the frame is sharp, or too few stars tell
 */
export function sharpPart(stars: StarTable, width: number, height: number): Rect | undefined {
  const rings: number[][] = Array.from({ length: RINGS }, () => []);
  for (let i = 0; i < stars.count; i++) {
    if ((stars.flags[i]! & SPOILED) !== 0 || !(stars.snr[i]! > 15)) continue;
    const size = stars.fwhmMinor[i]! * stars.elongation[i]!;
    if (!Number.isFinite(size)) continue;
    // Distance as a share of the frame's shape: 1 on its border, whichever side.
    const far = Math.max(
      Math.abs((2 * stars.x[i]!) / (width - 1) - 1),
      Math.abs((2 * stars.y[i]!) / (height - 1) - 1),
    );
    rings[Math.min(RINGS - 1, Math.floor(far * RINGS))]!.push(size);
  }
  const middle = median(rings.slice(0, RINGS / 2).flat());
  if (!(middle > 0) || rings.slice(0, RINGS / 2).flat().length < LEAST) return undefined;
  // From the border inward: every ring that is smeared goes; never more than the outer third.
  let keep = RINGS;
  while (keep > (2 * RINGS) / 3) {
    const ring = rings[keep - 1]!;
    if (ring.length < LEAST || median(ring) <= LIMIT * middle) break;
    keep--;
  }
  if (keep === RINGS) return undefined;
  const share = keep / RINGS;
  const w = 2 * Math.round((width * share) / 2);
  const h = 2 * Math.round((height * share) / 2);
  return { x: Math.round((width - w) / 2), y: Math.round((height - h) / 2), width: w, height: h };
}
