import { describe, expect, it } from 'vitest';
import type { Tag, TagValue } from '../../src/frames/_ifd-write.js';
import { layTiff } from '../../src/frames/_ifd-write.js';
import { exifBlock, instantOf, readHeader, withJpegMetadata } from '../../src/frames/index.js';
import { checks, fixture } from './_support.js';

/** The smallest JPEG that headers can hang on: the fixture's picture without its own EXIF. */
const BARE = (() => {
  const bytes = fixture('e05_blank_time.jpg');
  const size = (bytes[4]! << 8) | bytes[5]!;
  return new Uint8Array([0xff, 0xd8, ...bytes.subarray(4 + size)]);
})();

const header = (name: string) => readHeader(fixture(name), name);

/** A JPEG with these tags in the main, Exif and GPS directories. */
function jpegWith(
  tags: { readonly main?: readonly Tag[]; readonly exif?: readonly Tag[]; readonly gps?: readonly Tag[] },
  littleEndian = true,
): Uint8Array {
  const directory = (id: number, list: readonly Tag[]): Tag => ({
    id,
    value: { type: 'directories', directories: [list] },
  });
  const main = [
    ...(tags.main ?? []),
    ...(tags.exif ? [directory(0x8769, tags.exif)] : []),
    ...(tags.gps ? [directory(0x8825, tags.gps)] : []),
  ];
  return withJpegMetadata(BARE, { exif: layTiff([main], { littleEndian }) });
}

const read = (tags: Parameters<typeof jpegWith>[0]) => readHeader(jpegWith(tags), 'IMG_0001.JPG');
const ascii = (text: string): TagValue => ({ type: 'ascii', text });
const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });
const fraction = (...values: [number, number][]): TagValue => ({ type: 'fraction', values });

describe('published EXIF files', () => {
  it('C-EX-01: 30 s, f/2.8, ISO 6400, sub-second 07 is 0.07 s (L19, L23)', async () => {
    const found = await header('e01_30s.jpg');
    expect(found).toMatchObject({
      exposureTime: 30,
      fNumber: 2.8,
      iso: 6400,
      focalLengthMm: 14,
      focalLength35Mm: 14,
      wallTime: '2026-06-14T23:15:07',
      subSecond: 0.07,
      utcOffsetMinutes: 60,
    });
    expect(new Date(instantOf(found)!).toISOString()).toBe('2026-06-14T22:15:07.070Z');
  });

  it('C-EX-02: ISO 65535 means the recommended exposure index (L24); no offset stays unknown', async () => {
    const found = await header('e02_iso_overflow.jpg');
    expect(found.iso).toBe(102_400);
    expect(found).not.toHaveProperty('utcOffsetMinutes');
    expect(instantOf(found)).toBeUndefined();
    expect(found).toMatchObject({ exposureTime: 13, fNumber: 1.8, focalLengthMm: 20 });
  });

  it('C-EX-03: southern and western position, UTC date differs from the local date (L25)', async () => {
    const found = await header('e03_south_west_gps.jpg');
    expect(found.gps!.latitude).toBeCloseTo(-22.911, 9); // exact rationals, 1e-9 deg of float rounding
    expect(found.gps!.longitude).toBeCloseTo(-68.2, 9); // as above
    expect(found.gps!.altitude).toBe(2400);
    expect(new Date(instantOf(found)!).toISOString()).toBe('2026-07-15T00:05:00.000Z');
  });

  it('C-EX-04: 1/4000 s, sub-second 500 is half a second', async () => {
    const found = await header('e04_neg_subsec_half.jpg');
    expect(found.exposureTime).toBe(1 / 4000);
    expect(new Date(instantOf(found)!).toISOString()).toBe('2026-03-29T00:59:59.500Z');
  });

  it('C-EX-05: a blank date is unknown, never 1970, and the rest is read (L22)', async () => {
    const found = await header('e05_blank_time.jpg');
    expect(found).not.toHaveProperty('wallTime');
    expect(found).toMatchObject({ exposureTime: 20, iso: 1600 });
    expect(found.warnings.join()).toContain('time is unknown');
  });

  it('C-EX-06: composite of 16, zone +05:45', async () => {
    const found = await header('e06_composite.jpg');
    expect(found.compositeCount).toBe(16);
    expect(new Date(instantOf(found)!).toISOString()).toBe('2026-06-14T17:30:07.000Z');
  });

  it('C-EX-07: 0/0, 0/1 and 0 are unknown; the lens name is kept (L26)', async () => {
    const found = await header('e07_lens_unknown.jpg');
    for (const key of ['fNumber', 'focalLengthMm', 'focalLength35Mm']) expect(found).not.toHaveProperty(key);
    expect(found.lens).toBe('TEST 14-24mm F2.8');
  });
});

