import { createHash } from 'node:crypto';
import { basename } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { FormatError, type FrameHeader, type FramePixels } from '../../src/core/index.js';
import { instantOf, readHeader, readPixels, readThumbnail } from '../../src/frames/index.js';
import { golden, hasReal, readReal, realFiles, useRawDecoder, WITHOUT_REAL } from './_support.js';

interface Told {
  readonly [tag: string]: string | number | undefined;
}
const told = golden<{ values: Record<string, Told> }>('frames-headers.json').values;
interface RawFacts {
  readonly width: number;
  readonly height: number;
  readonly pattern: string;
  readonly samples: string;
}
const unpacked = golden<{ values: Record<string, RawFacts> }>('frames-raw.json').values;
const sha256 = (bytes: Uint8Array) => createHash('sha256').update(bytes).digest('hex');

interface Outcome {
  readonly header: FrameHeader | undefined;
  readonly headerCode: string | undefined;
  readonly pixels: FramePixels | undefined;
  readonly pixelCode: string | undefined;
}

async function outcomeOf(bytes: Uint8Array, path: string): Promise<Outcome> {
  const attempt = async <T>(run: () => Promise<T>): Promise<[T | undefined, string | undefined]> => {
    try {
      return [await run(), undefined];
    } catch (error) {
      if (!(error instanceof FormatError)) throw error;
      expect(error.path).toBe(path);
      return [undefined, error.code];
    }
  };
  const [header, headerCode] = await attempt(() => readHeader(bytes, path));
  const [pixels, pixelCode] = await attempt(() => readPixels(bytes, path));
  return { header, headerCode, pixels, pixelCode };
}

beforeAll(useRawDecoder);

