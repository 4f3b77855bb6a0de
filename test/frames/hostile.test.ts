import { readFileSync, writeFileSync } from 'node:fs';
import { beforeAll, describe, expect, it } from 'vitest';
import { FormatError, seededRandom } from '../../src/core/index.js';
import { layTiff, type TagValue } from '../../src/frames/_ifd-write.js';
import {
  readHeader,
  readPixels,
  readThumbnail,
  writeDng,
  writeFits,
  writeJpeg,
  writeTiff,
} from '../../src/frames/index.js';
import { encodeLosslessJpeg } from './_lossless-jpeg.js';
import { codeOf, fixture, useRawDecoder } from './_support.js';

const short = (...values: number[]): TagValue => ({ type: 'short', values });
const long = (...values: number[]): TagValue => ({ type: 'long', values });

beforeAll(useRawDecoder);

/** Runs a reader and says how long it took and how much memory the process gained meanwhile, bytes. */
async function measured(
  run: () => Promise<unknown>,
): Promise<{ code: string | undefined; ms: number; gained: number }> {
  const before = process.memoryUsage().rss;
  const start = performance.now();
  const code = await codeOf(run);
  return { code, ms: performance.now() - start, gained: process.memoryUsage().rss - before };
}

const LIMIT_MS = 1000; // the promise: an end in under a second
const LIMIT_BYTES = 300e6; // and under 300 MB

describe('hostile files end in a FormatError, soon and small', () => {
  const claim = (width: number, height: number, extra: Record<number, TagValue> = {}) => {
    const tags: Record<number, TagValue> = {
      256: long(width),
      257: long(height),
      258: short(16),
      259: short(1),
      262: short(1),
      273: long(8),
      277: short(1),
      278: long(height),
      279: long(100),
      ...extra,
    };
    return layTiff([Object.entries(tags).map(([id, value]) => ({ id: Number(id), value }))]);
  };
  const circle = () => {
    const bytes = claim(10, 10);
    const view = new DataView(bytes.buffer);
    const count = view.getUint16(8, true);
    view.setUint32(8 + 2 + 12 * count, 8, true); // the next directory is the first
    return bytes;
  };
  const selfParent = () => claim(10, 10, { 330: long(8, 8, 8, 8), 34665: long(8) });
  const longHeader = () => {
    const bytes = new Uint8Array(2880).fill(0x20);
    bytes.set(
      Buffer.from('SIMPLE  =                    T'.padEnd(80) + 'BITPIX  =                   16'.padEnd(80)),
    );
    return bytes;
  };
  const deepJpeg = () =>
    new Uint8Array([
      0xff,
      0xd8,
      0xff,
      0xe1,
      0xff,
      0xff,
      ...Buffer.from('Exif\0\0II*\0'),
      0xff,
      0xff,
      0xff,
      0xff,
    ]);
  const raf = () => {
    const bytes = new Uint8Array(160);
    bytes.set(Buffer.from('FUJIFILMCCD-RAW '));
    new DataView(bytes.buffer).setUint32(84, 0xffff_fff0);
    return bytes;
  };
  const cr3 = () => {
    const bytes = new Uint8Array(64);
    bytes.set(Buffer.from('\0\0\0\x18ftypcrx \0\0\0\x01crx isom\0\0\0\x01moov'));
    return bytes;
  };
  const cases: [string, Uint8Array, string, readonly string[]][] = [
    ['100,000 x 100,000 px', claim(100_000, 100_000), 'a.tif', ['TOO_LARGE']],
    ['a strip past the end', claim(60_000, 6000), 'a.tif', ['TRUNCATED']],
    ['a circle of directories', circle(), 'a.tif', ['TRUNCATED', 'CORRUPT']],
    ['directories that hold themselves', selfParent(), 'a.tif', ['TRUNCATED', 'CORRUPT']],
    [
      '2^32 entries of one field',
      claim(10, 10, { 273: long(...new Array<number>(4).fill(0xffff_fff0)) }),
      'a.tif',
      ['TRUNCATED', 'CORRUPT'],
    ],
    ['a FITS header without end', longHeader(), 'a.fits', ['TRUNCATED']],
    ['a JPEG whose EXIF points far away', deepJpeg(), 'a.jpg', ['TRUNCATED', 'CORRUPT', 'NO_PIXELS']],
    ['a RAF with wild pointers', raf(), 'a.raf', ['UNSUPPORTED_FORMAT', 'TRUNCATED', 'CORRUPT']],
    ['a CR3 with an endless box', cr3(), 'a.cr3', ['UNSUPPORTED_FORMAT', 'TRUNCATED', 'CORRUPT']],
    [
      'a PNG of 2^31 px',
      (() => {
        const b = fixture('g16.png').slice();
        b.set([0x7f, 0xff, 0xff, 0xff], 16);
        return b;
      })(),
      'a.png',
      ['TOO_LARGE'],
    ],
    ['nothing but zeros', new Uint8Array(30_000_000), 'a.cr2', ['ALL_ZERO']],
    ['no bytes', new Uint8Array(0), 'a.cr2', ['EMPTY_FILE']],
  ];
  for (const [name, bytes, path, codes] of cases) {
    it(name, async () => {
      const { code, ms, gained } = await measured(() => readPixels(bytes, path));
      expect(codes).toContain(code);
      expect(ms).toBeLessThan(LIMIT_MS);
      expect(gained).toBeLessThan(LIMIT_BYTES);
      const header = await measured(() => readHeader(bytes, path));
      expect(header.ms).toBeLessThan(LIMIT_MS);
      expect(header.gained).toBeLessThan(LIMIT_BYTES);
    });
  }
  it('the error carries path and byte offset', async () => {
    const error = await readPixels(claim(60_000, 6000), 'card/IMG_1.TIF').catch((caught: unknown) => caught);
    expect(error).toBeInstanceOf(FormatError);
    expect(error).toMatchObject({ path: 'card/IMG_1.TIF', byteOffset: 8 });
  });
  it('a gzip bomb stops at the limit of what a FITS header needs', async () => {
    const { gzipSync } = await import('node:zlib');
    const bomb = new Uint8Array(gzipSync(Buffer.alloc(200_000_000)));
    const { code, ms } = await measured(() => readPixels(bomb, 'a.fits.gz'));
    expect(code).toBe('UNSUPPORTED_FORMAT');
    expect(ms).toBeLessThan(LIMIT_MS);
  });
});

