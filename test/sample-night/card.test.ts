import { createHash } from 'node:crypto';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, relative } from 'node:path';
import sharp from 'sharp';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import {
  cardFiles,
  headerOf,
  type MadeCard,
  makeCard,
  type NightScenario,
  planArguments,
  sampleScenario,
} from '../../sample-night/index.js';
import { FormatError } from '../../src/core/index.js';
import { readHeader, readPixels } from '../../src/frames/index.js';
import { simulateNight, smallNight } from '../support/synthetic-sky.js';

const work = mkdtempSync(join(tmpdir(), 'nightcairn-card-'));
afterAll(() => rmSync(work, { recursive: true, force: true }));

const small = (): NightScenario => {
  const night = smallNight({
    frames: 6,
    darks: 1,
    roll: -90,
    sky: { faintest: 7.5 },
    land: { kind: 'hills', skyline: 4 },
    aim: { azimuth: 240, altitude: 12 },
  });
  return {
    ...night,
    shots: night.shots.map((shot, i) =>
      i === 2 ? { ...shot, damage: 'truncated' } : i === 4 ? { ...shot, damage: 'all-zero' } : shot,
    ),
    naming: { ...night.naming, firstNumber: 9997 },
  };
};

function hashes(folder: string): Record<string, string> {
  const found: Record<string, string> = {};
  const walk = (at: string): void => {
    for (const name of readdirSync(at).sort()) {
      const path = join(at, name);
      if (statSync(path).isDirectory()) walk(path);
      else found[relative(folder, path)] = createHash('sha256').update(readFileSync(path)).digest('hex');
    }
  };
  walk(folder);
  return found;
}

