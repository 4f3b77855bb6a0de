import { beforeAll, describe, expect, it } from 'vitest';
import { FormatError } from '../../src/core/index.js';
import { type Directory, layTiff, type TagValue } from '../../src/frames/_ifd-write.js';
import { RAW_DECODER, samplesOf } from '../../src/frames/_raw-decoder.js';
import { readHeader, readPixels, writeJpeg } from '../../src/frames/index.js';
import { codeOf, useRawDecoder } from './_support.js';

beforeAll(useRawDecoder);

const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });
const words = (text: string): TagValue => ({ type: 'ascii', text });

/** A directory of the Nikon kind: a thumbnail in front, the sensor in a directory below it. */
function nef({ compression, exif = [] }: { compression?: number; exif?: Directory } = {}): Uint8Array {
  const inner = layTiff([
    compression === undefined ? [{ id: 1, value: short(2) }] : [{ id: 0x93, value: short(compression) }],
  ]);
  const note = new Uint8Array(10 + inner.byteLength);
  note.set(Buffer.from('Nikon\0\x02\x11\0\0', 'latin1'));
  note.set(inner, 10);
  const sensor: Directory = [
    { id: 254, value: long(0) },
    { id: 256, value: long(64) },
    { id: 257, value: long(40) },
    { id: 258, value: short(14) },
    { id: 259, value: short(34713) },
    { id: 262, value: short(32803) },
    { id: 273, value: { type: 'blocks', blocks: [new Uint8Array(64 * 40 * 2).fill(7)] } },
    { id: 277, value: short(1) },
    { id: 278, value: long(40) },
    { id: 279, value: long(64 * 40 * 2) },
  ];
  return layTiff([
    [
      { id: 254, value: long(1) },
      { id: 256, value: long(160) },
      { id: 257, value: long(120) },
      { id: 258, value: short(8, 8, 8) },
      { id: 259, value: short(1) },
      { id: 262, value: short(2) },
      { id: 271, value: words('NIKON CORPORATION') },
      { id: 272, value: words('NIKON D0') },
      { id: 273, value: { type: 'blocks', blocks: [new Uint8Array(160 * 120 * 3)] } },
      { id: 277, value: short(3) },
      { id: 278, value: long(120) },
      { id: 279, value: long(160 * 120 * 3) },
      { id: 330, value: { type: 'directories', directories: [sensor] } },
      {
        id: 34665,
        value: {
          type: 'directories',
          directories: [
            [
              { id: 0x829a, value: { type: 'rational', values: [20] } },
              { id: 0x9003, value: words('2026:08:13 01:02:03') },
              { id: 0x927c, value: { type: 'undefined', bytes: note } },
              ...exif,
            ],
          ],
        },
      },
    ],
  ]);
}

describe('a NEF', () => {
  it('has the size of the sensor picture, not of the thumbnail in front of it (L31)', async () => {
    const header = await readHeader(nef(), 'a.nef');
    expect([header.width, header.height]).toEqual([64, 40]);
    expect(header.exposureTime).toBe(20);
  });

  it('of high efficiency is refused with the setting to change, and its header still read (L14)', async () => {
    for (const compression of [13, 14]) {
      const bytes = nef({ compression });
      const refusal = await readPixels(bytes, 'card/a.nef').then(
        () => undefined,
        (error: unknown) => error,
      );
      expect(refusal).toBeInstanceOf(FormatError);
      expect(refusal).toMatchObject({ code: 'DECODER_LIMIT', path: 'card/a.nef' });
      expect((refusal as FormatError).message).toContain('choose lossless compression in the camera');
      expect((await readHeader(bytes, 'a.nef')).exposureTime).toBe(20);
    }
    // Any other compression goes to the decoder, whose complaint is another.
    expect(await codeOf(() => readPixels(nef({ compression: 3 }), 'a.nef'))).not.toBe('DECODER_LIMIT');
  });
});

describe('optional blocks that lie outside the file', () => {
  it('leave the core of the header readable (L28)', async () => {
    const wild: Directory = [
      { id: 0xa434, value: { type: 'undefined', bytes: new Uint8Array(64) } },
      { id: 0xa431, value: words('a serial that is long enough to lie outside') },
    ];
    const bytes = nef({ exif: wild });
    const view = new DataView(bytes.buffer);
    let moved = 0;
    for (let at = 8; at + 12 <= bytes.byteLength; at += 2) {
      const tag = view.getUint16(at, true);
      const type = view.getUint16(at + 2, true);
      const count = view.getUint32(at + 4, true);
      if (
        (tag === 0x927c || tag === 0xa431 || tag === 0xa434) &&
        (type === 7 || type === 2) &&
        count < 4096
      ) {
        view.setUint32(at + 8, 0x7fff_fff0, true);
        moved++;
      }
    }
    expect(moved).toBe(3);
    const header = await readHeader(bytes, 'a.nef');
    expect(header).toMatchObject({
      exposureTime: 20,
      cameraModel: expect.stringContaining('D0'),
      wallTime: '2026-08-13T01:02:03',
      width: 64,
    });
    expect(header.serial).toBeUndefined();
  });
});

