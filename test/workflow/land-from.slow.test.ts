import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { makeCard } from '../../sample-night/make-card.js';
import { median } from '../../src/core/index.js';
import { readPixels } from '../../src/frames/index.js';
import { importCard } from '../../src/workflow/import.js';
import { measure } from '../../src/workflow/measure.js';
import { stack } from '../../src/workflow/stack.js';
import { scratch } from '../library/_card.js';
import { buildNight } from '../support/synthetic-sky.js';
import { contextOf } from './_fake-intake.js';

const common = {
  ...{ seed: 77, width: 720, height: 480, focalLengthMm: 18, fNumber: 2.8 },
  ...{ aim: { azimuth: 150, altitude: 22 }, land: { kind: 'hills' as const, skyline: 10, trees: 4 } },
};

describe('land from another run of the same framing (P10)', () => {
  it('is brought to the exposure of the sky, and its noise is that of the longer, quieter frames', {
    timeout: 300_000,
  }, async () => {
    const base = scratch();
    const context = contextOf(join(base, 'library'), { workers: 2 });
    const nights = [
      { name: 'sky', start: '2026-08-12T22:20:00Z', frames: 6, exposureTime: 10, cadence: 12, iso: 3200 },
      { name: 'ground', start: '2026-08-12T22:24:00Z', frames: 5, exposureTime: 60, cadence: 63, iso: 800 },
    ] as const;
    for (const night of nights) {
      const scenario = buildNight({ ...common, ...night });
      const { card } = await makeCard(join(base, night.name), { scenario, workers: 2 });
      await importCard(context, { card, zone: 'Africa/Johannesburg' });
    }
    await measure(context, 'latest');
    const plain = await stack(context, 'latest');
    const [sky, ground] = plain.stacks;
    expect([sky!.outcome, ground!.outcome]).toEqual(['done', 'done']);
    const mixed = await stack(context, sky!.sequenceId, { landFrom: ground!.sequenceId });
    const made = mixed.stacks[0]!.stack!;
    expect(made.files.recipe).not.toBe(sky!.stack!.files.recipe);
    expect((made as { notes?: string[] }).notes?.join(' ')).toMatch(/The land comes from \d frames of .*\/2/);
    const read = async (path: string) => readPixels(readFileSync(path), path);
    const [own, other, mask] = await Promise.all([
      read(sky!.stack!.files.land!),
      read(made.files.land!),
      read(made.files.mask!),
    ]);
    // Green of open ground, away from the edge: levels agree, the scatter between neighbours falls.
    const { width, height } = own;
    const at: number[] = [];
    for (let y = Math.floor(0.85 * height); y < height - 4; y++)
      for (let x = 4; x < width - 4; x++)
        if (mask.data[y * width + x]! > 60_000) at.push(width * height + y * width + x);
    expect(at.length).toBeGreaterThan(10_000);
    const level = (pixels: typeof own) => median(at.map((i) => pixels.data[i]!));
    // 16-bit steps of the file are a quarter ADU; the land's own level is some ADU.
    expect(Math.abs(level(other) / level(own) - 1)).toBeLessThan(0.1);
    const noise = (pixels: typeof own) =>
      median(at.map((i) => Math.abs(pixels.data[i]! - pixels.data[i + 2]!)));
    // 300 s at ISO 800 hold five times the light of 60 s at ISO 3200: the photon noise alone falls by 2.2.
    expect(noise(other) / noise(own)).toBeLessThan(0.75);
    await expect(stack(context, sky!.sequenceId, { landFrom: '/9' })).rejects.toMatchObject({
      code: 'UNKNOWN_ID',
    });
  });
});