/** Where the system says how high memory went, and forgets it on request. @source Linux proc(5), clear_refs 5, VmHWM. */
function makePeakMeter(): { readonly begin: () => void; readonly gained: () => number } {
  let start = process.memoryUsage.rss();
  const highest = () =>
    1024 * Number(/^VmHWM:\s+(\d+)/m.exec(readFileSync('/proc/self/status', 'utf8'))?.[1]);
  try {
    writeFileSync('/proc/self/clear_refs', '5');
    highest();
  } catch {
    // Another system: what is still held afterwards is all that can be seen.
    return {
      begin: () => {
        start = process.memoryUsage.rss();
      },
      gained: () => process.memoryUsage.rss() - start,
    };
  }
  return {
    begin: () => {
      writeFileSync('/proc/self/clear_refs', '5');
      start = process.memoryUsage.rss();
    },
    gained: () => highest() - start,
  };
}

/** One mutation: bytes flipped, a run overwritten, a cut, or a piece copied elsewhere. */
function mutate(bytes: Uint8Array, random: () => number): Uint8Array {
  const pick = (n: number) => Math.floor(random() * n);
  // Headers are where the trouble is: half the hits go to the first kilobyte.
  const place = () => (random() < 0.5 ? pick(Math.min(1024, bytes.length)) : pick(bytes.length));
  const out = bytes.slice();
  switch (pick(5)) {
    case 0:
      return out.subarray(0, pick(out.length));
    case 1:
      for (let n = 1 + pick(8); n > 0; n--) out[place()] = pick(256);
      return out;
    case 2: {
      const at = place();
      out.fill([0, 0xff, 0x7f, 0x80][pick(4)]!, at, at + 1 + pick(16));
      return out;
    }
    case 3: {
      const [from, to] = [place(), place()];
      out.copyWithin(to, from, from + 4 + pick(64));
      return out;
    }
    default:
      for (let n = 1 + pick(4); n > 0; n--) {
        const at = place();
        out[at] = out[at]! ^ (1 << pick(8));
      }
      return out;
  }
}

