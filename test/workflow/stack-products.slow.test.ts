import { createHash } from 'node:crypto';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { makeCard } from '../../sample-night/index.js';
import { median, silent } from '../../src/core/index.js';
import { readPixels } from '../../src/frames/index.js';
import { exportFrames, importCard, measure, stack, trails } from '../../src/workflow/index.js';
import { buildNight } from '../support/synthetic-sky.js';

const at = { latitude: -30.62, longitude: 25.13 };

const sha = (path: string) => createHash('sha256').update(readFileSync(path)).digest('hex');

/** Twelve frames under a hill, a pause, a meteor, one frame behind cloud. */
const night = buildNight({
  ...{ name: 'small', seed: 17, width: 900, height: 600, frames: 12, exposureTime: 10, cadence: 14 },
  aim: { azimuth: 200, altitude: 24 },
  land: { kind: 'hills', skyline: 8, trees: 4 },
  happenings: [
    { kind: 'gap', at: 6, seconds: 60 },
    { kind: 'cloud', from: 9, transparency: [0.5], patchiness: 0.1 },
    {
      kind: 'streak',
      at: 3,
      streak: { kind: 'meteor', x1: 200, y1: 90, x2: 520, y2: 290, brightness: 1800 },
    },
  ],
});

describe('what a small night is made into', () => {
  const scratch = mkdtempSync(join(tmpdir(), 'nightcairn-products-'));
  const libraryDir = join(scratch, 'library');
  const context = { libraryDir, progress: silent, clock: () => new Date(0) };
  const folder = () => join(libraryDir, 'nights', readdirSync(join(libraryDir, 'nights'))[0]!);

  beforeAll(async () => {
    const { card } = await makeCard(scratch, { scenario: night });
    await importCard(context, { card, site: 'Sandpiper Flat', at });
    await measure(context, 'latest');
  }, 300_000);
  afterAll(() => rmSync(scratch, { recursive: true, force: true }));

  it('is the same to the byte for 1, 2 and 4 threads and any size of tiles', async () => {
    const sums: string[][] = [];
    for (const [workers, memoryBytes] of [
      [1, 400e6],
      [2, 12e6],
      [4, 40e6],
    ] as const) {
      const { stacks } = await stack({ ...context, workers }, 'latest', { memoryBytes });
      const { files, folder: made } = stacks[0]!.stack!;
      const { linearTiff, fits, sky, land, coverage, pictureTiff } = files;
      sums.push([linearTiff, fits, sky, land, coverage, pictureTiff].map((path) => sha(path!)));
      rmSync(made, { recursive: true });
    }
    expect(sums[1]).toEqual(sums[0]);
    expect(sums[2]).toEqual(sums[0]);
  }, 300_000);

  it('leaves no working files and no half result when it is stopped', async () => {
    const controller = new AbortController();
    const stopping = stack(
      {
        ...context,
        signal: controller.signal,
        progress: ({ task }) => {
          if (task === 'stacking the sky') controller.abort();
        },
      },
      'latest',
    );
    await expect(stopping).rejects.toMatchObject({ code: 'CANCELLED' });
    expect(readdirSync(join(folder(), 'stacks'))).toEqual([]);
  }, 120_000);

  it('lists the meteor with time and place, saves its cut-out, and brings it back on request (P36)', async () => {
    const first = (await stack(context, 'latest')).stacks[0]!.stack!;
    const lines = first.transients!;
    expect(lines).toHaveLength(1);
    const [line] = lines as unknown as {
      id: string;
      takenAt: string;
      cutOut: string;
      onStack: { x1: number; y1: number; x2: number; y2: number };
    }[];
    expect(line!.takenAt).toMatch(/Z$/);
    expect(existsSync(line!.cutOut)).toBe(true);
    const with_ = (await stack(context, 'latest', { bringBack: [line!.id] })).stacks[0]!.stack!;
    const read = async (path: string) => readPixels(readFileSync(path), path);
    const [plain, shown] = [await read(first.files.fits!), await read(with_.files.fits!)];
    const { x1, y1, x2, y2 } = line!.onStack;
    const along = Array.from({ length: 60 }, (_, i) => {
      const share = 0.2 + (0.6 * i) / 60;
      const [x, y] = [Math.round(x1 + share * (x2 - x1)), Math.round(y1 + share * (y2 - y1))];
      const index = (plain.height + y) * plain.width + x;
      return shown.data[index]! - plain.data[index]!;
    });
    expect(median(along)).toBeGreaterThan(200); // ADU; the meteor peaks at some 1800, the sky's noise is a few
    const away = plain.data.filter((value, i) => value !== shown.data[i]).length;
    expect(away).toBeLessThan(0.02 * plain.data.length); // a strip of some 10 px along 300 px is 0.6 %, trebled for slack
    await expect(stack(context, 'latest', { bringBack: ['nothing-1'] })).rejects.toMatchObject({
      code: 'VALUE_NOT_UNDERSTOOD',
      message: expect.stringContaining(line!.id),
    });
  }, 120_000);

  it('draws trails with clouded frames in them, tells the breaks in px and closes them (P22, P23)', async () => {
    const open = (await trails(context, 'latest')).trails[0]!;
    expect(open.framesUsed).toBe(12);
    expect(open.cloudedFrames).toBe(1);
    expect(open.gaps!.seconds).toBeCloseTo(4, 0); // s; cadence 14 less exposure 10, by the sky's own turn
    expect(open.gaps!.breaks).toHaveLength(1);
    expect(open.gaps!.breaks[0]!.seconds).toBeCloseTo(64, -1); // s; the pause of 60 and a dash, within 5
    const closed = (await trails(context, 'latest', { bridge: true })).trails[0]!;
    expect(closed.gaps!.breaks.every(({ bridged }) => bridged)).toBe(true);
    const read = async (path: string) => readPixels(readFileSync(path), path);
    const [a, b] = [await read(open.files!.fits!), await read(closed.files!.fits!)];
    // Bridging only adds light: nowhere does the brightest of more copies fall.
    expect(b.data.filter((value, i) => value < a.data[i]!).length).toBe(0);
    const gained = b.data.reduce((sum, value, i) => sum + (value - a.data[i]! > 100 ? 1 : 0), 0);
    expect(gained).toBeGreaterThan(500); // px; some hundred stars with a break of several px each
  }, 120_000);

  it('exports kept frames aligned, with verdicts in side-cars, and nothing beside the originals unless asked', async () => {
    const done = (await exportFrames(context, 'latest', { originals: true })).exports[0]!;
    const tiffs = done.frames.filter(({ tiff }) => tiff !== undefined);
    expect(tiffs).toHaveLength(11);
    expect(done.frames).toHaveLength(12);
    const dropped = done.frames.find(({ tiff }) => tiff === undefined)!;
    const packet = readFileSync(dropped.sideCars[0]!, 'utf8');
    expect(packet).toContain('<xmp:Rating>-1</xmp:Rating>');
    expect(packet).toMatch(/Cloud: only \d+ % of the stars/);
    const frames = join(folder(), 'frames');
    expect(readdirSync(frames).filter((name) => name.endsWith('.xmp'))).toEqual([]);
    // Aligned: two frames a minute apart agree on where the stars are.
    const [one, two] = await Promise.all(
      [tiffs[2]!, tiffs[8]!].map(async ({ tiff }) => readPixels(readFileSync(tiff!), tiff!)),
    );
    const part = (pixels: typeof one) => pixels!.data.subarray(900 * 600, 900 * 1000);
    expect(correlation(part(one), part(two))).toBeGreaterThan(0.8); // stars over noise; 0.1 when a few px apart
    const sideCar = join(dirname(dropped.original!), '..', 'strange.xmp');
    writeFileSync(sideCar, 'not ours');
    await exportFrames(context, 'latest', { tiff: false, besideOriginals: true });
    expect(readdirSync(frames).filter((name) => name.endsWith('.xmp'))).toHaveLength(12);
    expect(readFileSync(sideCar, 'utf8')).toBe('not ours');
  }, 120_000);
});

/** Correlation of the bright half of two pictures. */
function correlation(a: ArrayLike<number>, b: ArrayLike<number>): number {
  let [n, sa, sb, saa, sbb, sab] = [0, 0, 0, 0, 0, 0];
  for (let i = 0; i < a.length; i++) {
    const [x, y] = [a[i]!, b[i]!];
    n++;
    sa += x;
    sb += y;
    saa += x * x;
    sbb += y * y;
    sab += x * y;
  }
  return (n * sab - sa * sb) / Math.sqrt((n * saa - sa * sa) * (n * sbb - sb * sb));
}
