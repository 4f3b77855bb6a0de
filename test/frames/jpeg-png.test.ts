import sharp from 'sharp';
import { describe, expect, it } from 'vitest';
import { srgbDecode, srgbEncode } from '../../src/core/index.js';
import {
  exifBlock,
  LINEAR_SRGB_ICC,
  readHeader,
  readPixels,
  readThumbnail,
  SRGB_ICC,
  withJpegMetadata,
  writeJpeg,
} from '../../src/frames/index.js';
import { checks, codeOf, fixture } from './_support.js';

const [width, height] = [40, 30];
const picture = Uint8Array.from(
  { length: width * height * 3 },
  (_, i) => (Math.floor(i / 3) * 5 + (i % 3) * 40) % 256,
);

describe('sRGB curve', () => {
  const table = checks();
  for (const id of ['C-SR-1', 'C-SR-2', 'C-SR-3', 'C-SR-4', 'C-SR-5', 'C-SR-6', 'C-SR-7']) {
    it(`${id}: encode`, () => {
      const { inputs, expected } = table[id]!;
      expect(srgbEncode(Number(inputs))).toBeCloseTo(Number(expected), 6); // the table has 7 decimals
    });
  }
  for (let i = 1; i <= 9; i++) {
    it(`C-SR-D${i}: decode of an 8-bit code, also in a JPEG and a PNG`, async () => {
      const { inputs, expected } = table[`C-SR-D${i}`]!;
      expect(Math.abs(srgbDecode(Number(inputs) / 255) - Number(expected))).toBeLessThan(1e-7); // as the table says
      const png = await sharp(new Uint8Array(4).fill(Number(inputs)), {
        raw: { width: 2, height: 2, channels: 1 },
      })
        .png()
        .toBuffer();
      const pixels = await readPixels(new Uint8Array(png), 'a.png');
      expect(Math.abs(pixels.data[0]! / 65_535 - Number(expected))).toBeLessThan(1e-7); // single precision of a value below 1
    });
  }
  it('C-SR-X: the join', () => {
    expect(Math.abs(srgbDecode(0.04045) - 0.003130805)).toBeLessThan(1e-7); // published numbers are rounded
    expect(Math.abs(srgbEncode(0.0031308) - 0.04045)).toBeLessThan(1e-7); // as above
  });
});

