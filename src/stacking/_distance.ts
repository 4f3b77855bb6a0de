/** Steps of `distanceTo` in a px. */
export const STEPS_PER_PX = 3;

/**
 * Distance of every pixel to the nearest one where `inside` holds, in thirds of a px (two bytes each, so that
 * large frames stay small), by chamfer steps of 3 and 4; within 8 % of the true one. Ends at 60000. @source G. Borgefors, CVGIP 34 (1986) 344
 */
export function distanceTo(width: number, height: number, inside: (at: number) => boolean): Uint16Array {
  const far = Math.min(60000, 3 * (width + height));
  const d = new Uint16Array(width * height);
  for (let i = 0; i < d.length; i++) d[i] = inside(i) ? 0 : far;
  const relax = (at: number, from: number, cost: number): void => {
    if (d[from]! + cost < d[at]!) d[at] = d[from]! + cost;
  };
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      if (x > 0) relax(at, at - 1, 3);
      if (y > 0) relax(at, at - width, 3);
      if (y > 0 && x > 0) relax(at, at - width - 1, 4);
      if (y > 0 && x < width - 1) relax(at, at - width + 1, 4);
    }
  }
  for (let y = height - 1; y >= 0; y--) {
    for (let x = width - 1; x >= 0; x--) {
      const at = y * width + x;
      if (x < width - 1) relax(at, at + 1, 3);
      if (y < height - 1) relax(at, at + width, 3);
      if (y < height - 1 && x < width - 1) relax(at, at + width + 1, 4);
      if (y < height - 1 && x > 0) relax(at, at + width - 1, 4);
    }
  }
  return d;
}
