import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { readPixels } from '../../src/frames/index.js';
import { detectionPlane, type FrameMeasurement, firstLandMask, measureFrame } from '../../src/stars/index.js';
import { REAL } from '../support/shared.js';

const FULL = process.env.NIGHTCAIRN_FULL === '1';

async function measured(folder: string, name: string, masked = false): Promise<FrameMeasurement> {
  const pixels = await readPixels(readFileSync(`${REAL}/${folder}/${name}`), name);
  const plane = detectionPlane(pixels);
  const options = { saturation: pixels.whiteLevel[1], quantization: pixels.quantization };
  const first = measureFrame(plane, options);
  if (!masked) return first;
  const { width, height } = plane;
  const mask = firstLandMask({ width, height, planes: [plane], starTables: [first.stars], orientation: 1 });
  return mask ? measureFrame(plane, { ...options, mask }) : first;
}

describe.skipIf(!existsSync(REAL))(
  `real frames (skipped where the folder of real files is absent: ${REAL})`,
  () => {
    it('finds the streak of starfields-tiff and no streak in its neighbours', async () => {
      for (const name of readdirSync(`${REAL}/starfields-tiff`)) {
        const frame = await measured('starfields-tiff', name);
        expect(frame.stars.count).toBeGreaterThan(50); // each field shows 70 to 400 stars by eye
        if (!name.includes('Alt60_Azi-135')) {
          expect(frame.streaks).toEqual([]);
          continue;
        }
        expect(frame.streaks.length).toBe(1); // exact: one is seen
        const { x1, y1, x2, y2 } = frame.streaks[0]!;
        // Ends read off the picture by eye: (212, 171) and (329, 147), +- 6 px.
        const ends = [
          Math.hypot(x1 - 212, y1 - 171) + Math.hypot(x2 - 329, y2 - 147),
          Math.hypot(x2 - 212, y2 - 171) + Math.hypot(x1 - 329, y1 - 147),
        ];
        expect(Math.min(...ends)).toBeLessThan(12);
      }
    });

    it('puts next to no star on the land of a mountain frame', async () => {
      const frame = await measured('horizon-pairs', 'IMG_007985.jpg', true);
      let below = 0;
      for (let i = 0; i < frame.stars.count; i++) if (frame.stars.y[i]! > 590) below++;
      expect(frame.stars.count).toBeGreaterThan(50); // about 80 are seen
      expect(below).toBeLessThanOrEqual(5); // a handful; the snow field begins at row 590
    });

    it('finds a handful of stars at most behind cloud', async () => {
      const cloudy = await measured('cloud-fits', 'cloudy.fits');
      const starry = await measured('cloud-fits', 'starry.fits');
      expect(cloudy.stars.count).toBeLessThan(25); // a handful beside a fisheye's rim and its arm
      expect(starry.stars.count).toBeGreaterThan(100); // the clear frame of the pair
    });

    for (const folder of ['horizon-pairs', 'cloud-fits', 'darks-sky', 'phone-milky-way']) {
      it.skipIf(!FULL)(
        `measures every file of ${folder}${FULL ? '' : ' (skipped: set NIGHTCAIRN_FULL=1)'}`,
        async () => {
          for (const name of readdirSync(`${REAL}/${folder}`)) {
            const frame = await measured(folder, name);
            expect(frame.background).not.toBeNaN();
            expect(frame.stars.count).toBeLessThanOrEqual(1500); // exact: the cap
          }
        },
      );
    }
  },
);
