import { describe, expect, it } from 'vitest';
import { FormatError, type FrameHeader } from '../../src/core/index.js';
import {
  FRAME_EXTENSIONS,
  identifyFormat,
  instantOf,
  isFrameName,
  pairFiles,
  readHeader,
  readPixels,
} from '../../src/frames/index.js';
import { codeOf, fixture } from './_support.js';

describe('identifyFormat', () => {
  it('goes by signature, whatever the name says', () => {
    for (const [name, format] of [
      ['e01_30s.jpg', 'jpeg'],
      ['rgb16_MM.tif', 'tiff'],
      ['rggb.dng', 'dng'],
      ['u16.fits', 'fits'],
      ['g16.png', 'png'],
    ] as const) {
      expect(identifyFormat(fixture(name), 'misnamed.xyz')?.format).toBe(format);
      expect(identifyFormat(fixture(name).subarray(0, 512), name)?.format).toBe(format);
    }
    expect(identifyFormat(new Uint8Array([1, 2, 3, 4]), 'a.jpg')).toBeUndefined();
    expect(identifyFormat(new Uint8Array(0))).toBeUndefined();
  });
  it('names the RAW container', () => {
    const head = (text: string, at = 0) => {
      const bytes = new Uint8Array(64);
      [...text].forEach((letter, i) => {
        bytes[at + i] = letter.charCodeAt(0);
      });
      return bytes;
    };
    expect(identifyFormat(head('FUJIFILMCCD-RAW'))).toEqual({ format: 'raw', formatName: 'Fujifilm RAF' });
    expect(identifyFormat(head('ftypcrx ', 4))).toEqual({ format: 'raw', formatName: 'Canon CR3' });
    expect(identifyFormat(head('HEAPCCDR', 6))).toEqual({ format: 'raw', formatName: 'Canon CRW' });
    expect(identifyFormat(head('IIU\0\x18'))).toEqual({ format: 'raw', formatName: 'Panasonic RW2' });
  });
});

describe('isFrameName', () => {
  it('knows frames by extension, hidden and other files aside', () => {
    for (const name of ['IMG_0001.CR2', 'a/b/DSC1.arw', 'x.fits.gz', 'x.FIT', 'p.heic', 'm.tiff', 'd.DNG'])
      expect(isFrameName(name), name).toBe(true);
    for (const name of ['._IMG_0001.CR2', '.jpg', 'clip.mov', 'notes.txt', 'jpg', 'a.gz', 'IMG_0001.xmp'])
      expect(isFrameName(name), name).toBe(false);
    expect(new Set(FRAME_EXTENSIONS).size).toBe(FRAME_EXTENSIONS.length);
  });
});

describe('refusals before any reader', () => {
  it('tells empty, all-zero, unknown and known but unread files apart, with path and byte', async () => {
    const refuse = (bytes: Uint8Array) => codeOf(() => readHeader(bytes, 'card/IMG_1.JPG'));
    expect(await refuse(new Uint8Array(0))).toBe('EMPTY_FILE');
    expect(await refuse(new Uint8Array(5_000_000))).toBe('ALL_ZERO');
    expect(await refuse(new Uint8Array([9, 9, 9, 9]))).toBe('UNKNOWN_FORMAT');
    const heic = new Uint8Array(64);
    heic.set(
      [...'ftypheic'].map((letter) => letter.charCodeAt(0)),
      4,
    );
    const error = await readHeader(heic, 'IMG_1.HEIC').catch((caught: unknown) => caught);
    expect(error).toBeInstanceOf(FormatError);
    expect(error).toMatchObject({ code: 'UNSUPPORTED_FORMAT', path: 'IMG_1.HEIC' });
    expect(String(error)).toContain('HEIC');
    expect(await codeOf(() => readPixels(heic, 'IMG_1.HEIC'))).toBe('UNSUPPORTED_FORMAT');
  });
});

const header = (more: Partial<FrameHeader>): FrameHeader => ({
  format: 'raw',
  formatName: 'RAW',
  warnings: [],
  ...more,
});

