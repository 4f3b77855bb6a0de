import { createHash } from 'node:crypto';
import { existsSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import sharp from 'sharp';
import { beforeAll, describe, expect, it } from 'vitest';
import { gaussian, InputError, makePlane, StorageError, seededRandom } from '../../src/core/index.js';
import { finishPicture, LOOKS, writeLook } from '../../src/finishing/index.js';
import { readHeader } from '../../src/frames/index.js';
import { loadKernelsFromDisk } from '../../src/kernels/index.js';
import { findSession, openLibrary, saveStack, sequencesOf, stacksOf } from '../../src/library/index.js';
import { writeLinearFacts } from '../../src/workflow/_linear-facts.js';
import {
  type StackFacts,
  writeGrey,
  writeLinearFits,
  writeLinearTiff,
} from '../../src/workflow/_stack-files.js';
import { finish } from '../../src/workflow/finish.js';
import { importCard } from '../../src/workflow/import.js';
import { haveTools, outsideValues } from '../golden/finishing-outside.mjs';
import { makeCard, scratch } from '../library/_card.js';
import { contextOf, fakeTools } from './_fake-intake.js';

const outside = JSON.parse(
  readFileSync(new URL('../golden/finishing-outside.json', import.meta.url), 'utf8'),
);

const WIDTH = 320;
const HEIGHT = 220;
const WHITE: readonly [number, number, number] = [15000, 15000, 15000];
const COLOR = {
  multipliers: [2.05, 1, 1.62] as const,
  cameraToSrgb: [1.72, -0.58, -0.14, -0.19, 1.44, -0.25, 0.03, -0.46, 1.43],
};
const place = { site: 'Sandpiper Flat', at: { latitude: -31.25, longitude: 20.5 } };

/** Sky with a slope, stars and land below, in camera colours, taken upright (orientation 6). */
function stackPicture() {
  const random = seededRandom(3);
  const size = WIDTH * HEIGHT;
  const image = { width: WIDTH, height: HEIGHT, data: new Float32Array(3 * size) };
  const land = makePlane(WIDTH, HEIGHT);
  const coverage = makePlane(WIDTH, HEIGHT, 10);
  for (let y = 0; y < HEIGHT; y++) {
    for (let x = 0; x < WIDTH; x++) {
      const at = y * WIDTH + x;
      // Upright: the ground lies at the stored picture's right.
      land.data[at] = x > WIDTH - 50 ? 1 : x > WIDTH - 54 ? 0.5 : 0;
      if (y < 6) coverage.data[at] = 2;
      const sky = land.data[at]! > 0.4 ? 80 : 400 + 0.3 * x;
      const star = random() < 0.004 ? 4000 * random() : 0;
      [0.49, 1, 0.62].forEach((share, c) => {
        image.data[c * size + at] = share * (sky + star) + 4 * gaussian(random);
      });
    }
  }
  return { image, land, coverage };
}

const FACTS: StackFacts = {
  exif: {
    cameraMake: 'Tarnwick',
    cameraModel: 'Tarnwick T3',
    lens: 'Aldermoor 24mm F2.8',
    exposureTime: 80,
    iso: 3200,
    wallTime: '2026-08-13T22:00:00',
    software: 'Nightcairn test',
  },
  totalExposure: 80,
  frames: 8,
  method: 'clipped-mean',
  start: '2026-08-13T20:00:00.000Z',
  middle: '2026-08-13T20:05:00.000Z',
  software: 'Nightcairn test',
  white: 15000,
};

const { image, land, coverage } = stackPicture();

/** A library with one stacked night; the stack's files are real, its frames are not needed. */
async function stackedNight(): Promise<{ dir: string; folder: string; sequenceId: string }> {
  const base = process.env.NIGHTCAIRN_KEEP ?? scratch.lasting();
  const [card, dir] = [join(base, 'card'), join(base, 'library')];
  makeCard(card, 8);
  await importCard(contextOf(dir), { card, ...place }, fakeTools);
  const library = openLibrary(dir, { mode: 'write' });
  try {
    const session = findSession(library, 'latest');
    const sequence = sequencesOf(library, session.id).find(({ role }) => role === 'light')!;
    const relative = `nights/${session.folder.split('/')[1]}/stacks/run-1-0a1b2c3d`;
    const folder = join(dir, relative);
    mkdirSync(folder, { recursive: true });
    await writeLinearFits(join(folder, 'linear.fits'), image, FACTS);
    await writeLinearTiff(join(folder, 'linear.tif'), image, FACTS);
    await writeGrey(join(folder, 'coverage.png'), coverage, 10);
    await writeGrey(join(folder, 'land-mask.png'), land, 1);
    await writeLinearFacts(folder, {
      ...{ width: WIDTH, height: HEIGHT, facts: FACTS, whiteLevel: WHITE, color: COLOR, orientation: 6 },
      sharp: { x: 20, y: 14, width: 280, height: 192 },
    });
    saveStack(library, {
      sequenceId: sequence.id,
      folder: relative,
      method: 'clipped-mean',
      framesUsed: 8,
      totalExposure: 80,
      body: { files: { pictureJpeg: `${relative}/picture.jpg` } },
    });
    return { dir, folder, sequenceId: sequence.id };
  } finally {
    library.close();
  }
}

describe('finish', () => {
  let night: Awaited<ReturnType<typeof stackedNight>>;
  beforeAll(async () => {
    night = await stackedNight();
  });
  const run = (config: Parameters<typeof finish>[2] = {}, target = 'latest', workers = 2) =>
    finish({ ...contextOf(night.dir), workers }, target, config);
  const change = (field: 'skyLevel' | 'gradient' | 'starSoftening', value: number) => ({
    changes: [{ field, value, label: field }],
  });

  it('gives the same bytes for one and for three workers, and those of the whole picture made at once', async () => {
    const one = await run({ name: 'one' }, 'latest', 1);
    const three = await run({ name: 'three' }, 'latest', 3);
    const bytes = (result: typeof one) => readFileSync(result.pictures[0]!.stack.files.pictureTiff!);
    expect(bytes(one).equals(bytes(three))).toBe(true);
    const stack = { image, coverage, landShare: land, whiteLevel: WHITE, color: COLOR, orientation: 6 };
    const whole = finishPicture(stack, LOOKS['still-night']!, await loadKernelsFromDisk());
    // The strips lie in one piece behind the header.
    const file = bytes(one);
    expect(file.indexOf(Buffer.from(whole.data.buffer)) > 0).toBe(true);
  });

  it('finds the stack by id, folder, file, sequence and session', async () => {
    const id = `${night.sequenceId}/0a1b2c3d`;
    for (const target of [id, night.folder, join(night.folder, 'linear.tif'), night.sequenceId, 'latest']) {
      const { pictures } = await run({ name: 'found' }, target);
      expect(pictures.map(({ stack }) => stack.id)).toEqual([id]);
    }
    await expect(run({}, 'no-such-stack')).rejects.toMatchObject({
      code: 'UNKNOWN_ID',
      message: expect.stringContaining(id),
    });
  });

  it('lets pictures of one stack stand side by side, each with a recipe that says how', async () => {
    const plain = await run();
    const bright = await run({ look: 'river-of-light' });
    const darker = await run(change('skyLevel', 8));
    const names = [plain, bright, darker].map(({ pictures }) => pictures[0]!.name);
    expect(names[0]).toBe('still-night');
    expect(names[1]).toBe('river-of-light');
    expect(names[2]).toMatch(/^still-night-[0-9a-f]{6}$/);
    const recipe = JSON.parse(readFileSync(darker.pictures[0]!.stack.files.pictureRecipe!, 'utf8'));
    expect(recipe.look).toMatchObject({ name: 'still-night', skyPercent: 8, saturationTimes: 1.35 });
    const library = openLibrary(night.dir, { mode: 'read' });
    try {
      const stored = stacksOf(library, night.sequenceId)[0]!.body.pictures!.map(({ name }) => name);
      for (const name of names) expect(stored).toContain(name);
    } finally {
      library.close();
    }
    const level = async (path: string) => (await sharp(path).stats()).channels[1]!.mean;
    expect(await level(darker.pictures[0]!.stack.files.pictureJpeg!)).toBeLessThan(
      await level(bright.pictures[0]!.stack.files.pictureJpeg!),
    );
  });

  it('writes every file of a picture, turned for viewing, with profile and EXIF; the place only when asked', async () => {
    const { pictures } = await run({ name: 'no place' });
    const told = await run({ name: 'with place', location: true });
    const { files } = pictures[0]!.stack;
    for (const key of ['pictureTiff', 'pictureJpeg', 'preview', 'thumbnail', 'gradient', 'pictureRecipe'])
      expect(existsSync(files[key]!), key).toBe(true);
    const meta = await sharp(files.pictureJpeg).metadata();
    expect([meta.width! < meta.height!, meta.icc !== undefined]).toEqual([true, true]);
    const exif = meta.exif!.toString('latin1');
    for (const word of ['Tarnwick T3', 'Aldermoor 24mm F2.8', 'Nightcairn test'])
      expect(exif).toContain(word);
    // 0x8825, the pointer to the GPS directory, little-endian, type LONG.
    const gps = '\x25\x88\x04\x00';
    expect(exif).not.toContain(gps);
    const other = await sharp(told.pictures[0]!.stack.files.pictureJpeg).metadata();
    expect(other.exif!.toString('latin1')).toContain(gps);
  });

  it('writes files that outside tools read as meant', async (context) => {
    const { pictures } = await run({ name: 'with place', location: true });
    const { files } = pictures[0]!.stack;
    // What general libraries read here is what the outside tools read when the golden values were taken.
    for (const [path, kind] of [
      [files.pictureJpeg!, 'jpeg'],
      [files.pictureTiff!, 'tiff'],
      [join(night.folder, 'linear.tif'), 'linearTiff'],
    ] as const) {
      const told = outside[kind].exiftool;
      const meta = await sharp(path).metadata();
      const header = await readHeader(readFileSync(path), path);
      expect([meta.width, meta.height]).toEqual([
        told['File:ImageWidth'] ?? told['IFD0:ImageWidth'],
        told['File:ImageHeight'] ?? told['IFD0:ImageHeight'],
      ]);
      expect(meta.depth).toBe(kind === 'jpeg' ? 'uchar' : 'ushort');
      expect(outside[kind].imageMagick).toContain(kind === 'jpeg' ? '8-bit' : '16-bit');
      expect(header.cameraModel).toBe(told['IFD0:Model']);
      expect(header.lens).toBe(told['ExifIFD:LensModel']);
      expect(header.exposureTime).toBe(told['ExifIFD:ExposureTime']);
      expect(header.iso).toBe(told['ExifIFD:ISO']);
      expect(header.gps?.latitude).toBe(
        kind === 'linearTiff' ? undefined : -told['GPS:GPSLatitude']!, // south
      );
      expect(meta.icc!.toString('latin1')).toContain(told['ICC_Profile:ProfileDescription']);
    }
    expect(outside.fits.fitsverify).toBe('Verification found 0 warning(s) and 0 error(s).');
    expect(outside.tiff.libtiff.copied && outside.linearTiff.libtiff.copied).toBe(true);
    const sha = createHash('sha256')
      .update(readFileSync(join(night.folder, 'linear.fits')))
      .digest('hex');
    expect(sha).toBe(outside.inputSha256['linear.fits']);
    if (!haveTools())
      return context.skip('exiftool, ImageMagick, libtiff-tools and fitsverify are not installed here');
    const { source: _source, version: _version, command: _command, inputSha256: _sha, ...values } = outside;
    expect(outsideValues(night.folder)).toEqual(values);
  });

  it('crops to what is covered, to everything, to the sharp part, or to a rectangle as it is viewed', async () => {
    const size = async (crop: NonNullable<Parameters<typeof finish>[2]>['crop']) => {
      const [made] = (await run({ name: 'crop', crop: crop! })).pictures;
      return [made!.width, made!.height];
    };
    expect(await size('whole')).toEqual([HEIGHT, WIDTH]);
    // Six thinly covered rows of the stored picture are columns of the turned one.
    expect(await size('covered')).toEqual([HEIGHT - 6, WIDTH]);
    expect(await size('sharp')).toEqual([192, 280]);
    expect(await size({ x: 0, y: 0, width: 100, height: 60 })).toEqual([100, 60]);
    await expect(run({ crop: { x: 200, y: 0, width: 100, height: 60 } })).rejects.toMatchObject({
      code: 'VALUE_OUT_OF_RANGE',
    });
  });

  it('takes the photographer’s own look file, and says what is wrong with one', async () => {
    const file = join(night.dir, 'mine.json');
    writeFileSync(file, JSON.stringify({ like: 'river-of-light', skyPercent: 11 }));
    const { pictures } = await run({ look: file });
    expect(pictures[0]!.look).toMatchObject({ name: 'mine', skyLevel: 0.11, bandLevel: 0.56 });
    writeFileSync(file, writeLook(LOOKS['as-it-was']!));
    expect((await run({ look: file })).pictures[0]!.look).toEqual(LOOKS['as-it-was']);
    for (const [text, fragment] of [
      ['{"skyPercent": 90}', 'from 2 to 50 %'],
      ['{"skyPercent": "dark"}', 'Expected a number for skyPercent'],
      ['{"sky": 9}', '"sky"'],
      ['[1]', 'Expected a look'],
      ['{', 'cannot be read'],
    ] as const) {
      writeFileSync(file, text);
      await expect(run({ look: file })).rejects.toThrow(fragment);
      await expect(run({ look: file })).rejects.toBeInstanceOf(InputError);
    }
    await expect(run({ look: join(night.dir, 'none.json') })).rejects.toThrow('still-night, river-of-light');
  });

  it('leaves the gradient where it was when told so, and takes it off else', async () => {
    const slope = async (percent: number) => {
      const [made] = (await run({ name: 'slope', ...change('gradient', percent) })).pictures;
      const { data, info } = await sharp(made!.stack.files.pictureJpeg)
        .raw()
        .toBuffer({ resolveWithObject: true });
      // Far from the land and near it, along the stored picture's x, which is viewed as y.
      const row = (y: number) => {
        const values = Array.from({ length: info.width }, (_, x) => data[(y * info.width + x) * 3 + 1]!);
        return values.sort((a, b) => a - b)[info.width >> 1]!;
      };
      return row(250) - row(10);
    };
    expect(await slope(0)).toBeGreaterThan(8);
    expect(Math.abs(await slope(100))).toBeLessThan(4); // 8-bit steps; a sixth of the slope at most
  });

  it('holds small stars back when asked', async () => {
    const bright = async (percent: number) => {
      const [made] = (await run({ name: 'stars', ...change('starSoftening', percent) })).pictures;
      const { data } = await sharp(made!.stack.files.pictureJpeg).raw().toBuffer({ resolveWithObject: true });
      return data.reduce((n, value) => n + (value > 150 ? 1 : 0), 0);
    };
    expect(await bright(80)).toBeLessThan(0.5 * (await bright(0)));
  });

  it('says what to do when files of the stack are gone', async () => {
    const lost = await stackedNight();
    writeFileSync(join(lost.folder, 'linear.json'), '{');
    await expect(finish(contextOf(lost.dir), 'latest')).rejects.toMatchObject({ code: 'NOT_READABLE' });
    await expect(finish(contextOf(lost.dir), 'latest')).rejects.toBeInstanceOf(StorageError);
  });
});
