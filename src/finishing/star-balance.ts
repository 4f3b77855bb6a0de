import { type ColorImage, invert3, median } from '../core/index.js';
import { bodyColor, starTemperature } from '../sky/index.js';
import { balance } from './_balance.js';
import type { StackColor, StarBalance } from './types.js';

/** Stars of the catalogue on a stack; one entry a star. */
export interface KnownStars {
  /** px */
  readonly x: ArrayLike<number>;
  readonly y: ArrayLike<number>;
  /** B-V; NaN = not known. */
  readonly colorIndex: ArrayLike<number>;
}

/** Half side of the square that a star's whole light is summed in, px, and of the ring that tells its sky. */
const WHOLE = 4;
const RING = 7;

/** Scatter of the sky, in sigmas of the sum, that the least of the three colours must stand above. */
const LEAST_SIGNAL = 25;

/** Stars that must tell. */
const STARS_NEEDED = 25;

/** Factors beyond this are no balance but an error. */
const MOST = 1.6;

/**
 * Finds the white balance that gives stars the colours that the catalogue's B-V stands for: hot bodies' own.
 * It takes off what the air's reddening and a filter's daylight balance leave (P40).
 *
 * @param image linear stack, camera-native ADU. Not modified.
 * @returns undefined without a camera matrix, or where too few stars tell
 */
export function starBalance(
  image: ColorImage,
  stars: KnownStars,
  stack: StackColor,
): StarBalance | undefined {
  const toCamera = stack.color && invert3(stack.color.cameraToSrgb);
  if (!toCamera) return undefined;
  const { multipliers } = balance(stack);
  const limit = stack.whiteLevel.map((white) => 0.8 * white);
  const reds: number[] = [];
  const blues: number[] = [];
  for (let k = 0; k < stars.x.length; k++) {
    const index = stars.colorIndex[k]!;
    if (!(index > -0.35 && index < 1.8)) continue;
    const light = wholeLight(image, Math.round(stars.x[k]!), Math.round(stars.y[k]!), limit);
    if (!light) continue;
    const seen = light.map((value, c) => value * multipliers[c]!);
    const body = bodyColor(starTemperature(index));
    const due = [0, 1, 2].map((r) => body.reduce((sum, value, c) => sum + toCamera[3 * r + c]! * value, 0));
    reds.push(due[0]! / due[1]! / (seen[0]! / seen[1]!));
    blues.push(due[2]! / due[1]! / (seen[2]! / seen[1]!));
  }
  if (reds.length < STARS_NEEDED) return undefined;
  const [red, blue] = [median(reds), median(blues)];
  const sane = [red, blue].every((factor) => factor < MOST && factor > 1 / MOST);
  return sane ? { red, blue, stars: reds.length } : undefined;
}

/** Light of the three colours above the sky around; undefined at the edge, where it clips, or where it is faint. */
function wholeLight(
  { width, height, data }: ColorImage,
  x: number,
  y: number,
  limit: readonly number[],
): readonly number[] | undefined {
  if (!(x >= RING && y >= RING && x < width - RING && y < height - RING)) return undefined;
  const out: number[] = [];
  for (let c = 0; c < 3; c++) {
    const ring: number[] = [];
    let sum = 0;
    for (let j = -RING; j <= RING; j++) {
      for (let i = -RING; i <= RING; i++) {
        const far = Math.max(Math.abs(i), Math.abs(j));
        if (far > WHOLE && far < RING) continue;
        const value = data[(c * height + y + j) * width + x + i]!;
        if (far === RING) ring.push(value);
        else if (value > limit[c]!) return undefined;
        else sum += value;
      }
    }
    const sky = median(ring);
    const pixels = (2 * WHOLE + 1) ** 2;
    const scatter = 1.4826 * median(ring.map((value) => Math.abs(value - sky)));
    const light = sum - pixels * sky;
    if (!(light > LEAST_SIGNAL * scatter * Math.sqrt(pixels))) return undefined;
    out.push(light);
  }
  return out;
}
