import { fromArrayBuffer } from 'geotiff';
import { describe, expect, it } from 'vitest';
import { srgbDecode } from '../../src/core/index.js';
import { layTiff, type Tag, type TagValue } from '../../src/frames/_ifd-write.js';
import { LINEAR_SRGB_ICC, readHeader, readPixels, SRGB_ICC, writeTiff } from '../../src/frames/index.js';
import { codeOf, fixture, golden } from './_support.js';

interface TiffGolden {
  readonly width: number;
  readonly height: number;
  readonly files: readonly {
    name: string;
    kind: 'byte' | 'short' | 'long' | 'float';
    bands: number;
    base64: string;
  }[];
}

const matrix = golden<TiffGolden>('frames-tiff.json');

/** The formula of test/golden/frames-tiff.mjs. */
const sample = (x: number, y: number, p: number) => (x * 4099 + y * 257 * 13 + p * 21_011) % 65_536;

function expectedValue(kind: string, v: number): number {
  if (kind === 'byte') return Math.fround(65_535 * srgbDecode((v & 255) / 255)); // 8 bits without a profile are sRGB
  if (kind === 'long') return Math.fround(v * 65_536 + v);
  return kind === 'float' ? Math.fround(v / 7 - 100) : v;
}

describe('every layout that libtiff writes (L54, L55)', () => {
  for (const { name, kind, bands, base64 } of matrix.files) {
    it(`reads ${name}`, async () => {
      const pixels = await readPixels(new Uint8Array(Buffer.from(base64, 'base64')), 'a.tif');
      const { width, height } = matrix;
      expect(pixels).toMatchObject({ width, height, kind: bands === 3 ? 'color' : 'mono' });
      let wrong = 0;
      for (let p = 0; p < bands; p++) {
        for (let y = 0; y < height; y++) {
          for (let x = 0; x < width; x++) {
            // The same f32: equality, no tolerance.
            if (pixels.data[(p * height + y) * width + x] !== expectedValue(kind, sample(x, y, p))) wrong++;
          }
        }
      }
      expect(wrong).toBe(0);
    });
  }
});

describe('published TIFF files', () => {
  it('C-TI-01: both byte orders hold the same pixels', async () => {
    for (const [name, head] of [
      ['rgb16_II.tif', '49492a0008000000'],
      ['rgb16_MM.tif', '4d4d002a00000008'],
    ] as const) {
      const bytes = fixture(name);
      expect(Buffer.from(bytes.subarray(0, 8)).toString('hex')).toBe(head);
      const pixels = await readPixels(bytes, name);
      expect([...pixels.data]).toEqual([0, 1, 32_768, 256, 65_535, 257]); // planar
      expect(pixels.whiteLevel).toEqual([65_535, 65_535, 65_535]);
    }
  });
  it('reads float with NaN', async () => {
    const pixels = await readPixels(fixture('f32.tif'), 'f32.tif');
    expect(pixels.kind).toBe('mono');
    expect([...pixels.data].some(Number.isNaN)).toBe(true);
  });
});

/** An uncompressed TIFF of one directory. */
function tiffOf(tags: Record<number, TagValue>, data: Uint8Array): Uint8Array {
  const list: Tag[] = Object.entries(tags).map(([id, value]) => ({ id: Number(id), value }));
  list.push({ id: 273, value: { type: 'blocks', blocks: [data] } });
  list.push({ id: 279, value: { type: 'long', values: [data.byteLength] } });
  return layTiff([list]);
}
const short = (...values: number[]): TagValue => ({ type: 'short', values });
const base = (width: number, height: number, bits: number, samples = 1, photometric = 1) => ({
  256: short(width),
  257: short(height),
  258: short(...new Array<number>(samples).fill(bits)),
  259: short(1),
  262: short(photometric),
  277: short(samples),
  278: short(height),
});