describe('values that stand for something else', () => {
  const [apertures, times] = [
    checks()['C-EX-10']!.expected as number[],
    checks()['C-EX-11']!.expected as number[],
  ];

  it('C-EX-10: an aperture known only by APEX value (P57)', async () => {
    for (const [i, stop] of [1.4, 1.8, 2, 2.8, 4].entries()) {
      const found = await read({
        exif: [{ id: 0x9202, value: { type: 'rational', values: [apertures[i]!] } }],
      });
      expect(found.fNumber).toBeCloseTo(stop, 4); // the table's Av has 6 decimals: 1e-6 * N ln2 / 2
    }
  });

  it('C-EX-11: an exposure time known only by APEX value; ExposureTime is preferred', async () => {
    for (const [i, seconds] of [30, 25, 20, 15, 13, 10].entries()) {
      const apex: Tag = { id: 0x9201, value: { type: 'srational', values: [times[i]!] } };
      const found = await read({ exif: [apex] });
      expect(found.exposureTime! / seconds).toBeCloseTo(1, 5); // Tv to 6 decimals: 1e-6 * ln2
      const both = await read({ exif: [apex, { id: 0x829a, value: fraction([31, 1]) }] });
      expect(both.exposureTime).toBe(31);
    }
  });

  it('C-EX-14: sensitivity by SensitivityType when the 16-bit field is full or zero (L24)', async () => {
    const tags = (type: number, plain = 65535): Tag[] => [
      { id: 0x8827, value: short(plain) },
      { id: 0x8830, value: short(type) },
      { id: 0x8831, value: long(101_000) },
      { id: 0x8832, value: long(102_000) },
      { id: 0x8833, value: long(103_000) },
    ];
    for (const [type, iso] of [
      [1, 101_000],
      [2, 102_000],
      [3, 103_000],
    ] as const) {
      expect((await read({ exif: tags(type) })).iso).toBe(iso);
      expect((await read({ exif: tags(type, 0) })).iso).toBe(iso);
      expect((await read({ exif: tags(type, 3200) })).iso).toBe(3200);
    }
    expect((await read({ exif: [{ id: 0x8827, value: short(65535) }] })).iso).toBeUndefined();
    expect((await read({ exif: [{ id: 0x8827, value: short(800, 0) }] })).iso).toBe(800);
  });

  it('C-EX-15: dates that are blank, zero or impossible fall to the next tag, marked as a guess (L22)', async () => {
    for (const blank of [
      '0000:00:00 00:00:00',
      '    :  :     :  :  ',
      '2026:02:30 10:00:00',
      '2026:13:01 10:00:00',
      '',
      'yesterday',
    ]) {
      const found = await read({
        main: [{ id: 0x0132, value: ascii('2026:06:14 23:15:07') }],
        exif: [{ id: 0x9003, value: ascii(blank) }],
      });
      expect(found, blank).toMatchObject({ wallTime: '2026-06-14T23:15:07', timeIsGuess: true });
      const alone = await read({ exif: [{ id: 0x9003, value: ascii(blank) }] });
      expect(alone, blank).not.toHaveProperty('wallTime');
    }
  });

  it('C-EX-16: offsets on quarter hours from -12 to +14 only; anything else is unknown and told (L20, L21)', async () => {
    const zone = async (words: string) =>
      read({
        exif: [
          { id: 0x9003, value: ascii('2026:06:14 23:15:07') },
          { id: 0x9011, value: ascii(words) },
        ],
      });
    for (const [words, minutes] of [
      ['+01:00', 60],
      ['-03:30', -210],
      ['+05:45', 345],
      ['+14:00', 840],
      ['-12:00', -720],
      ['Z', 0],
    ] as const) {
      expect((await zone(words)).utcOffsetMinutes, words).toBe(minutes);
    }
    for (const words of ['+00:47', '+15:00', '-13:00', '+1:00', '+01:60', '25']) {
      const found = await zone(words);
      expect(found.wallTime, words).toBe('2026-06-14T23:15:07');
      expect(found, words).not.toHaveProperty('utcOffsetMinutes');
      expect(found.warnings.join(), words).toContain('zone is unknown');
    }
    const other = await read({
      exif: [
        { id: 0x9003, value: ascii('2026:06:14 23:15:07') },
        { id: 0x9012, value: ascii('+02:00') },
      ],
    });
    expect(other.utcOffsetMinutes).toBe(120);
  });

  it('leaves out positions with a part or a direction missing, and 0, 0 (L25)', async () => {
    const gps = (latitude: [number, number][], letter = 'N'): Tag[] => [
      { id: 1, value: ascii(letter) },
      { id: 2, value: fraction(...latitude) },
      { id: 3, value: ascii('E') },
      { id: 4, value: fraction([20, 1], [30, 1], [0, 1]) },
    ];
    expect(
      (
        await read({
          gps: gps(
            [
              [31, 1],
              [15, 1],
              [0, 1],
            ],
            'S',
          ),
        })
      ).gps,
    ).toEqual({ latitude: -31.25, longitude: 20.5 });
    const wrong: [number, number][][] = [
      [
        [0, 0],
        [0, 0],
        [0, 0],
      ],
      [
        [1, 0],
        [6, 0],
        [36, 1],
      ],
      [
        [31, 1],
        [15, 1],
      ],
      [
        [91, 1],
        [0, 1],
        [0, 1],
      ],
      [
        [31, 1],
        [75, 1],
        [0, 1],
      ],
    ];
    for (const parts of wrong) {
      const found = await read({ gps: gps(parts) });
      expect(found).not.toHaveProperty('gps');
      expect(found.warnings.join()).toContain('position');
    }
    expect(
      await read({
        gps: gps(
          [
            [31, 1],
            [15, 1],
            [0, 1],
          ],
          '?',
        ),
      }),
    ).not.toHaveProperty('gps');
    const nowhere: Tag[] = [
      { id: 1, value: ascii('N') },
      { id: 2, value: fraction([0, 1], [0, 1], [0, 1]) },
      { id: 3, value: ascii('E') },
      { id: 4, value: fraction([0, 1], [0, 1], [0, 1]) },
    ];
    expect(await read({ gps: nowhere })).not.toHaveProperty('gps');
  });

  it('takes f/1 without a focal length for a lens without contacts (L26, P56)', async () => {
    const found = await read({
      exif: [
        { id: 0x829d, value: fraction([1, 1]) },
        { id: 0x920a, value: fraction([0, 1]) },
        { id: 0xa434, value: ascii('----') },
      ],
    });
    for (const key of ['fNumber', 'focalLengthMm', 'lens']) expect(found).not.toHaveProperty(key);
    const fast = await read({
      exif: [
        { id: 0x829d, value: fraction([95, 100]) },
        { id: 0x920a, value: fraction([50, 1]) },
      ],
    });
    expect(fast.fNumber).toBe(0.95);
  });

  it('leaves zero and infinite exposure times out (L27)', async () => {
    for (const parts of [
      [0, 1],
      [0, 0],
      [5, 0],
    ] as [number, number][]) {
      expect(await read({ exif: [{ id: 0x829a, value: fraction(parts) }] })).not.toHaveProperty(
        'exposureTime',
      );
    }
  });

  it('C-DC-2: file numbers of DCF names', async () => {
    const bytes = jpegWith({});
    for (const [name, count] of [
      ['DSCF0001.JPG', 1],
      ['_DSC1234.JPG', 1234],
      ['IMG_9999.JPG', 9999],
      ['DSC00001.JPG', 1],
      ['night/e05 7.jpg', 7],
    ] as const) {
      expect((await readHeader(bytes, name)).fileNumber, name).toBe(count);
    }
    expect(await readHeader(bytes, 'moon.jp2')).not.toHaveProperty('fileNumber');
  });

  it('says make and model once', async () => {
    for (const [make, model, camera] of [
      ['Canon', 'Canon EOS R6', 'Canon EOS R6'],
      ['NIKON CORPORATION', 'NIKON D70', 'NIKON D70'],
      ['SONY', 'ILCE-7S', 'Sony ILCE-7S'],
      ['EASTMAN KODAK COMPANY', 'KODAK DX4900', 'KODAK DX4900'],
      ['OLYMPUS IMAGING CORP.', 'E-M1', 'Olympus E-M1'],
    ] as const) {
      const found = await read({
        main: [
          { id: 271, value: ascii(make) },
          { id: 272, value: ascii(model) },
        ],
      });
      expect(found.camera).toBe(camera);
    }
  });
});

