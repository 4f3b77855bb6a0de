import { createHash } from 'node:crypto';
import { beforeAll, describe, expect, it } from 'vitest';
import { type CfaPattern, cfaColor, type FramePixels } from '../../src/core/index.js';
import { layTiff, type Tag, type TagValue } from '../../src/frames/_ifd-write.js';
import { openSource } from '../../src/frames/_source.js';
import {
  type DngContent,
  readHeader,
  readPixels,
  readThumbnail,
  writeDng,
  writeJpeg,
} from '../../src/frames/index.js';
import { readRawPixels } from '../../src/frames/raw.js';
import { encodeLosslessJpeg } from './_lossless-jpeg.js';
import { codeOf, fixture, golden, useRawDecoder } from './_support.js';

interface RawFacts {
  readonly sha256?: string;
  readonly width: number;
  readonly height: number;
  readonly top: number;
  readonly left: number;
  readonly pattern?: string;
  readonly asShot?: readonly number[];
  readonly samples: string;
}
const outside = golden<{ written: Record<string, RawFacts> }>('frames-raw.json');
type Part = Pick<DngContent, 'width' | 'height' | 'cfa' | 'blackLevel' | 'whiteLevel'> &
  Partial<Pick<DngContent, 'activeArea'>>;
const content = golden<{ low: number; span: number; written: Record<string, Part> }>(
  'frames-dng-content.json',
);

const COLOR = {
  colorMatrix: [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.7],
  asShotNeutral: [0.5, 1, 0.65] as const,
};

function contentOf(part: Part): DngContent {
  const data = Uint16Array.from(
    { length: part.width * part.height },
    (_, i) => content.low + ((i * 7919) % content.span),
  );
  return { ...part, data, ...COLOR, exif: { cameraMake: 'Tarn', cameraModel: 'Tarn T1' } };
}

/** SHA-256 of the visible raw samples, black put back. */
function samplesOf(pixels: FramePixels): string {
  const { width, height, data, cfa, blackLevel } = pixels;
  const raw = Uint16Array.from(data, (value, i) => {
    const [x, y] = [i % width, Math.floor(i / width)];
    const black =
      blackLevel.length === 1
        ? blackLevel[0]!
        : blackLevel[(y % cfa!.height) * cfa!.width + (x % cfa!.width)]!;
    return value + black;
  });
  expect(raw.length).toBe(width * height);
  return createHash('sha256').update(new Uint8Array(raw.buffer)).digest('hex');
}

const lettersOf = (cfa: CfaPattern) => [0, 1, 2, 3].map((i) => 'RGB'[cfaColor(cfa, i % 2, i >> 1)]).join('');

beforeAll(useRawDecoder);

describe("written DNG against LibRaw's own tool", () => {
  for (const [name, part] of Object.entries(content.written)) {
    const bytes = writeDng(contentOf(part));
    const facts = outside.written[name]!;
    it(`${name}: the very bytes that the tool read`, () => {
      expect(createHash('sha256').update(bytes).digest('hex')).toBe(facts.sha256);
    });
    it(`${name}: our reader gives the tool's samples, area, pattern and balance`, async () => {
      const pixels = await readPixels(bytes, 'a.dng');
      expect(pixels).toMatchObject({
        kind: 'mosaic',
        width: facts.width,
        height: facts.height,
        sensorArea: { left: facts.left, top: facts.top, fullWidth: part.width, fullHeight: part.height },
      });
      expect(samplesOf(pixels)).toBe(facts.samples);
      if (part.cfa.width === 2) expect(lettersOf(pixels.cfa!)).toBe(facts.pattern);
      pixels.color!.multipliers.forEach((value, i) => {
        expect(value).toBeCloseTo(facts.asShot![i]!, 4); // the tool prints six digits of single precision
      });
    });
    it(`${name}: the decoder's route gives the same, black of each site included (L01, L04, L08)`, async () => {
      const own = await readPixels(bytes, 'a.dng');
      const routed = await readRawPixels(openSource(bytes, 'a.dng'));
      expect(routed.data).toEqual(own.data);
      expect(lettersOf(routed.cfa!)).toBe(lettersOf(own.cfa!));
      const spread = (pixels: FramePixels) =>
        Array.from({ length: 36 }, (_, i) => {
          const cfa = pixels.cfa!;
          const site = (Math.floor(i / 6) % cfa.height) * cfa.width + ((i % 6) % cfa.width);
          return [
            pixels.blackLevel.length === 1 ? pixels.blackLevel[0] : pixels.blackLevel[site],
            cfa.colors[site],
          ];
        });
      expect(spread(routed)).toEqual(spread(own));
      expect(routed.whiteLevel).toEqual(own.whiteLevel);
      own.color!.cameraToSrgb.forEach((value, i) => {
        expect(routed.color!.cameraToSrgb[i]).toBeCloseTo(value, 3); // the decoder works in single precision, sRGB to XYZ of 6 digits
      });
    });
  }
});

