import { type ColorImage, type Mask, median } from '../core/index.js';
import { distanceTo, STEPS_PER_PX } from './_distance.js';

/** Half-width of the strip about the edge, px, and of the window that a colour is taken from. */
const STRIP = 6;
const REACH = 2;

/**
 * Evens out the colour along the land's edge, in place. Leaves, twigs and masts against the sky are finer than
 * the colour filter: what is interpolated there has specks of false colour, and on an unmoving land every frame
 * has the same ones, so no stack takes them away. Within a few px of the edge red and blue keep their
 * difference to green as the median of the window around has it; green, the detail, stays as it is.
 *
 * @param image the land's own stack
 * @param mask 1 = land
 * @source median of colour differences: W. T. Freeman, US patent 4,724,395 (1988)
 */
export function evenEdgeColor(image: ColorImage, mask: Mask): void {
  const { width, height, data } = image;
  const size = width * height;
  const toLand = distanceTo(width, height, (at) => mask.data[at] !== 0);
  const toSky = distanceTo(width, height, (at) => mask.data[at] === 0);
  const inStrip = (at: number, limit: number): boolean =>
    toLand[at]! <= limit * STEPS_PER_PX && toSky[at]! <= limit * STEPS_PER_PX;
  const green = data.subarray(size, 2 * size);
  for (const color of [0, 2] as const) {
    const plane = data.subarray(color * size, (color + 1) * size);
    const ratio = skyRatio(plane, green, mask);
    // Differences first: what is evened out must not be read again.
    const difference = new Map<number, number>();
    const of = (at: number): number => plane[at]! - ratio * green[at]!;
    const evened: [number, number][] = [];
    for (let at = 0; at < size; at++) {
      if (!inStrip(at, STRIP)) continue;
      const [x, y] = [at % width, Math.floor(at / width)];
      const around: number[] = [];
      for (let j = Math.max(0, y - REACH); j <= Math.min(height - 1, y + REACH); j++) {
        for (let i = Math.max(0, x - REACH); i <= Math.min(width - 1, x + REACH); i++) {
          const other = j * width + i;
          let value = difference.get(other);
          if (value === undefined) {
            value = of(other);
            difference.set(other, value);
          }
          if (!Number.isNaN(value)) around.push(value);
        }
      }
      if (around.length > 0 && !Number.isNaN(green[at]!)) evened.push([at, median(around)]);
    }
    for (const [at, value] of evened) plane[at] = ratio * green[at]! + value;
  }
}

/** How much of a colour comes with the green of the sky. */
function skyRatio(plane: Float32Array, green: Float32Array, mask: Mask): number {
  const own: number[] = [];
  const greens: number[] = [];
  const step = Math.max(1, Math.floor(green.length / 20000));
  for (let at = 0; at < green.length; at += step) {
    if (mask.data[at] || Number.isNaN(plane[at]! + green[at]!)) continue;
    own.push(plane[at]!);
    greens.push(green[at]!);
  }
  const ratio = own.length > 0 ? median(own) / median(greens) : 1;
  return Number.isFinite(ratio) && ratio > 0 ? ratio : 1;
}