describe('mutated files give a FormatError or a picture', async () => {
  const data = Uint16Array.from({ length: 96 * 80 }, (_, i) => 500 + ((i * 37) % 9000));
  const base = {
    width: 96,
    height: 80,
    data,
    cfa: { width: 2, height: 2, colors: [0, 1, 1, 2] as const },
    blackLevel: 512,
    whiteLevel: 16_383,
    colorMatrix: [1, 0, 0, 0, 1, 0, 0, 0, 1],
    asShotNeutral: [0.5, 1, 0.6] as const,
    exif: {
      cameraMake: 'Tarn',
      cameraModel: 'T1',
      exposureTime: 15,
      iso: 3200,
      gps: { latitude: 1, longitude: 2 },
    },
  };
  const jpeg = await writeJpeg({
    width: 48,
    height: 32,
    data: new Uint8Array(48 * 32 * 3).map((_, i) => (i * 7) % 256),
    exif: base.exif,
  });
  const samples: [string, Uint8Array][] = [
    ['a.dng', writeDng({ ...base, preview: { jpeg, width: 48, height: 32 } })],
    ['b.dng', losslessDng(data)],
    ['a.nef', writeDng(base)],
    ['a.jpg', jpeg],
    ['a.tif', writeTiff({ width: 20, height: 20, planes: 3, data: data.slice(0, 1200), exif: base.exif })],
    ['b.tif', fixture('rgb16_MM.tif')],
    ['a.png', fixture('g16.png')],
    [
      'a.fits',
      writeFits({ width: 20, height: 20, planes: 3, data: Float32Array.from(data.subarray(0, 1200)) }),
    ],
    ['b.fits', fixture('u16.fits')],
    ['e.jpg', fixture('e03_south_west_gps.jpg')],
  ];
  const runs = process.env.NIGHTCAIRN_FULL === '1' ? 20_000 : 500;

  it(`${runs} mutations over all readers: no crash, no hang, no other error, no great allocation`, {
    timeout: 1_800_000,
  }, async () => {
    const random = seededRandom(20_261_125);
    const meter = makePeakMeter();
    let slowest = 0;
    let hungriest = 0;
    let refused = 0;
    for (let n = 0; n < runs; n++) {
      const [path, bytes] = samples[n % samples.length]!;
      const mutated = mutate(bytes, random);
      meter.begin();
      const start = performance.now();
      for (const read of [readHeader, readPixels]) {
        try {
          await read(mutated, path);
        } catch (error) {
          if (!(error instanceof FormatError))
            throw new Error(`mutation ${n} of ${path}: ${String(error)}`, { cause: error });
          refused++;
        }
      }
      readThumbnail(mutated, path);
      slowest = Math.max(slowest, performance.now() - start);
      hungriest = Math.max(hungriest, meter.gained());
    }
    console.log(
      `${runs} mutations: ${refused} refusals, slowest ${slowest.toFixed(0)} ms, most memory ${(hungriest / 1e6).toFixed(0)} MB`,
    );
    expect(refused).toBeGreaterThan(runs / 10); // the mutations do bite
    expect(slowest).toBeLessThan(2000); // no hang over 2 s
    expect(hungriest).toBeLessThan(LIMIT_BYTES); // nor an allocation over the limit
  });
});

function losslessDng(data: Uint16Array): Uint8Array {
  const block = encodeLosslessJpeg(data, 96, 80);
  const tags: Record<number, TagValue> = {
    254: long(0),
    256: long(96),
    257: long(80),
    258: short(16),
    259: short(7),
    262: short(32_803),
    271: { type: 'ascii', text: 'Tarn' },
    272: { type: 'ascii', text: 'T1' },
    273: { type: 'blocks', blocks: [block] },
    277: short(1),
    278: long(80),
    279: long(block.byteLength),
    33421: short(2, 2),
    33422: { type: 'byte', bytes: [0, 1, 1, 2] },
    50706: { type: 'byte', bytes: [1, 4, 0, 0] },
    50708: { type: 'ascii', text: 'Tarn T1' },
    50714: { type: 'rational', values: [512] },
  };
  return layTiff([Object.entries(tags).map(([id, value]) => ({ id: Number(id), value }))]);
}
