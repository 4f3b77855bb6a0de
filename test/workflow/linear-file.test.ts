import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { fromArrayBuffer } from 'geotiff';
import sharp from 'sharp';
import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { LINEAR_SRGB_ICC, readPixels } from '../../src/frames/index.js';
import { writeLinearFits, writeLinearTiff } from '../../src/workflow/_stack-files.js';
import { scratch } from '../library/_card.js';

const [width, height] = [37, 21];
const WHITE = 16_000;
const facts = {
  ...{ exif: { cameraModel: 'Tarnwick T3' }, totalExposure: 300, frames: 30, method: 'clipped-mean' },
  ...{ software: 'nightcairn', white: WHITE },
};

/** Floats of every kind that a stack has: dark sky, noise below black, a clipped star, no data. */
function image() {
  const random = seededRandom(3);
  const data = Float32Array.from({ length: 3 * width * height }, () => 100 * random() - 5);
  data[10] = 2 * WHITE;
  data[11] = Number.NaN;
  return { width, height, data };
}

describe('the linear file', () => {
  it('says that it is linear, by its profile and in words, and what its numbers stand for (L48, P39)', async () => {
    const path = join(scratch(), 'linear.tif');
    await writeLinearTiff(path, image(), facts);
    const meta = await sharp(path).metadata();
    expect(meta.depth).toBe('ushort');
    expect(new Uint8Array(meta.icc!)).toEqual(LINEAR_SRGB_ICC);
    const text = readFileSync(path).toString('latin1');
    expect(text).toContain(`LINEAR. Linear light, camera-native colours`);
    expect(text).toContain(`65535 = ${WHITE} ADU`);
  });

  it('holds floats to half a step of 16 bits at the stated scale, never through 8 (L49, L50)', async () => {
    const path = join(scratch(), 'linear.tif');
    const given = image();
    await writeLinearTiff(path, given, facts);
    const bytes = readFileSync(path);
    // A reader that knows nothing of profiles and gives the stored numbers.
    const tiff = await fromArrayBuffer(
      bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.length) as ArrayBuffer,
    );
    const read = (await (await tiff.getImage()).readRasters({ interleave: true })) as unknown as Uint16Array;
    expect(read).toBeInstanceOf(Uint16Array);
    const step = WHITE / 65535;
    for (let i = 0; i < width * height; i++)
      for (let plane = 0; plane < 3; plane++) {
        const value = given.data[plane * width * height + i]!;
        const back = read[3 * i + plane]! * step;
        const wanted = value > 0 ? Math.min(WHITE, value) : 0;
        expect(Math.abs(back - wanted)).toBeLessThanOrEqual(step / 2 + 1e-9); // half a step, rounding of doubles
      }
  });

  it('as FITS holds the very floats, those below black and those unknown too', async () => {
    const path = join(scratch(), 'linear.fits');
    const given = image();
    await writeLinearFits(path, given, facts);
    const pixels = await readPixels(readFileSync(path), path);
    expect(pixels.data).toEqual(given.data);
  });
});

describe('the picture codec', () => {
  it('keeps no cache and no threads of its own, so that memory does not grow from frame to frame (L52)', () => {
    const { memory, files, items } = sharp.cache() as unknown as Record<string, { max: number }>;
    expect([memory!.max, files!.max, items!.max]).toEqual([0, 0, 0]);
    expect(sharp.concurrency()).toBe(1);
  });
});
