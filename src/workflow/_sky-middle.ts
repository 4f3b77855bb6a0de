import { type Alignment, unprojectPixel } from '../alignment/index.js';
import { radToDeg } from '../core/index.js';
import type { Equatorial } from '../sky/index.js';
import type { SkyPointing } from './_sky-pointing.js';

/** Where the middle of the run's reference frame looks, J2000, degrees; undefined where its stars do not tell. */
export function middleOfPicture(
  alignment: Alignment,
  found: SkyPointing | undefined,
): Equatorial | undefined {
  if (!found) return undefined;
  const { lens, toCamera: m } = found;
  const [u, v, w] = unprojectPixel(lens, (alignment.width - 1) / 2, (alignment.height - 1) / 2);
  // Rows of the matrix are the camera's axes among the stars; its transpose leads back.
  const [x, y, z] = [0, 1, 2].map((i) => m[i]! * u + m[i + 3]! * v + m[i + 6]! * w);
  const rightAscension = (radToDeg(Math.atan2(y!, x!)) + 360) % 360;
  const declination = radToDeg(Math.asin(Math.max(-1, Math.min(1, z!))));
  return Number.isFinite(rightAscension) && Number.isFinite(declination)
    ? { rightAscension, declination }
    : undefined;
}