describe('published DNG file', () => {
  it('C-DN-01, C-DN-02: pattern, levels and untouched values', async () => {
    const pixels = await readPixels(fixture('rggb.dng'), 'rggb.dng');
    expect(pixels).toMatchObject({
      kind: 'mosaic',
      width: 48,
      height: 32,
      blackLevel: [512],
      whiteLevel: [15_359, 15_359, 15_359],
    });
    expect(lettersOf(pixels.cfa!)).toBe('RGGB');
    const raw = (x: number, y: number) => pixels.data[y * 48 + x]! + 512;
    expect([raw(0, 0), raw(4, 4), raw(5, 4), raw(5, 5), raw(24, 16)]).toEqual([
      500, 1512, 2512, 3512, 15_871,
    ]);
    expect(pixels.data[0]).toBe(-12); // below black stays below zero (L05)
  });
  it('C-DN-03: linear values', async () => {
    const { data, whiteLevel } = await readPixels(fixture('rggb.dng'), 'rggb.dng');
    const light = (x: number, y: number) => Math.min(1, Math.max(0, data[y * 48 + x]! / whiteLevel[0]));
    const expected = [0.0651084, 0.1302168, 0.1953252, 0, 1];
    [light(4, 4), light(5, 4), light(5, 5), light(0, 0), light(24, 16)].forEach((value, i) => {
      expect(value).toBeCloseTo(expected[i]!, 6); // the table has 7 decimals
    });
  });
  it('C-DN-04: balanced values within one count of the truncating decoder', async () => {
    const { data, whiteLevel, color } = await readPixels(fixture('rggb.dng'), 'rggb.dng');
    const balanced = (x: number, y: number, c: 0 | 1 | 2) =>
      (data[y * 48 + x]! / whiteLevel[c]) * color!.multipliers[c] * 65_535;
    for (const [value, expected] of [
      [balanced(4, 4, 0), 8533],
      [balanced(5, 4, 1), 8533],
      [balanced(5, 5, 2), 17_067],
    ] as const) {
      expect(Math.abs(value - expected)).toBeLessThanOrEqual(1); // the decoder truncates to whole counts
    }
  });
  it('C-DN-05: white defaults to the top of the stored bits', async () => {
    const bytes = dngOf({
      compression: 1,
      data: [new Uint8Array(new Uint16Array(64).fill(900).buffer)],
      white: 'absent',
    });
    const pixels = await readPixels(bytes, 'a.dng');
    expect(pixels.whiteLevel[0]).toBe(65_535 - 512);
  });
});

const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });

/** A DNG of 8 x 8 px (or as given) laid out by hand. */
function dngOf({
  compression,
  data,
  width = 8,
  height = 8,
  white = 16_383,
  photometric = 32_803,
  samples = 1,
  extra = [],
}: {
  compression: number;
  data: readonly Uint8Array[];
  width?: number;
  height?: number;
  white?: number | 'absent';
  photometric?: number;
  samples?: number;
  extra?: readonly Tag[];
}): Uint8Array {
  const tags: Tag[] = [
    { id: 254, value: long(0) },
    { id: 256, value: long(width) },
    { id: 257, value: long(height) },
    { id: 258, value: short(...new Array<number>(samples).fill(16)) },
    { id: 259, value: short(compression) },
    { id: 262, value: short(photometric) },
    { id: 271, value: { type: 'ascii', text: 'Tarn' } },
    { id: 272, value: { type: 'ascii', text: 'Tarn T1' } },
    { id: 273, value: { type: 'blocks', blocks: data } },
    { id: 277, value: short(samples) },
    { id: 278, value: long(height) },
    { id: 279, value: long(...data.map((block) => block.byteLength)) },
    { id: 50706, value: { type: 'byte', bytes: [1, 4, 0, 0] } },
    { id: 50708, value: { type: 'ascii', text: 'Tarn T1' } },
    { id: 50714, value: { type: 'rational', values: [512] } },
    { id: 50721, value: { type: 'srational', values: COLOR.colorMatrix } },
    { id: 50728, value: { type: 'rational', values: COLOR.asShotNeutral } },
    { id: 50778, value: short(21) },
    ...(white === 'absent' ? [] : [{ id: 50717, value: long(white) }]),
    ...(photometric === 32_803
      ? [
          { id: 33421, value: short(2, 2) },
          { id: 33422, value: { type: 'byte', bytes: [0, 1, 1, 2] } as TagValue },
        ]
      : []),
    ...extra,
  ];
  return layTiff([tags]);
}

const ramp = (count: number) => Uint16Array.from({ length: count }, (_, i) => 500 + ((i * 37) % 15_000));

describe('readDngPixels', () => {
  it('reads lossless JPEG exactly, through the decoder', async () => {
    const [width, height] = [96, 80];
    const data = ramp(width * height);
    const bytes = dngOf({ compression: 7, data: [encodeLosslessJpeg(data, width, height)], width, height });
    const pixels = await readPixels(bytes, 'a.dng');
    expect(pixels.decoder).toContain('libraw');
    expect(pixels.data.every((value, i) => value === data[i]! - 512)).toBe(true);
  });
  it('tells a cut lossless JPEG from a decoder limit (L13)', async () => {
    const [width, height] = [96, 80];
    const whole = dngOf({
      compression: 7,
      data: [encodeLosslessJpeg(ramp(width * height), width, height)],
      width,
      height,
    });
    expect(await codeOf(() => readPixels(whole.subarray(0, whole.byteLength - 4000), 'a.dng'))).toBe(
      'TRUNCATED',
    );
    const damaged = whole.slice();
    damaged.fill(0xff, whole.byteLength - 6000, whole.byteLength - 2000);
    expect(['TRUNCATED', 'CORRUPT', 'DECODER_LIMIT']).toContain(
      await codeOf(() => readPixels(damaged, 'a.dng')),
    );
  });
  it('applies a linearisation table before black', async () => {
    const data = new Uint8Array(new Uint16Array(64).fill(3).buffer);
    const bytes = dngOf({
      compression: 1,
      data: [data],
      extra: [{ id: 50712, value: short(0, 100, 600, 2000) }],
    });
    expect((await readPixels(bytes, 'a.dng')).data[0]).toBe(2000 - 512);
  });
  it('reads linear DNG as three planes and says so (L16)', async () => {
    const data = Uint16Array.from({ length: 192 }, (_, i) => 512 + i);
    const bytes = dngOf({
      compression: 1,
      data: [new Uint8Array(data.buffer)],
      photometric: 34_892,
      samples: 3,
    });
    const pixels = await readPixels(bytes, 'a.dng');
    expect(pixels.kind).toBe('color');
    expect([pixels.data[0], pixels.data[1], pixels.data[64], pixels.data[128]]).toEqual([0, 3, 1, 2]);
    expect(pixels.warnings.join()).toContain('not a mosaic');
  });
  it('refuses lossy DNG by name, and pictures of zeros (L12)', async () => {
    expect(
      await codeOf(() => readPixels(dngOf({ compression: 34_892, data: [new Uint8Array(200)] }), 'a.dng')),
    ).toBe('UNSUPPORTED_FORMAT');
    expect(
      await codeOf(() => readPixels(dngOf({ compression: 1, data: [new Uint8Array(128)] }), 'a.dng')),
    ).toBe('NO_PIXELS');
  });
  it('has the same pixels for every orientation (L09)', async () => {
    const part = content.written['masked border']!;
    const first = await readPixels(writeDng(contentOf(part)), 'a.dng');
    for (const orientation of [1, 3, 6, 8]) {
      const bytes = writeDng({ ...contentOf(part), exif: { orientation } });
      expect((await readHeader(bytes, 'a.dng')).orientation).toBe(orientation);
      expect((await readPixels(bytes, 'a.dng')).data).toEqual(first.data);
      expect((await readRawPixels(openSource(bytes, 'a.dng'))).data).toEqual(first.data);
    }
  });
  it('gives two frames of one run the same background whatever their brightest star (L01, L02)', async () => {
    const part = content.written.plain!;
    const dim = { ...contentOf(part), data: new Uint16Array(part.width * part.height).fill(700) };
    const bright = { ...dim, data: dim.data.slice() };
    bright.data[1000] = 16_383;
    bright.data[1001] = 15_000;
    const [a, b] = await Promise.all(
      [dim, bright].map((one) => readRawPixels(openSource(writeDng(one), 'a.dng'))),
    );
    expect(a!.data[0]).toBe(188);
    expect(b!.data[0]).toBe(188);
    expect(b!.data[1000]).toBe(16_383 - 512);
  });
});