describe('pixel pitch', () => {
  const exif = (across: number, unit: number): Tag[] => [
    { id: 0xa20e, value: { type: 'rational', values: [across] } },
    { id: 0xa20f, value: { type: 'rational', values: [across] } },
    { id: 0xa210, value: short(unit) },
  ];
  it('comes from the focal-plane resolution in inches, centimetres and millimetres', async () => {
    for (const [across, unit] of [
      [25_400 / 4.3, 2],
      [10_000 / 4.3, 3],
      [1000 / 4.3, 4],
    ] as const) {
      expect((await read({ exif: exif(across, unit) })).pixelPitchUm).toBeCloseTo(4.3, 4); // rounded to 1e-5 um
    }
  });
  it('is corrected when the picture was made smaller than the header says', async () => {
    const found = await read({
      exif: [...exif(10_000 / 4, 3), { id: 0xa002, value: long(6000) }, { id: 0xa003, value: long(4000) }],
    });
    expect(found.pixelPitchUm).toBeCloseTo((4 * 6000) / 24, 4); // the fixture is 24 x 16 px; rounded to 1e-5 um
  });
  it('comes from the 35 mm equivalent otherwise', async () => {
    const found = await read({
      exif: [
        { id: 0x920a, value: fraction([14, 1]) },
        { id: 0xa405, value: short(14) },
      ],
    });
    // 24 x 16 px on a 36 x 24 mm sensor would be 1500 um: no camera; so nothing is said.
    expect(found).not.toHaveProperty('pixelPitchUm');
  });
});