describe('pairFiles (L77, P52, C-DC-5)', () => {
  const shot = {
    wallTime: '2026-06-14T23:15:07',
    cameraModel: 'T1',
    exposureTime: 15,
    width: 6000,
    height: 4000,
  };
  const raw = header(shot);
  const jpeg = header({ ...shot, format: 'jpeg' });
  const pair = (...entries: [string, FrameHeader][]) =>
    pairFiles(entries.map(([path, one]) => ({ path, header: one })));

  it('joins RAW and JPEG of one shot, the RAW first, whatever the case and order', () => {
    expect(pair(['100A/IMG_1.JPG', jpeg], ['100A/img_1.nef', raw])).toEqual([[1, 0]]);
    expect(pair(['IMG_1.NEF', raw], ['IMG_2.NEF', raw], ['IMG_1.JPG', jpeg])).toEqual([[0, 2], [1]]);
  });
  it('keeps apart: other folder, other time, other camera, other serial, same format', () => {
    expect(pair(['100A/IMG_1.NEF', raw], ['101A/IMG_1.JPG', jpeg])).toHaveLength(2);
    expect(
      pair(['IMG_1.NEF', raw], ['IMG_1.JPG', { ...jpeg, wallTime: '2026-06-14T23:15:27' }]),
    ).toHaveLength(2);
    expect(pair(['IMG_1.NEF', raw], ['IMG_1.JPG', { ...jpeg, cameraModel: 'T2' }])).toHaveLength(2);
    expect(
      pair(['IMG_1.NEF', { ...raw, serial: '1' }], ['IMG_1.JPG', { ...jpeg, serial: '2' }]),
    ).toHaveLength(2);
    expect(pair(['IMG_1.JPG', jpeg], ['IMG_1.JPEG', jpeg])).toHaveLength(2);
  });
  it('joins an edited JPEG without a header when the picture has the same shape', () => {
    const bare = header({ format: 'jpeg', width: 3000, height: 2000 });
    expect(pair(['IMG_1.NEF', raw], ['IMG_1.JPG', bare])).toEqual([[0, 1]]);
    expect(pair(['IMG_1.NEF', raw], ['IMG_1.JPG', { ...bare, height: 3000 }])).toHaveLength(2);
  });
  it('puts every file in exactly one frame', () => {
    const entries: [string, FrameHeader][] = Array.from({ length: 60 }, (_, i) => [
      `f${i % 3}/IMG_${i % 7}.${['NEF', 'JPG', 'TIF'][i % 3]}`,
      header({
        ...shot,
        format: (['raw', 'jpeg', 'tiff'] as const)[i % 3]!,
        wallTime: `2026-06-14T23:15:0${i % 5}`,
      }),
    ]);
    const seen = pair(...entries)
      .flat()
      .sort((a, b) => a - b);
    expect(seen).toEqual(entries.map((_, i) => i));
  });
});

describe('instantOf', () => {
  const wall = { wallTime: '2026-06-14T23:15:07', subSecond: 0.07 };
  it('takes the offset tag first, then the zone, then gives up', () => {
    expect(
      new Date(instantOf({ ...wall, utcOffsetMinutes: 345 }, { zone: 'Europe/Berlin' })!).toISOString(),
    ).toBe('2026-06-14T17:30:07.070Z');
    expect(new Date(instantOf(wall, { zone: 'Europe/Berlin' })!).toISOString()).toBe(
      '2026-06-14T21:15:07.070Z',
    );
    expect(instantOf(wall)).toBeUndefined();
    expect(instantOf({}, { zone: 'Europe/Berlin' })).toBeUndefined();
  });
  it('adds the clock offset and uses the conversion handed in (P53, P54)', () => {
    expect(
      instantOf(wall, { zone: 'any', clockOffset: 2.5 }, (words, zone) =>
        words === wall.wallTime && zone === 'any' ? 1_000_000 : 0,
      ),
    ).toBe(1_002_570);
  });
});