describe('writeDng', () => {
  const exif = {
    cameraMake: 'Tarn',
    cameraModel: 'Tarn T1',
    serial: '0042',
    lens: 'Tarn 14mm F2.8',
    exposureTime: 15,
    iso: 6400,
    fNumber: 2.8,
    focalLengthMm: 14,
    focalLength35Mm: 21,
    wallTime: '2026-06-14T23:15:07',
    subSecond: 0.07,
    utcOffsetMinutes: 345,
    orientation: 6,
    pixelPitchUm: 3.9,
  };
  it('carries the header and a preview, and is read by the decoder with equal values', async () => {
    const part = content.written['masked border']!;
    const jpeg = await writeJpeg({ width: 24, height: 16, data: new Uint8Array(24 * 16 * 3).fill(90) });
    const bytes = writeDng({ ...contentOf(part), exif, preview: { jpeg, width: 24, height: 16 } });
    const header = await readHeader(bytes, 'IMG_0007.DNG');
    expect(header).toMatchObject({
      ...exif,
      format: 'dng',
      camera: 'Tarn T1',
      width: 64,
      height: 48,
      fileNumber: 7,
      pixelPitchUm: expect.anything(),
    });
    const pixels = await readPixels(bytes, 'a.dng');
    expect(pixels.data).toEqual((await readPixels(writeDng(contentOf(part)), 'a.dng')).data);
    expect((await readRawPixels(openSource(bytes, 'a.dng'))).data).toEqual(pixels.data);
    const preview = readThumbnail(bytes, 'a.dng')!;
    expect([preview.width, preview.height]).toEqual([24, 16]);
    expect(preview.jpeg).toEqual(jpeg);
    expect(readThumbnail(writeDng(contentOf(part)), 'a.dng')).toBeUndefined();
  });
  it('refuses lengths that do not agree', () => {
    const part = contentOf(content.written.plain!);
    expect(() => writeDng({ ...part, width: 65 })).toThrow(RangeError);
    expect(() => writeDng({ ...part, blackLevel: [1, 2, 3] })).toThrow(RangeError);
    expect(() => writeDng({ ...part, colorMatrix: [1] })).toThrow(RangeError);
  });
});