describe('every field type, count and byte order', () => {
  const numbersOf = (count: number) => [10, 20, 30, 40, 50].slice(0, count);
  for (const littleEndian of [true, false]) {
    for (const count of [1, 2, 3, 5]) {
      const values = numbersOf(count);
      const cases: [string, TagValue][] = [
        ['byte', { type: 'byte', bytes: values }],
        ['undefined', { type: 'undefined', bytes: values }],
        ['short', short(...values)],
        ['long', long(...values)],
        ['sshort', { type: 'sshort', values: values.map((v) => -v) }],
        ['slong', { type: 'slong', values: values.map((v) => -v) }],
        ['rational', { type: 'rational', values: values.map((v) => v / 7) }],
        ['srational', { type: 'srational', values: values.map((v) => -v / 7) }],
        ['float', { type: 'float', values: values.map((v) => v + 0.5) }],
        ['double', { type: 'double', values: values.map((v) => v + 0.1) }],
      ];
      for (const [name, value] of cases) {
        it(`reads ${count} x ${name}, ${littleEndian ? 'II' : 'MM'}`, async () => {
          const { readTiffStructure, numbers } = await import('../../src/frames/_ifd.js');
          const { openSource } = await import('../../src/frames/_source.js');
          const bytes = layTiff([[{ id: 50714, value }]], { littleEndian });
          const structure = readTiffStructure(openSource(bytes, 'matrix'));
          const found = numbers(structure, structure.chain[0], 50714);
          const expected =
            'bytes' in value ? [...value.bytes] : 'values' in value ? (value.values as number[]) : [];
          expect(found).toHaveLength(count);
          // Fractions of sevenths are exact in a rational; float holds halves exactly.
          expect(found).toEqual(expected);
        });
      }
      it(`reads text of ${count} letters, ${littleEndian ? 'II' : 'MM'}`, async () => {
        const { readTiffStructure, text } = await import('../../src/frames/_ifd.js');
        const { openSource } = await import('../../src/frames/_source.js');
        const words = 'abcde'.slice(0, count);
        const structure = readTiffStructure(
          openSource(layTiff([[{ id: 271, value: ascii(words) }]], { littleEndian }), 'm'),
        );
        expect(text(structure, structure.chain[0], 271)).toBe(words);
      });
    }
  }
});