describe('containers that are neither TIFF nor JPEG', () => {
  const exif = {
    cameraMake: 'FUJIFILM',
    cameraModel: 'X-Skua',
    wallTime: '2026-08-13T23:14:15',
    exposureTime: 25,
    iso: 3200,
    fNumber: 2.8,
    focalLengthMm: 14,
  };

  it('a RAF has its header from the JPEG inside and its size from the sensor directory (L29)', async () => {
    const jpeg = await writeJpeg({ width: 16, height: 8, data: new Uint8Array(16 * 8 * 3).fill(90), exif });
    const bytes = new Uint8Array(160 + jpeg.byteLength + 16);
    const view = new DataView(bytes.buffer);
    bytes.set(Buffer.from('FUJIFILMCCD-RAW 0201FF000000'));
    view.setUint32(84, 160);
    view.setUint32(88, jpeg.byteLength);
    view.setUint32(92, 120);
    view.setUint32(96, 12);
    view.setUint32(120, 1); // one record: 0x0100, height and width
    view.setUint16(124, 0x0100);
    view.setUint16(126, 4);
    view.setUint16(128, 4032);
    view.setUint16(130, 6032);
    bytes.set(jpeg, 160);
    expect(await readHeader(bytes, 'a.raf')).toMatchObject({
      exposureTime: 25,
      iso: 3200,
      fNumber: 2.8,
      focalLengthMm: 14,
      wallTime: '2026-08-13T23:14:15',
      width: 6032,
      height: 4032,
    });
  });

  it('a CR3 has its header from its boxes, without a switch anywhere (L29, L30)', async () => {
    const box = (name: string, ...parts: Uint8Array[]): Uint8Array => {
      const body = Buffer.concat(parts);
      const head = Buffer.alloc(8);
      head.writeUInt32BE(8 + body.length);
      head.write(name, 4, 'latin1');
      return Buffer.concat([head, body]);
    };
    const main = layTiff([
      [
        { id: 271, value: words('Canon') },
        { id: 272, value: words('Canon Skua R') },
      ],
    ]);
    const exifPart = layTiff([
      [
        { id: 0x829a, value: { type: 'rational', values: [15] } },
        { id: 0x8827, value: short(6400) },
        { id: 0x9003, value: words('2026:08:13 01:02:03') },
      ],
    ]);
    const bytes = Buffer.concat([
      box('ftyp', Buffer.from('crx \0\0\0\x01crx isom')),
      box('moov', box('uuid', Buffer.alloc(16, 1), box('CMT1', main), box('CMT2', exifPart))),
      box('mdat', Buffer.alloc(64, 3)),
    ]);
    const header = await readHeader(new Uint8Array(bytes), 'a.cr3');
    expect(header).toMatchObject({ exposureTime: 15, iso: 6400, wallTime: '2026-08-13T01:02:03' });
    expect(header.cameraModel).toContain('Skua R');
  });
});

describe('the RAW decoder', () => {
  it('must hand back as many samples as the picture has, 16 bits each (L11)', () => {
    expect(samplesOf({ data: new Uint8Array(12) }, 12)).toBeUndefined();
    expect(samplesOf({ data: new Uint16Array(11) }, 12)).toBeUndefined();
    expect(samplesOf(undefined, 12)).toBeUndefined();
    expect(samplesOf({ data: new Uint16Array(12) }, 12)).toHaveLength(12);
    // The same bytes seen eight at a time are still whole.
    const words16 = Uint16Array.of(1, 300, 65535);
    expect(samplesOf({ data: new Uint8Array(words16.buffer) }, 3)).toEqual(words16);
  });

  it('is the version that is pinned (L15)', async () => {
    const { createRequire } = await import('node:module');
    const require = createRequire(import.meta.url);
    const { version } = require('libraw-wasm/package.json') as { version: string };
    expect(RAW_DECODER).toBe(`libraw-wasm ${version}`);
  });
});