describe.skipIf(!hasReal)(`real files${hasReal ? '' : ` (${WITHOUT_REAL})`}`, () => {
  const folders = ['headers', 'raw/whole', 'raw/small', 'raw/cut', 'phone-milky-way'];

  it('headers agree with exiftool in every field that both know, over all makes', {
    timeout: 120_000,
  }, async () => {
    const wrong: string[] = [];
    let compared = 0;
    const near = (a: number, b: number) =>
      Math.abs(a - b) <= 1e-9 * Math.max(1, Math.abs(b)) + 1e-10 * Math.abs(b) + 5e-11; // exiftool prints ten digits
    for (const path of folders.flatMap(realFiles)) {
      const bytes = readReal(path);
      const facts = told[sha256(bytes)];
      if (facts === undefined) continue;
      let header: FrameHeader;
      try {
        header = await readHeader(bytes, path);
      } catch (error) {
        if (!(error instanceof FormatError)) throw error;
        continue; // refusals are held in the table below
      }
      const check = (name: string, ours: unknown, theirs: unknown, equal = ours === theirs) => {
        compared++;
        if (!equal)
          wrong.push(`${basename(path)} ${name}: ${String(ours)} but exiftool says ${String(theirs)}`);
      };
      const number = (tag: string, ours: number | undefined, unknown: readonly number[] = [0]) => {
        const theirs = facts[`EXIF:${tag}`];
        if (typeof theirs !== 'number') return;
        if (unknown.includes(theirs)) check(tag, ours, undefined);
        else check(tag, ours, theirs, ours !== undefined && near(ours, theirs));
      };
      number('ExposureTime', header.exposureTime);
      number('FNumber', header.fNumber);
      number('FocalLength', header.focalLengthMm);
      if (facts['EXIF:FocalLengthIn35mmFormat'] !== 11_113)
        number('FocalLengthIn35mmFormat', header.focalLength35Mm); // 23 mm is no 11 m lens
      number('Orientation', header.orientation);
      if (typeof facts['EXIF:ISO'] === 'number' && facts['EXIF:ISO'] < 65_535) number('ISO', header.iso);
      for (const [tag, ours] of [
        ['Make', header.cameraMake],
        ['Model', header.cameraModel],
      ] as const) {
        // Text is trimmed here; the RAW decoder names old Canon files in its own way.
        const theirs = facts[`EXIF:${tag}`];
        if (theirs !== undefined && String(theirs).trim() !== '')
          check(tag, ours, theirs, ours === String(theirs).trim());
      }
      const date = facts['EXIF:DateTimeOriginal'];
      if (typeof date === 'string') {
        const known = /^[1-9]\d{3}:(0[1-9]|1[0-2]):(0[1-9]|[12]\d|3[01]) \d\d:\d\d:\d\d/.test(date);
        check(
          'DateTimeOriginal',
          header.wallTime,
          date,
          header.wallTime ===
            (known ? date.replace(':', '-').replace(':', '-').replace(' ', 'T') : undefined),
        );
      }
      const offset = facts['EXIF:OffsetTimeOriginal'] ?? facts['EXIF:OffsetTime'];
      if (typeof offset === 'string' && date !== undefined) {
        const [, sign, hours, minutes] = /^([+-])(\d\d):(\d\d)$/.exec(offset) ?? [];
        if (sign)
          check(
            'OffsetTime',
            header.utcOffsetMinutes,
            offset,
            header.utcOffsetMinutes === (sign === '-' ? -1 : 1) * (Number(hours) * 60 + Number(minutes)),
          );
      }
      const sub = facts['EXIF:SubSecTimeOriginal'];
      if (sub !== undefined && sub !== '' && date !== undefined)
        check(
          'SubSecTimeOriginal',
          header.subSecond,
          sub,
          header.subSecond === Number(`0.${String(sub).trim()}`),
        );
    }
    expect(wrong).toEqual([]);
    expect(compared).toBeGreaterThan(300);
  });

  it('never tells an unknown as zero, NaN or 1970', { timeout: 60_000 }, async () => {
    for (const path of folders.flatMap(realFiles)) {
      const header = await readHeader(readReal(path), path).catch(() => undefined);
      for (const [key, value] of Object.entries(header ?? {})) {
        if (
          typeof value === 'number' &&
          key !== 'subSecond' &&
          key !== 'utcOffsetMinutes' &&
          key !== 'fileNumber' &&
          key !== 'temperature'
        ) {
          expect(value, `${path} ${key}`).toBeGreaterThan(0);
        }
        expect(value, `${path} ${key}`).not.toBeUndefined();
      }
      if (header?.wallTime !== undefined) expect(header.wallTime, path).not.toMatch(/^(0000|1970)/);
    }
  });

  it('lenses without contacts are unknown: f-number 0 and focal length 0 (L26, P56)', async () => {
    const headers = await Promise.all(realFiles('headers').map((path) => readHeader(readReal(path), path)));
    const dumb = headers.filter((header) => header.cameraModel === 'ILCE-7S');
    expect(dumb.length).toBeGreaterThan(0);
    for (const header of dumb) {
      for (const key of ['fNumber', 'focalLengthMm', 'lens', 'focalLength35Mm'])
        expect(header).not.toHaveProperty(key);
      expect(header.longExposureNoiseReduction).toBe(false);
    }
  });

  /** By format and make: what happens to pixels. `read`, or the codes it may be refused with. */
  const TABLE: readonly { folder: string; format: RegExp; make?: RegExp; pixels: readonly string[] }[] = [
    { folder: 'raw/whole', format: /^Canon CRW$/, pixels: ['read'] },
    { folder: 'raw/whole', format: /^Kodak KDC$/, pixels: ['read'] },
    { folder: 'raw/whole', format: /^DNG$/, make: /^Canon/, pixels: ['read'] },
    // Lossy compression (34892).
    { folder: 'raw/whole', format: /^DNG$/, make: /^NIKON/, pixels: ['UNSUPPORTED_FORMAT'] },
    // The pixels of these were cut off.
    { folder: 'raw/small', format: /^Canon CR2$/, pixels: ['UNSUPPORTED_FORMAT', 'TRUNCATED'] },
    {
      folder: 'raw/small',
      format: /^(Canon CR3|Canon CRW|Fujifilm RAF|Minolta MRW|Nikon NEF|Panasonic RW2|Phase One IIQ|RAW)$/,
      pixels: ['TRUNCATED'],
    },
    { folder: 'raw/small', format: /^DNG$/, pixels: ['CORRUPT'] },
    { folder: 'raw/cut', format: /^Canon CR3$/, pixels: ['TRUNCATED', 'DECODER_LIMIT'] },
    {
      folder: 'raw/cut',
      format: /^(DNG|Sony ARW|Olympus ORF|Fujifilm RAF|Panasonic RW2|Nikon NEF)$/,
      pixels: ['TRUNCATED'],
    },
    { folder: 'headers', format: /^JPEG$/, pixels: ['read'] },
    // One of the two TIFF is a map in palette colours.
    { folder: 'headers', format: /^TIFF$/, pixels: ['read', 'UNSUPPORTED_FORMAT'] },
    { folder: 'starfields-tiff', format: /^TIFF$/, pixels: ['read'] },
    { folder: 'cloud-fits', format: /^FITS$/, pixels: ['read'] },
    { folder: 'turning-sky-fits', format: /^FITS$/, pixels: ['read'] },
    { folder: 'phone-milky-way', format: /^JPEG$/, pixels: ['read'] },
    { folder: 'darks', format: /^PNG$/, pixels: ['read'] },
  ];
  for (const folder of new Set(TABLE.map((row) => row.folder))) {
    it(`${folder}: reads or refuses by format and make, in good time`, { timeout: 120_000 }, async () => {
      const broken: string[] = [];
      for (const path of realFiles(folder).slice(0, folder === 'darks' ? 3 : undefined)) {
        const bytes = readReal(path);
        const { header, headerCode, pixels, pixelCode } = await outcomeOf(bytes, path);
        if (header === undefined) {
          // No header at all: HEIC is refused by name, X3F is not known to the decoder, a stub ends early.
          if (!['UNSUPPORTED_FORMAT', 'TRUNCATED'].includes(headerCode ?? '') || pixelCode === undefined)
            broken.push(`${path}: ${headerCode}`);
          continue;
        }
        const row = TABLE.find(
          (one) =>
            one.folder === folder &&
            one.format.test(header.formatName) &&
            (one.make?.test(header.cameraMake ?? '') ?? true),
        );
        if (row === undefined)
          broken.push(`${path}: no row for ${header.formatName} of ${header.cameraMake}`);
        else if (!row.pixels.includes(pixelCode ?? 'read')) broken.push(`${path}: ${pixelCode ?? 'read'}`);
        if (pixels !== undefined) {
          let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
          for (const value of pixels.data) {
            if (value < low) low = value;
            if (value > high) high = value;
          }
          const planes = pixels.kind === 'color' ? 3 : 1;
          expect(pixels.data.length).toBe(planes * pixels.width * pixels.height);
          expect([header.width, header.height]).toEqual([pixels.width, pixels.height]);
          if (high > low) expect(high).toBeGreaterThan(0);
        }
        const preview = readThumbnail(bytes, path);
        if (preview) expect(preview.width * preview.height).toBeGreaterThan(0);
      }
      expect(broken).toEqual([]);
    });
  }

  it("whole RAW files: samples, area and pattern of LibRaw's own tool; black of the masked border (L03)", {
    timeout: 60_000,
  }, async () => {
    let compared = 0;
    for (const path of realFiles('raw/whole')) {
      const bytes = readReal(path);
      const facts = unpacked[sha256(bytes)];
      if (facts === undefined) continue;
      const { width, height, data, cfa, blackLevel } = await readPixels(bytes, path);
      expect([width, height]).toEqual([facts.width, facts.height]);
      const raw = Uint16Array.from(data, (value, i) => {
        const site = (Math.floor(i / width) % cfa!.height) * cfa!.width + ((i % width) % cfa!.width);
        return value + (blackLevel[site] ?? blackLevel[0]!);
      });
      expect(sha256(new Uint8Array(raw.buffer)), path).toBe(facts.samples);
      expect([0, 1, 2, 3].map((i) => 'RGB'[cfa!.colors[(i >> 1) * cfa!.width + (i % 2)]!]).join('')).toBe(
        facts.pattern,
      );
      if (/\.crw$/i.test(path))
        expect(Math.max(...blackLevel.map((level) => Math.abs(level - 128)))).toBeLessThan(4); // masked columns read 126 to 132
      compared++;
    }
    expect(compared).toBe(3);
  });

  it('hostile RAW of other projects end in a FormatError, soon', { timeout: 60_000 }, async () => {
    for (const path of realFiles('raw/malformed')) {
      const bytes = readReal(path);
      const start = performance.now();
      const { pixelCode } = await outcomeOf(bytes, path);
      expect(pixelCode, path).toBeDefined();
      expect(performance.now() - start, path).toBeLessThan(1000); // the promise: under a second
    }
  });

  it('phone frames: instant with zone, 35 mm equivalent, pitch near what the maker states', async () => {
    for (const path of realFiles('phone-milky-way')) {
      const header = await readHeader(readReal(path), path);
      expect(header.exposureTime).toBeGreaterThan(14);
      expect(header.pixelPitchUm).toBeGreaterThan(1);
      expect(header.pixelPitchUm).toBeLessThan(3);
      if (header.utcOffsetMinutes !== undefined) expect(instantOf(header)).toBeDefined();
    }
  });

  it('observatory frames state role, time and exposure where the file has them', async () => {
    const headers = await Promise.all(
      realFiles('cloud-fits').map((path) => readHeader(readReal(path), path)),
    );
    for (const header of headers) {
      expect(header.exposureTime).toBeGreaterThan(50);
      expect(instantOf(header)).toBeGreaterThan(Date.UTC(2017, 0, 1));
    }
  });
});