describe('exifBlock', () => {
  const fields = {
    cameraMake: 'Tarn',
    cameraModel: 'Tarn T1',
    serial: '0042',
    lens: 'Tarn 14mm F2.8',
    exposureTime: 1 / 4000,
    iso: 102_400,
    fNumber: 2.8,
    focalLengthMm: 14,
    focalLength35Mm: 21,
    wallTime: '2026-06-14T23:15:07',
    subSecond: 0.07,
    utcOffsetMinutes: -210,
    orientation: 6,
    gps: { latitude: -31.25, longitude: 20.5, altitude: -12 },
    pixelPitchUm: 3.9,
  };
  it('reads back what was written', async () => {
    const found = await readHeader(withJpegMetadata(BARE, { exif: exifBlock(fields) }), 'a.jpg');
    const { pixelPitchUm: _, ...rest } = fields;
    expect(found).toMatchObject(rest);
    expect(found.warnings).toEqual([]);
  });
  it('writes nothing of what is unknown', async () => {
    const found = await readHeader(withJpegMetadata(BARE, { exif: exifBlock({}) }), 'a.jpg');
    expect(Object.keys(found).sort()).toEqual(['format', 'formatName', 'height', 'warnings', 'width']);
  });
  it('writes tag numbers and types of C-EX-IDS', async () => {
    const { exifTags } = await import('../../src/frames/exif-block.js');
    const table = checks()['C-EX-IDS']!.expected as unknown as Record<string, [number, string, string]>;
    const types: Record<string, string> = {
      int16u: 'short',
      int32u: 'long',
      rational64u: 'rational',
      string: 'ascii',
      undef: 'undefined',
      int8u: 'byte',
    };
    const known = new Map(Object.values(table).map(([id, , type]) => [id, types[type]]));
    let compared = 0;
    for (const tag of exifTags({ ...fields, width: 1, height: 1, colorSpace: 1 })) {
      const expected = known.get(tag.id);
      if (expected === undefined) continue;
      compared++;
      // Sizes may be SHORT or LONG (Exif 2.32 PixelXDimension); we write LONG.
      expect([expected, 'long'], `tag ${tag.id}`).toContain(tag.value.type);
    }
    expect(compared).toBeGreaterThan(12);
  });
});
