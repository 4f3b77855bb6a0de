import { median } from '../core/index.js';

/**
 * Finds where dew began: a stretch to the end of the run in which stars swell (fwhm ratio above 1.05) and fade
 * (transparency below 0.97), growing from its first third to its last, at least three frames long (P24).
 *
 * @param fwhmRatio star size against the best quarter, one a frame in time order; NaN = unknown
 * @param transparency light against the best, one a frame; NaN = unknown
 * @returns index of the first frame of the stretch, or undefined
 * @source limits: own prototype over simulated nights (clear frames 0.99 to 1.01 and 0.97 to 1.03)
 */
export function findDewOnset(
  fwhmRatio: readonly number[],
  transparency: readonly number[],
): number | undefined {
  let start = fwhmRatio.length;
  let misses = 0;
  for (let i = fwhmRatio.length - 1; i >= 0; i--) {
    const size = fwhmRatio[i]!;
    const light = transparency[i]!;
    if (!Number.isFinite(size)) continue;
    const dewy = size > 1.05 && !(light >= 0.97);
    if (dewy) {
      start = i;
      misses = 0;
    } else if (++misses > 1) {
      break;
    }
  }
  const length = fwhmRatio.length - start;
  if (length < 3 || start === 0) return undefined;
  const third = Math.max(1, Math.floor(length / 3));
  const early = median(fwhmRatio.slice(start, start + third));
  const late = median(fwhmRatio.slice(-third));
  return late > early + 0.03 ? start : undefined;
}
