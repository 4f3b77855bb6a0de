import { createHash } from 'node:crypto';
import { describe, expect, it } from 'vitest';
import type { FrameHeader } from '../../src/core/index.js';
import { type FitsContent, fitsCardsOf, readHeader, readPixels, writeFits } from '../../src/frames/index.js';
import { codeOf, fixture, golden } from './_support.js';

interface FitsGolden {
  readonly files: readonly { name: string; base64: string; expected: (number | null)[]; shape: number[] }[];
  readonly written: Record<
    string,
    {
      sha256: string;
      fitsverify: string;
      astropy: { shape: number[]; values: (number | null)[]; cards: Record<string, unknown> };
    }
  >;
}
const outside = golden<FitsGolden>('frames-fits.json');
const latin1 = (bytes: Uint8Array) => Buffer.from(bytes).toString('latin1');

/** A FITS file of these cards (after the mandatory ones) and data. */
function fitsOf(cards: readonly string[], data: Uint8Array = new Uint8Array(0)): Uint8Array {
  const header = [...cards, 'END'].map((card) => card.padEnd(80)).join('');
  const padded = header.padEnd(Math.ceil(header.length / 2880) * 2880);
  const out = new Uint8Array(padded.length + Math.ceil(data.length / 2880) * 2880);
  out.set(Buffer.from(padded, 'latin1'));
  out.set(data, padded.length);
  return out;
}
const card = (keyword: string, value: string | number) =>
  `${keyword.padEnd(8)}= ${typeof value === 'number' || value.startsWith("'") ? String(value).padStart(20) : value.padStart(20)}`;
const small = (extra: readonly string[] = [], size: readonly [number, number] = [4, 2]) =>
  fitsOf(
    [
      card('SIMPLE', 'T'),
      card('BITPIX', 16),
      card('NAXIS', 2),
      card('NAXIS1', size[0]),
      card('NAXIS2', size[1]),
      ...extra,
    ],
    new Uint8Array(16).map((_, i) => (i % 2 === 0 ? 0 : i)),
  );

describe('readFitsPixels against astropy', () => {
  for (const { name, base64, expected, shape } of outside.files) {
    it(`reads ${name}`, async () => {
      const pixels = await readPixels(
        new Uint8Array(Buffer.from(base64, 'base64')),
        name === 'gzip' ? 'a.fits.gz' : 'a.fits',
      );
      const [height, width] = [shape.at(-2)!, shape.at(-1)!];
      const planes = shape.length === 3 ? shape[0]! : 1;
      expect(pixels).toMatchObject({ width, height, kind: planes === 3 ? 'color' : 'mono' });
      for (let p = 0; p < planes; p++) {
        for (let y = 0; y < height; y++) {
          for (let x = 0; x < width; x++) {
            // astropy keeps the file's order, bottom row first; single precision is ours.
            const value = expected[(p * height + (height - 1 - y)) * width + x]!;
            expect(pixels.data[(p * height + y) * width + x]).toBe(
              value === null ? Number.NaN : Math.fround(value),
            );
          }
        }
      }
    });
  }
});

describe('published FITS files', () => {
  it('C-FI-01: unsigned 16 bits through BZERO; cards read', async () => {
    const pixels = await readPixels(fixture('u16.fits'), 'u16.fits');
    expect([...pixels.data]).toEqual([32_768, 32_769, 65_534, 65_535, 0, 1, 2, 32_767]); // rows turned over
    expect(pixels.whiteLevel).toEqual([65_535, 65_535, 65_535]);
    expect(await readHeader(fixture('u16.fits'), 'u16.fits')).toMatchObject({
      wallTime: '2026-06-14T22:15:07',
      subSecond: 0.07,
      utcOffsetMinutes: 0,
      exposureTime: 30,
    });
  });
  it('C-FI-06: three planes red, green, blue; NaN kept', async () => {
    const pixels = await readPixels(fixture('rgb_f32.fits'), 'rgb_f32.fits');
    expect(pixels.kind).toBe('color');
    expect([...pixels.data].filter(Number.isNaN).length).toBeGreaterThan(0);
    expect(pixels.data[2]).toBe(1.5); // first value stored: bottom left of red
  });
  it('C-FI-07: a marked corner comes back in the same corner', async () => {
    const data = new Float32Array(12);
    data[0] = 9; // top left
    const bytes = writeFits({ width: 4, height: 3, planes: 1, data });
    const pixels = await readPixels(bytes, 'a.fits');
    expect(pixels.data[0]).toBe(9);
    const header = 2880;
    expect(new DataView(bytes.buffer).getFloat32(header + 4 * 8)).toBe(9); // last row stored
    const down = await readPixels(small([card('ROWORDER', "'TOP-DOWN'")]), 'a.fits');
    const up = await readPixels(small(), 'a.fits');
    expect([...down.data.subarray(0, 4)]).toEqual([...up.data.subarray(4)]);
  });
});