describe('readPixels of JPEG', () => {
  it('gives linear light, white at 65535, not turned', async () => {
    const jpeg = await writeJpeg({ width, height, data: picture, quality: 100, exif: { orientation: 6 } });
    const pixels = await readPixels(jpeg, 'a.jpg');
    expect(pixels).toMatchObject({
      kind: 'color',
      width,
      height,
      whiteLevel: [65_535, 65_535, 65_535],
      blackLevel: [0],
    });
    expect(pixels.quantization).toBeCloseTo(65_535 / 255 / 12.92, 3); // first step of the curve, f32
    const { data } = await sharp(jpeg, { ignoreIcc: true }).raw().toBuffer({ resolveWithObject: true });
    for (let i = 0; i < width * height; i++) {
      for (let p = 0; p < 3; p++) {
        // Single precision of values up to 65535.
        expect(
          Math.abs(pixels.data[p * width * height + i]! - 65_535 * srgbDecode(data[3 * i + p]! / 255)),
        ).toBeLessThan(0.005);
      }
    }
    expect((await readHeader(jpeg, 'a.jpg')).orientation).toBe(6);
  });
  it('follows an embedded profile instead of sRGB', async () => {
    const plain = await sharp(picture, { raw: { width, height, channels: 3 } })
      .jpeg({ quality: 100 })
      .toBuffer();
    const linear = await readPixels(
      withJpegMetadata(new Uint8Array(plain), { icc: LINEAR_SRGB_ICC }),
      'a.jpg',
    );
    const srgb = await readPixels(new Uint8Array(plain), 'a.jpg');
    srgb.data.forEach((value, i) => {
      // Same codes, other curve: light of one is the sRGB light of the other (f32 tables: 0.05 counts).
      expect(Math.abs(value - 65_535 * srgbDecode(linear.data[i]! / 65_535))).toBeLessThan(0.05);
    });
    const wide = await sharp(picture, { raw: { width, height, channels: 3 } })
      .withIccProfile('p3')
      .jpeg()
      .toBuffer();
    const p3 = await readPixels(new Uint8Array(wide), 'a.jpg');
    // Display P3 red to sRGB: 1.2249, from the published primaries (SMPTE EG 432-1 and IEC 61966-2-1).
    expect(Math.abs(p3.color!.cameraToSrgb[0]! - 1.2249)).toBeLessThan(0.003); // profile values have 16 bits, adapted to D50
    expect(srgb.color!.cameraToSrgb).toEqual([1, 0, 0, 0, 1, 0, 0, 0, 1]);
  });
  it('reads gray', async () => {
    const gray = await sharp(picture.subarray(0, 1200), { raw: { width, height, channels: 1 } })
      .toColourspace('b-w')
      .jpeg()
      .toBuffer();
    expect((await readPixels(new Uint8Array(gray), 'a.jpg')).kind).toBe('mono');
  });
  it('tells cut, headerless and print JPEG apart', async () => {
    const jpeg = await writeJpeg({
      width: 200,
      height: 200,
      data: new Uint8Array(120_000).map((_, i) => (i * 31) % 251),
    });
    const code = (bytes: Uint8Array) => codeOf(() => readPixels(bytes, 'a.jpg'));
    expect(await code(jpeg.subarray(0, jpeg.byteLength >> 1))).toBe('TRUNCATED');
    expect(await code(jpeg.subarray(0, 300))).toBe('TRUNCATED');
    const cmyk = await sharp(picture, { raw: { width, height, channels: 3 } })
      .toColourspace('cmyk')
      .jpeg()
      .toBuffer();
    expect(await code(new Uint8Array(cmyk))).toBe('UNSUPPORTED_FORMAT');
    const huge = jpeg.slice();
    for (let i = 2; i < huge.length; i++) {
      if (huge[i] === 0xff && huge[i + 1] === 0xc0) huge.set([0xff, 0xff, 0xff, 0xff], i + 5);
    }
    expect(await code(huge)).toBe('TOO_LARGE');
  });
});

describe('writeJpeg', () => {
  const exif = {
    cameraMake: 'Tarn',
    cameraModel: 'Tarn T1',
    exposureTime: 15,
    iso: 6400,
    wallTime: '2026-06-14T23:15:07',
  };
  it('carries EXIF and a profile that another reader finds (L46, L47)', async () => {
    const bytes = await writeJpeg({ width, height, data: picture, exif });
    const meta = await sharp(bytes).metadata();
    expect(meta).toMatchObject({ width, height, format: 'jpeg', space: 'srgb' });
    expect(new Uint8Array(meta.icc!)).toEqual(SRGB_ICC);
    const { default: exifr } = await import('exifr');
    const other = await exifr.parse(Buffer.from(bytes), { reviveValues: false });
    expect(other).toMatchObject({
      Make: 'Tarn',
      Model: 'Tarn T1',
      ExposureTime: 15,
      ISO: 6400,
      DateTimeOriginal: '2026:06:14 23:15:07',
    });
    expect(await readHeader(bytes, 'a.jpg')).toMatchObject({ ...exif, width, height });
  });
  it('writes the same bytes for the same picture', async () => {
    expect(await writeJpeg({ width, height, data: picture, exif })).toEqual(
      await writeJpeg({ width, height, data: picture, exif }),
    );
    await expect(writeJpeg({ width: 41, height, data: picture })).rejects.toThrow(RangeError);
  });
  it('its profiles mean what they say to another reader', async () => {
    // libvips takes a picture in the linear profile to sRGB: code 188 of linear 128/255 (IEC 61966-2-1).
    const plain = await sharp(new Uint8Array(192).fill(128), { raw: { width: 8, height: 8, channels: 3 } })
      .png()
      .toBuffer();
    const tagged = await sharp(plain).withIccProfile('srgb').png().toBuffer();
    expect(tagged.length).toBeGreaterThan(0);
    const jpeg = await sharp(new Uint8Array(192).fill(128), { raw: { width: 8, height: 8, channels: 3 } })
      .jpeg({ quality: 100 })
      .toBuffer();
    const turned = await sharp(withJpegMetadata(new Uint8Array(jpeg), { icc: LINEAR_SRGB_ICC }))
      .raw()
      .toBuffer();
    expect(Math.abs(turned[0]! - 255 * srgbEncode(128 / 255))).toBeLessThanOrEqual(1); // one 8-bit code
    const same = await sharp(withJpegMetadata(new Uint8Array(jpeg), { icc: SRGB_ICC }))
      .raw()
      .toBuffer();
    expect(Math.abs(same[0]! - 128)).toBeLessThanOrEqual(1); // one 8-bit code
  });
  it('is its own preview', async () => {
    const bytes = await writeJpeg({ width, height, data: picture });
    expect(readThumbnail(bytes, 'a.jpg')).toMatchObject({ width, height });
  });
});

