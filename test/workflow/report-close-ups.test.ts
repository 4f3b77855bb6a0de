import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import sharp from 'sharp';
import { afterAll, describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { createWorkerPool } from '../../src/kernels/index.js';
import { nameTransients } from '../../src/report/index.js';
import type { CloseUps, CloseUpTask } from '../../src/workflow/report-worker.js';
import { scratch } from '../library/_card.js';
import { goodFrame } from '../report/_night.js';

const pool = createWorkerPool(new URL('../../dist/src/workflow/report-worker.js', import.meta.url), 1);
afterAll(() => pool.close());

const [WIDTH, HEIGHT] = [480, 320];

/** A frame with noise, a star near each place and a line that flashes every 21 px. */
async function frameFile(stars: readonly (readonly [number, number])[]): Promise<string> {
  const random = seededRandom(5);
  const data = new Uint8Array(3 * WIDTH * HEIGHT);
  const line = { x1: 40, y1: 60, x2: 440, y2: 260 };
  const length = Math.hypot(line.x2 - line.x1, line.y2 - line.y1);
  const [ux, uy] = [(line.x2 - line.x1) / length, (line.y2 - line.y1) / length];
  for (let y = 0; y < HEIGHT; y++) {
    for (let x = 0; x < WIDTH; x++) {
      let value = 60 + 4 * random();
      for (const [sx, sy] of stars) value += 150 * Math.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 4);
      const along = (x - line.x1) * ux + (y - line.y1) * uy;
      const across = (y - line.y1) * ux - (x - line.x1) * uy;
      if (along >= 0 && along <= length) {
        const flash = along % 21 < 3 ? 180 : 25;
        value += flash * Math.exp(-(across ** 2) / 2);
      }
      data.fill(Math.min(255, value), 3 * (y * WIDTH + x), 3 * (y * WIDTH + x) + 3);
    }
  }
  const path = join(scratch(), 'frame.png');
  writeFileSync(
    path,
    await sharp(data, { raw: { width: WIDTH, height: HEIGHT, channels: 3 } })
      .png()
      .toBuffer(),
  );
  return path;
}

const tableOf = (stars: readonly (readonly [number, number])[]): NonNullable<CloseUpTask['stars']> => ({
  count: stars.length,
  x: Float64Array.from(stars, ([x]) => x),
  y: Float64Array.from(stars, ([, y]) => y),
  flux: Float32Array.from(stars, () => 1000),
  fwhm: Float32Array.from(stars, () => 3),
  flags: new Uint16Array(stars.length),
});

/** The brightest place of each of the five tiles of a strip, px from the tile's own corner; undefined where it is empty. */
async function tilesOf(strip: Uint8Array): Promise<(readonly [number, number] | undefined)[]> {
  const { data, info } = await sharp(strip).extractChannel(0).raw().toBuffer({ resolveWithObject: true });
  expect([info.width, info.height]).toEqual([5 * 100 + 4 * 4, 100]);
  return [0, 1, 2, 3, 4].map((k) => {
    let [sx, sy, sum] = [0, 0, 0];
    for (let y = 0; y < 100; y++) {
      for (let x = 0; x < 100; x++) {
        if (data[y * info.width + k * 104 + x]! < 200) continue;
        sx += x;
        sy += y;
        sum++;
      }
    }
    return sum === 0 ? undefined : ([sx / sum, sy / sum] as const);
  });
}

describe('closeUps', () => {
  it('puts a star of each corner and of the middle in the middle of its tile', async () => {
    const stars = [
      [30, 25],
      [450, 30],
      [240, 110],
      [28, 300],
      [455, 290],
    ] as const;
    const { strip } = await pool.run<CloseUps>('closeUps', {
      path: await frameFile(stars),
      stars: tableOf(stars),
      lines: [],
    });
    for (const tile of await tilesOf(strip!)) {
      // The middle of 25 pixels enlarged four times is at 49.5; stars stand on whole pixels, noise moves the mean by less than half a pixel.
      expect(Math.abs(tile![0] - 49.5)).toBeLessThan(2);
      expect(Math.abs(tile![1] - 49.5)).toBeLessThan(2);
    }
  });

  it('looks for them where the picture shows them, turned as it is seen', async () => {
    // Stored top left; turned clockwise by a quarter (orientation 6) it is seen at the top right.
    const stars = [[30, 25]] as const;
    const { strip } = await pool.run<CloseUps>('closeUps', {
      path: await frameFile(stars),
      orientation: 6,
      stars: tableOf(stars),
      lines: [],
    });
    expect((await tilesOf(strip!)).map((tile) => tile !== undefined)).toEqual([
      false,
      true,
      false,
      false,
      false,
    ]);
  });

  it('gives no strip without a clean star', async () => {
    const path = await frameFile([]);
    expect(
      (await pool.run<CloseUps>('closeUps', { path, stars: tableOf([]), lines: [] })).strip,
    ).toBeUndefined();
  });

  it('reads the light along a line well enough to tell a lamp', async () => {
    const streak = { x1: 40, y1: 60, x2: 440, y2: 260, width: 2, brightness: 40 };
    const { lines } = await pool.run<CloseUps>('closeUps', { path: await frameFile([]), lines: [streak] });
    const { width, height } = await sharp(lines[0]!.jpeg).metadata();
    expect(Math.max(width, height)).toBeLessThanOrEqual(420);
    const frame = goodFrame(0, { width: WIDTH, height: HEIGHT, streaks: [streak] });
    const [named] = nameTransients([frame], [lines[0]!.profile]);
    expect(named?.kind).toBe('aircraft');
    // 447 px at a flash every 21 px make 21 or 22 of them; the two at the ends may be missed.
    expect(Number(/(\d+) flashes/.exec(named!.why)![1])).toBeGreaterThanOrEqual(19);
    expect(Number(/(\d+) flashes/.exec(named!.why)![1])).toBeLessThanOrEqual(22);
  });
});