describe('readFitsHeader', () => {
  const header = (extra: readonly string[]) => readHeader(small(extra), 'a.fits');
  it('tells the stated role', async () => {
    for (const [words, role] of [
      ['Dark Frame', 'dark'],
      ['bias', 'bias'],
      ['ZERO', 'bias'],
      ['Flat Field', 'flat'],
      ['Light Frame', 'light'],
      ['OBJECT', 'light'],
    ] as const) {
      expect((await header([card('IMAGETYP', `'${words}'`)])).statedRole).toBe(role);
    }
    expect(await header([])).not.toHaveProperty('statedRole');
  });
  it('reads old dates, times apart, exponents and positions', async () => {
    expect((await header([card('DATE-OBS', "'14/06/97'"), card('UT', "'22:15:07.5'")])).wallTime).toBe(
      '1997-06-14T22:15:07',
    );
    expect((await header([card('DATE-OBS', "'2026-06-14'"), card('TIME-OBS', "'22:15:07'")])).wallTime).toBe(
      '2026-06-14T22:15:07',
    );
    expect(await header([card('DATE-OBS', "'2026-06-14'")])).not.toHaveProperty('wallTime');
    expect((await header([card('EXPOSURE', '1.5D1')])).exposureTime).toBe(15);
    expect((await header([card('SITELAT', "'-31 15 00'"), card('SITELONG', "'20:30:00'")])).gps).toEqual({
      latitude: -31.25,
      longitude: 20.5,
    });
    expect(await header([card('EXPTIME', 0)])).not.toHaveProperty('exposureTime');
  });
  it('reads a colour filter pattern, turned over with the rows', async () => {
    const up = await readPixels(small([card('BAYERPAT', "'RGGB'")]), 'a.fits');
    expect(up).toMatchObject({ kind: 'mosaic', cfa: { width: 2, height: 2, colors: [1, 2, 0, 1] } });
    const down = await readPixels(
      small([card('BAYERPAT', "'RGGB'"), card('ROWORDER', "'TOP-DOWN'")]),
      'a.fits',
    );
    expect(down.cfa!.colors).toEqual([0, 1, 1, 2]);
  });
});

describe('refusals', () => {
  it('tells cut, empty, oversized and foreign files apart', async () => {
    const whole = small();
    const code = (bytes: Uint8Array, name = 'a.fits') => codeOf(() => readPixels(bytes, name));
    expect(await code(whole.subarray(0, 2880 + 8))).toBe('TRUNCATED');
    expect(await code(whole.subarray(0, 240))).toBe('TRUNCATED');
    expect(await code(small([], [100_000, 100_000]))).toBe('TOO_LARGE');
    expect(await code(small([], [30_000, 10_000]))).toBe('TRUNCATED');
    expect(await code(fitsOf([card('SIMPLE', 'T'), card('BITPIX', 16), card('NAXIS', 0)]))).toBe('NO_PIXELS');
    expect(await code(fitsOf([card('SIMPLE', 'T'), card('BITPIX', 17), card('NAXIS', 0)]))).toBe('CORRUPT');
    expect(await code(new Uint8Array([0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 0, 1, 2]), 'a.fits.gz')).toBe(
      'UNSUPPORTED_FORMAT',
    );
  });
});