describe('meaning of the values', () => {
  it('counts backwards where white is zero', async () => {
    const data = new Uint8Array(new Uint16Array([0, 65_535, 1000]).buffer);
    const pixels = await readPixels(tiffOf(base(3, 1, 16, 1, 0), data), 'a.tif');
    expect([...pixels.data]).toEqual([65_535, 0, 64_535]);
  });
  it('undoes the curve of an embedded profile, in 16 bits (L47), and leaves linear light alone', async () => {
    const data = Uint16Array.from([0, 1000, 20_000, 40_000, 65_535, 11]);
    const curved = await readPixels(
      writeTiff({ width: 2, height: 1, planes: 3, data, icc: SRGB_ICC }),
      'a.tif',
    );
    data.forEach((v, i) => {
      // Single precision of values up to 65535.
      expect(Math.abs(curved.data[i]! - 65_535 * srgbDecode(v / 65_535))).toBeLessThan(0.005);
    });
    const linear = await readPixels(
      writeTiff({ width: 2, height: 1, planes: 3, data, icc: LINEAR_SRGB_ICC }),
      'a.tif',
    );
    expect([...linear.data]).toEqual([...data]);
    expect(linear.quantization).toBe(1);
  });
  it('marks GDAL no-data values as NaN', async () => {
    const data = new Uint8Array(new Float32Array([1, -9999, 3]).buffer);
    const tags = { ...base(3, 1, 32), 339: short(3), 42113: { type: 'ascii', text: '-9999' } as TagValue };
    expect([...(await readPixels(tiffOf(tags, data), 'a.tif')).data]).toEqual([1, Number.NaN, 3]);
  });
  it('drops extra samples beyond red, green and blue (L57)', async () => {
    const data = new Uint8Array(new Uint16Array([1, 2, 3, 9, 4, 5, 6, 9]).buffer);
    const pixels = await readPixels(tiffOf(base(2, 1, 16, 4, 2), data), 'a.tif');
    expect([...pixels.data]).toEqual([1, 4, 2, 5, 3, 6]);
  });
  it('reads half and double floats', async () => {
    const half = await readPixels(
      tiffOf({ ...base(3, 1, 16), 339: short(3) }, new Uint8Array([0, 0x3e, 0, 0xc0, 1, 0])),
      'a.tif',
    );
    expect([...half.data]).toEqual([1.5, -2, 2 ** -24]); // IEEE 754 binary16: exact
    const double = await readPixels(
      tiffOf({ ...base(1, 1, 64), 339: short(3) }, new Uint8Array(new Float64Array([1.5]).buffer)),
      'a.tif',
    );
    expect([...double.data]).toEqual([1.5]);
  });
  it('reads packed 12-bit samples', async () => {
    const pixels = await readPixels(tiffOf(base(2, 1, 12), new Uint8Array([0xab, 0xc1, 0x23])), 'a.tif');
    expect([...pixels.data]).toEqual([0xabc, 0x123]);
    expect(pixels.whiteLevel[0]).toBe(4095);
  });
});

describe('refusals', () => {
  const data = new Uint8Array(24);
  const refuse = (tags: Record<number, TagValue>) =>
    codeOf(() => readPixels(tiffOf({ ...base(2, 2, 16), ...tags }, data), 'a.tif'));
  it('names what it does not read instead of guessing (L55)', async () => {
    expect(await refuse({ 259: short(7) })).toBe('UNSUPPORTED_FORMAT');
    expect(await refuse({ 317: short(5) })).toBe('UNSUPPORTED_FORMAT');
    expect(await refuse({ 317: short(3) })).toBe('UNSUPPORTED_FORMAT');
    expect(await refuse({ 262: short(3) })).toBe('UNSUPPORTED_FORMAT');
    expect(await refuse({ 339: short(6) })).toBe('UNSUPPORTED_FORMAT');
  });
  it('refuses sizes before it allocates (L51)', async () => {
    const long = (v: number): TagValue => ({ type: 'long', values: [v] });
    expect(await refuse({ 256: long(100_000), 257: long(100_000), 278: long(100_000) })).toBe('TOO_LARGE');
    expect(await refuse({ 256: long(30_000), 257: long(10_000), 278: long(10_000) })).toBe('TRUNCATED');
    expect(await refuse({ 256: long(0) })).toBe('NO_PIXELS');
    expect(await refuse({ 278: short(1) })).toBe('CORRUPT');
  });
  it('tells a cut file', async () => {
    const whole = writeTiff({ width: 8, height: 8, planes: 3, data: new Uint16Array(192).fill(7) });
    expect(await codeOf(() => readPixels(whole.subarray(0, whole.byteLength - 10), 'a.tif'))).toBe(
      'TRUNCATED',
    );
  });
});