describe('makeCard', () => {
  let made: MadeCard;
  const scenario = small();
  beforeAll(async () => {
    made = await makeCard(join(work, 'a'), { scenario });
  });
  const bytesOf = (name: string) => new Uint8Array(readFileSync(join(made.card, name)));

  it('writes the same bytes for the same seed, whatever the number of threads', async () => {
    await makeCard(join(work, 'b'), { scenario: small(), workers: 1 });
    expect(hashes(join(work, 'b'))).toEqual(hashes(join(work, 'a')));
  });

  it('rolls over from 9999 into a new folder in mid-sequence (P48)', () => {
    expect(made.files.map((names) => names[0])).toEqual([
      'DCIM/100TARNW/TWK_9997.DNG',
      'DCIM/100TARNW/TWK_9998.DNG',
      'DCIM/100TARNW/TWK_9999.DNG',
      'DCIM/101TARNW/TWK_0001.DNG',
      'DCIM/101TARNW/TWK_0002.DNG',
      'DCIM/101TARNW/TWK_0003.DNG',
      'DCIM/101TARNW/TWK_0004.DNG',
    ]);
  });

  it('is read back by the readers with every pixel and every word of the header', async () => {
    const frame = simulateNight(scenario).frames[0]!;
    const [dng, jpeg] = made.files[0]! as [string, string];
    const pixels = await readPixels(bytesOf(dng), dng);
    expect(pixels.kind).toBe('mosaic');
    expect(pixels.cfa).toEqual({ width: 2, height: 2, colors: [0, 1, 1, 2] });
    expect(Buffer.from(pixels.data.slice().buffer).equals(Buffer.from(frame.pixels().data.buffer))).toBe(
      true,
    );
    expect(pixels.whiteLevel).toEqual([15871, 15871, 15871]);
    scenario.camera.multipliers.forEach((value, i) => {
      // 1e-5: DNG keeps the reciprocal as a rational.
      expect(Math.abs(pixels.color!.multipliers[i]! - value)).toBeLessThan(1e-5);
    });
    scenario.camera.cameraToSrgb.forEach((value, i) => {
      // 0.01: through the colour matrix for D65 and back, white points of four digits.
      expect(Math.abs(pixels.color!.cameraToSrgb[i]! - value)).toBeLessThan(0.01);
    });
    const header = await readHeader(bytesOf(dng), dng);
    const {
      warnings: _,
      format: __,
      formatName: ___,
      fileNumber: ____,
      pixelPitchUm,
      subSecond,
      ...said
    } = headerOf(scenario, frame.shot);
    expect(header).toMatchObject(said);
    expect(header.orientation).toBe(8);
    // 1e-3: rationals and milliseconds.
    expect(Math.abs(header.pixelPitchUm! / pixelPitchUm! - 1)).toBeLessThan(1e-3);
    expect(Math.abs((header.subSecond ?? 0) - subSecond!)).toBeLessThan(1.5e-3);
    expect(header.gps!.latitude).toBeCloseTo(scenario.site.latitude, 4);
    expect(header.gps!.longitude).toBeCloseTo(scenario.site.longitude, 4);
    const preview = await readHeader(bytesOf(jpeg), jpeg);
    expect(preview).toMatchObject({ wallTime: header.wallTime, width: 300, height: 200, exposureTime: 10 });
  });

  it('has one truncated and one all-zero file, without a small picture beside (P49, P50)', async () => {
    expect(made.files[2]).toHaveLength(1);
    const cut = made.files[2]![0]!;
    const zero = made.files[4]![0]!;
    await expect(readPixels(bytesOf(cut), cut)).rejects.toMatchObject({ code: 'TRUNCATED' });
    await expect(readPixels(bytesOf(zero), zero)).rejects.toBeInstanceOf(FormatError);
    await expect(readPixels(bytesOf(zero), zero)).rejects.toMatchObject({ code: 'ALL_ZERO' });
  });

  it('keeps the truth beside the card and not on it', async () => {
    const truth = JSON.parse(readFileSync(made.truth, 'utf8'));
    expect(truth.frames).toHaveLength(7);
    expect(truth.frames[0].files).toEqual(made.files[0]);
    expect(truth.frames[0].mapping.lens.focalLengthPx).toBeCloseTo((24 * 1000) / 15, 9);
    expect(existsSync(join(made.card, 'truth.json'))).toBe(false);
    expect(existsSync(join(made.card, 'NOTES.TXT'))).toBe(true);
    const mask = await sharp(made.landMask!).greyscale().raw().toBuffer();
    const expected = simulateNight(scenario).frames[0]!.landMask().data;
    expect(Buffer.from(mask.map((value) => (value > 127 ? 1 : 0))).equals(Buffer.from(expected))).toBe(true);
  });

  it('writes finished pictures only where the camera keeps no raw', async () => {
    const jpegNight = smallNight({ frames: 2, output: 'jpeg', sky: { faintest: 7.5 } });
    const card = await makeCard(join(work, 'jpeg'), { scenario: jpegNight });
    expect(card.files).toEqual([['DCIM/100TARNW/TWK_0211.JPG'], ['DCIM/100TARNW/TWK_0212.JPG']]);
    const picture = new Uint8Array(readFileSync(join(card.card, card.files[0]![0]!)));
    const pixels = await readPixels(picture, 'x.jpg');
    expect([pixels.width, pixels.height]).toEqual([600, 400]);
    // 3 %: JPEG compression at quality 88 against the picture it was made from, in the mean over the frame.
    const mean = (data: Float32Array) => data.reduce((sum, value) => sum + value, 0) / data.length;
    const truth = simulateNight(jpegNight).frames[0]!.pixels();
    expect(Math.abs(mean(pixels.data) / mean(truth.data) - 1)).toBeLessThan(0.03);
  });

  it('stops when told to, leaving no thread behind', async () => {
    const controller = new AbortController();
    controller.abort();
    await expect(
      makeCard(join(work, 'stopped'), { scenario: small(), signal: controller.signal }),
    ).rejects.toMatchObject({
      code: 'CANCELLED',
    });
  });
});

describe('the sample card', () => {
  const scenario = sampleScenario();
  it('rolls its numbers over between two lights of one run', () => {
    const files = cardFiles(scenario).map((names) => names[0]!);
    const roll = files.findIndex((name) => name.endsWith('_0001.DNG'));
    expect(scenario.shots[roll]!.role).toBe('light');
    expect(scenario.shots[roll - 1]!.role).toBe('light');
    expect(new Set(files).size).toBe(files.length);
  });

  it('brings its plan as arguments of plan new', () => {
    const words = planArguments(scenario);
    expect(words.slice(0, 4)).toEqual(['--site', 'Sandpiper Flat', '--at', '-30.62,25.13']);
    expect(words).toContain('--night');
    expect(words.length % 2).toBe(0);
  });

  it('starts before midnight and goes on after it: one night, two dates', () => {
    const dates = scenario.shots.map((shot) => headerOf(scenario, shot).wallTime!.slice(0, 10));
    expect([...new Set(dates)]).toEqual(['2026-08-12', '2026-08-13']);
  });
});