describe('writeFits', () => {
  interface Input extends Omit<FitsContent, 'data'> {
    readonly header: Partial<FrameHeader>;
    readonly data: readonly (number | null)[];
  }
  const inputs = golden<{ written: Record<string, Input> }>('frames-fits-content.json').written;
  for (const [name, { header, data, ...content }] of Object.entries(inputs)) {
    const samples = Float32Array.from(data, (value) => value ?? Number.NaN);
    const bytes = writeFits({
      ...content,
      data: samples,
      cards: [...fitsCardsOf(header), ...(content.cards ?? [])],
    });

    it(`writes ${name} as the very bytes that fitsverify and astropy approved`, () => {
      expect(createHash('sha256').update(bytes).digest('hex')).toBe(outside.written[name]!.sha256);
      expect(outside.written[name]!.fitsverify).toContain('0 warning(s) and 0 error(s)');
    });
    it(`astropy read the values of ${name} back`, () => {
      const { values } = outside.written[name]!.astropy;
      const { width, height, planes } = content;
      for (let p = 0; p < planes; p++) {
        for (let y = 0; y < height; y++) {
          for (let x = 0; x < width; x++) {
            expect(values[(p * height + height - 1 - y) * width + x] ?? Number.NaN).toBe(
              samples[(p * height + y) * width + x],
            );
          }
        }
      }
    });
    it(`reads ${name} back`, async () => {
      const pixels = await readPixels(bytes, 'a.fits');
      expect(pixels.data).toEqual(samples);
      const { utcOffsetMinutes: _zone, wallTime: _wall, camera: _camera, ...rest } = header;
      expect(await readHeader(bytes, 'a.fits')).toMatchObject(rest);
    });
    it(`C-FI-02, C-FI-03, C-FI-04: blocks, padding and card layout of ${name}`, () => {
      expect(bytes.byteLength % 2880).toBe(0);
      const cards = latin1(bytes.subarray(0, 2880)).match(/.{80}/gs)!;
      const keys = cards.map((line) => line.slice(0, 8).trimEnd());
      const planes = content.planes === 3 ? ['NAXIS3'] : [];
      expect(keys.slice(0, 5 + planes.length)).toEqual([
        'SIMPLE',
        'BITPIX',
        'NAXIS',
        'NAXIS1',
        'NAXIS2',
        ...planes,
      ]);
      expect(cards[0]!.slice(0, 30)).toBe('SIMPLE  =                    T');
      const end = keys.indexOf('END');
      expect(
        cards
          .slice(end + 1)
          .join('')
          .trim(),
      ).toBe('');
      expect(latin1(bytes.subarray(0, 2880))).toMatch(/^[\x20-\x7e]*$/);
      expect(keys).not.toContain('BZERO'); // L58
      expect(keys).not.toContain('BSCALE');
    });
  }
  it('L58: a 16-bit unsigned file made float holds the true values and no BZERO', async () => {
    const { data, width, height } = await readPixels(fixture('u16.fits'), 'u16.fits');
    const again = await readPixels(writeFits({ width, height, planes: 1, data }), 'b.fits');
    expect(again.data).toEqual(data);
  });
  it('refuses cards that FITS cannot hold (L59)', () => {
    const write = (keyword: string, value: string | number) =>
      writeFits({ width: 1, height: 1, planes: 1, data: new Float32Array(1), cards: [{ keyword, value }] });
    expect(() => write('TOOLONGKEY', 1)).toThrow(RangeError);
    expect(() => write('lower', 1)).toThrow(RangeError);
    expect(() => write('A', Number.NaN)).toThrow(RangeError);
    expect(() => write('BZERO', 1)).toThrow(RangeError);
    expect(() => write('A', 'Müller')).not.toThrow();
  });
  it('leaves unknown things out', () => {
    expect(fitsCardsOf({})).toEqual([]);
    expect(fitsCardsOf({ wallTime: '2026-06-14T23:15:07' })).toEqual([]); // no zone, no instant
  });
});