describe('writeTiff', () => {
  const [width, height] = [37, 29];
  const values = [0, 255, 256, 65_535];
  const words = Uint16Array.from({ length: 3 * width * height }, (_, i) => values[i % 4] ?? i);
  const floats = Float32Array.from({ length: 3 * width * height }, (_, i) => i * 1.25 - 50);
  const exif = {
    cameraMake: 'Tarn',
    cameraModel: 'Tarn T1',
    exposureTime: 15,
    iso: 6400,
    wallTime: '2026-06-14T23:15:07',
  };

  it('C-TI-02: a second reader finds the required tags, in order, and the same pixels (L45, L56)', async () => {
    for (const data of [words, floats]) {
      const bytes = writeTiff({ width, height, planes: 3, data, icc: SRGB_ICC, exif, description: 'a test' });
      const file = await fromArrayBuffer(bytes.slice().buffer);
      const image = await file.getImage();
      const field = (name: string) => image.fileDirectory.getValue(name as never) as unknown;
      const bits = data instanceof Float32Array ? 32 : 16;
      expect([...(field('BitsPerSample') as number[])]).toEqual([bits, bits, bits]);
      expect(field('SamplesPerPixel')).toBe(3);
      expect(field('PhotometricInterpretation')).toBe(2);
      expect(field('PlanarConfiguration')).toBe(1);
      expect(field('Compression')).toBe(1);
      expect(field('ResolutionUnit')).toBe(2);
      for (const name of ['StripOffsets', 'StripByteCounts', 'RowsPerStrip', 'XResolution', 'YResolution']) {
        expect(field(name), name).toBeDefined();
      }
      const planes = (await image.readRasters()) as unknown as ArrayLike<number>[];
      for (let p = 0; p < 3; p++) {
        expect([...Array.from(planes[p]!)]).toEqual([
          ...data.subarray(p * width * height, (p + 1) * width * height),
        ]);
      }
      const view = new DataView(bytes.buffer, bytes.byteOffset);
      const at = view.getUint32(4, true);
      expect(at % 2).toBe(0);
      const ids = Array.from({ length: view.getUint16(at, true) }, (_, i) =>
        view.getUint16(at + 2 + 12 * i, true),
      );
      expect(ids).toEqual([...ids].sort((a, b) => a - b));
      expect(new Set(ids).size).toBe(ids.length);
      expect(ids).not.toContain(338);
    }
  });
  it('carries EXIF and ICC (L46) and reads back equal', async () => {
    const bytes = writeTiff({ width, height, planes: 3, data: floats, icc: LINEAR_SRGB_ICC, exif });
    expect(await readHeader(bytes, 'a.tif')).toMatchObject({ ...exif, width, height, format: 'tiff' });
    const pixels = await readPixels(bytes, 'a.tif');
    expect(pixels.data).toEqual(floats);
    const { default: sharp } = await import('sharp');
    const meta = await sharp(bytes).metadata();
    expect(meta.icc && new Uint8Array(meta.icc)).toEqual(LINEAR_SRGB_ICC);
  });
  it('keeps NaN, writes gray, and the same bytes for the same picture', async () => {
    const data = Float32Array.from([1, Number.NaN, -3, 4]);
    const bytes = writeTiff({ width: 2, height: 2, planes: 1, data });
    expect((await readPixels(bytes, 'a.tif')).data).toEqual(data);
    expect(writeTiff({ width: 2, height: 2, planes: 1, data })).toEqual(bytes);
    expect(() => writeTiff({ width: 3, height: 2, planes: 1, data })).toThrow(RangeError);
  });
});

describe('float predictor, by its definition', () => {
  it('reads big-endian files: bytes of a value lie most significant first whatever the byte order', async () => {
    const values = [1.5, -2.25, 3e7, 4, 0, -1e-3];
    // One row: the bytes of all values by significance, then byte differences.
    const bytes = new Uint8Array(4 * values.length);
    values.forEach((value, i) => {
      const one = new DataView(new ArrayBuffer(4));
      one.setFloat32(0, value);
      for (let b = 0; b < 4; b++) bytes[b * values.length + i] = one.getUint8(b);
    });
    for (let i = bytes.length - 1; i > 0; i--) bytes[i] = bytes[i]! - bytes[i - 1]!;
    for (const littleEndian of [true, false]) {
      const tags = { ...base(values.length, 1, 32), 339: short(3), 317: short(3) };
      const list: Tag[] = Object.entries(tags).map(([id, value]) => ({ id: Number(id), value }));
      list.push(
        { id: 273, value: { type: 'blocks', blocks: [bytes] } },
        { id: 279, value: { type: 'long', values: [bytes.length] } },
      );
      const pixels = await readPixels(layTiff([list], { littleEndian }), 'a.tif');
      expect([...pixels.data]).toEqual(values.map(Math.fround));
    }
  });
});
