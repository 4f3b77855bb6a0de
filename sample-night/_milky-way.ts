import { degToRad, radToDeg } from '../src/core/index.js';
import { fractal3, smoothStep } from './_noise.js';

/** J2000 to galactic axes, row-major. @source ESA SP-1200 (Hipparcos), vol. 1, eq. 1.5.11. */
export const J2000_TO_GALACTIC = [
  -0.0548755604, -0.8734370902, -0.4838350155, 0.4941094279, -0.44482963, 0.7469822445, -0.867666149,
  -0.1980763734, 0.4559837762,
] as const;

/** Seed of the Milky Way's own texture: the same sky on every night. */
const SEED = 7919;

const hump = (x: number, width: number): number => Math.exp(-(x / width) * (x / width));

/**
 * Brightness of the Milky Way in a galactic direction (unit vector), red, green and blue (linear sRGB) in
 * units of the natural zenith sky. A made-up likeness, not a measurement: disc, bulge, star clouds, the dark
 * rift and the two Magellanic Clouds at their true places.
 */
export function milkyWayGlow(x: number, y: number, z: number, out: Float64Array): void {
  const latitude = radToDeg(Math.asin(Math.min(1, Math.max(-1, z))));
  if (Math.abs(latitude) > 55) {
    out[0] = 0.02;
    out[1] = 0.02;
    out[2] = 0.02;
    return;
  }
  const longitude = radToDeg(Math.atan2(y, x));
  const wobble = fractal3(x * 7, y * 7, z * 7, 4, SEED) - 0.5;
  const b = latitude + 7 * wobble;
  const l = longitude + 10 * (fractal3(x * 6, y * 6, z * 6, 3, SEED + 1) - 0.5);
  const discWidth = 6.5 + 4 * hump(l, 40);
  const disc = (0.34 + 0.5 * hump(l, 75)) * Math.exp(-((Math.abs(b + 0.8) / discWidth) ** 1.35));
  const bulge = 2.5 * Math.exp(-(((l / 13) ** 2 + ((b + 2.6) / 8) ** 2) ** 0.62));
  const clouds = 0.4 + 1.2 * fractal3(x * 16, y * 16, z * 16, 5, SEED + 2);
  // Dust: a lane a little north of the plane, ragged, wide toward the centre, with fingers to higher latitude.
  const grain = fractal3(x * 13, y * 13, z * 13, 6, SEED + 3);
  const laneCenter = 1.2 + 1.6 * hump(l - 22, 30) - 0.8 * hump(l + 45, 25);
  const laneWidth = 2.6 + 2.2 * hump(l - 8, 26);
  const lane = 3.2 * hump(latitude + 4 * wobble - laneCenter, laneWidth) * smoothStep(0.36, 0.62, grain);
  const ridge = 1 - 2 * Math.abs(fractal3(x * 10, y * 10, z * 10, 6, SEED + 4) - 0.5);
  const fingers = 2 * hump(latitude - 7, 7) * hump(longitude + 2, 12) * smoothStep(0.84, 0.97, ridge);
  const sack = 2 * hump(Math.hypot((longitude + 58) * Math.cos(degToRad(latitude)), latitude + 1), 2.6);
  const dust = lane + fingers + sack + 0.5 * hump(latitude, 9) * smoothStep(0.5, 0.75, grain);
  const far = 0.02 + 0.12 * hump(latitude, 22);
  const red =
    far + disc * clouds * Math.exp(-0.85 * dust) * 1.02 + bulge * clouds * Math.exp(-0.8 * dust) * 1.18;
  const green = far + disc * clouds * Math.exp(-dust) + bulge * clouds * Math.exp(-dust);
  const blue =
    far + disc * clouds * Math.exp(-1.15 * dust) * 1.02 + bulge * clouds * Math.exp(-1.25 * dust) * 0.76;
  const cloudlet = (cl: number, cb: number, size: number, peak: number): number =>
    Math.abs(latitude - cb) > 12
      ? 0
      : peak *
        Math.exp(
          -(
            (Math.hypot((((longitude - cl + 540) % 360) - 180) * Math.cos(degToRad(cb)), latitude - cb) /
              size) **
            1.4
          ),
        );
  const magellan =
    (cloudlet(-79.5, -32.9, 2.6, 1.1) + cloudlet(-57.2, -44.3, 1.3, 0.8)) *
    (0.5 + fractal3(x * 40, y * 40, z * 40, 4, SEED + 5));
  out[0] = red + magellan * 0.95;
  out[1] = green + magellan;
  out[2] = blue + magellan * 1.05;
}
