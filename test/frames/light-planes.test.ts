import { describe, expect, it } from 'vitest';
import { seededRandom } from '../../src/core/index.js';
import { planesPlain, planesThrough, roomDuring, type ThreeTables } from '../../src/frames/_light-planes.js';

const TABLES = [1.5, 0.37, 2.2].map((power) =>
  Float32Array.from({ length: 256 }, (_, i) => 65535 * (i / 255) ** power),
) as unknown as ThreeTables;

describe('planesThrough', () => {
  it('equals the plain way bit for bit, whatever the size, the channels and the place in memory', () => {
    const random = seededRandom(5);
    for (const size of [0, 1, 2, 3, 4, 5, 7, 64, 1023]) {
      for (const channels of [3, 4]) {
        for (const offset of [0, 1, 2, 4]) {
          const codes = new Uint8Array(new ArrayBuffer(offset + channels * size), offset);
          for (let i = 0; i < codes.length; i++) codes[i] = Math.floor(256 * random());
          const [quick, plain] = [new Float32Array(3 * size), new Float32Array(3 * size)];
          planesThrough(codes, TABLES, { channels, out: quick });
          planesPlain(codes, TABLES, { channels, out: plain });
          expect(quick).toEqual(plain);
          if (size > 0) expect(plain[2 * size]).toBe(TABLES[2]![codes[2]!]);
        }
      }
    }
  });
});

describe('roomDuring', () => {
  it('gives zeros of the size asked for, also when the work is done or failed before', async () => {
    for (const work of [() => Promise.resolve(1), () => Promise.reject(new Error('damaged'))]) {
      const room = await roomDuring(1 << 20, work());
      expect(room).toHaveLength(1 << 20);
      expect(room!.every((value) => value === 0)).toBe(true);
    }
  });

  it('asks for nothing ahead for small results and for sizes only a damaged header would say', async () => {
    expect(await roomDuring(300, Promise.resolve())).toBeUndefined();
    expect(await roomDuring(1_200_000_000, Promise.resolve())).toBeUndefined();
  });
});