describe('readPixels of PNG', () => {
  it('C-PN-1: 16-bit gray, exact counts (L43, L44, L45)', async () => {
    const bytes = fixture('g16.png');
    const { sig, ihdr } = checks()['C-PN-1']!.expected as { sig: string; ihdr: string };
    expect(Buffer.from(bytes.subarray(0, 33)).toString('hex')).toBe(sig + ihdr);
    const pixels = await readPixels(bytes, 'g16.png');
    expect([...pixels.data]).toEqual([0, 1, 256, 65_535]);
    expect(pixels.quantization).toBe(1);
  });
  it('reads 16-bit colour exactly and 8-bit palettes and alpha as sRGB', async () => {
    const words = Uint16Array.from({ length: 12 }, (_, i) => [0, 255, 256, 65_535][i % 4]! - (i > 8 ? 1 : 0));
    const deep = await sharp(words, { raw: { width: 2, height: 2, channels: 3 } })
      .toColourspace('rgb16')
      .png()
      .toBuffer();
    const pixels = await readPixels(new Uint8Array(deep), 'a.png');
    expect(Array.from({ length: 12 }, (_, i) => pixels.data[(i % 3) * 4 + Math.floor(i / 3)])).toEqual([
      ...words,
    ]);
    const rgba = await sharp(new Uint8Array(16).fill(128), { raw: { width: 2, height: 2, channels: 4 } })
      .png()
      .toBuffer();
    const flat = await readPixels(new Uint8Array(rgba), 'a.png');
    expect(flat.kind).toBe('color');
    expect(flat.data[0]).toBeCloseTo(65_535 * srgbDecode(128 / 255), 1); // f32
  });
  it('gray written as three equal values is one plane; a picture of one value, or with any colour, stays three', async () => {
    const read = async (values: readonly number[]) => {
      const raw = { width: 2, height: values.length / 6, channels: 3 } as const;
      const png = await sharp(Uint8Array.from(values), { raw }).png().toBuffer();
      return readPixels(new Uint8Array(png), 'a.png');
    };
    const gray = await read([9, 9, 9, 200, 200, 200]);
    expect(gray).toMatchObject({ kind: 'mono', width: 2, height: 1 });
    const colored = await read([9, 9, 9, 200, 200, 201]);
    expect(colored.kind).toBe('color');
    expect([...gray.data]).toEqual([...colored.data.subarray(0, 2)]);
    expect((await read([9, 9, 9, 9, 9, 9])).kind).toBe('color');
  });

  it('tells a cut PNG, and reads its EXIF chunk', async () => {
    const whole = new Uint8Array(
      await sharp(picture, { raw: { width, height, channels: 3 } })
        .png()
        .toBuffer(),
    );
    expect(await codeOf(() => readPixels(whole.subarray(0, whole.length - 20), 'a.png'))).toBe('TRUNCATED');
    const exif = exifBlock({ exposureTime: 7, wallTime: '2026-06-14T23:15:07' });
    const chunk = new Uint8Array(12 + exif.length);
    new DataView(chunk.buffer).setUint32(0, exif.length);
    chunk.set(
      [...'eXIf'].map((letter) => letter.charCodeAt(0)),
      4,
    );
    chunk.set(exif, 8);
    const tagged = new Uint8Array([...whole.subarray(0, 33), ...chunk, ...whole.subarray(33)]);
    expect(await readHeader(tagged, 'a.png')).toMatchObject({
      exposureTime: 7,
      wallTime: '2026-06-14T23:15:07',
      width,
      height,
    });
  });
});
