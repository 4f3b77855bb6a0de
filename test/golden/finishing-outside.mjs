// What outside tools read in a finished picture and its linear files:
//   NIGHTCAIRN_KEEP=DIR npx vitest run --config test/vitest.config.ts test/workflow/finish.test.ts -t "every file"
//   node test/golden/finishing-outside.mjs DIR > test/golden/finishing-outside.json
import { execFileSync, spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';

const run = (tool, args) => {
  const done = spawnSync(tool, args, { encoding: 'utf8', maxBuffer: 1 << 26 });
  return done.status === null ? undefined : `${done.stdout}${done.stderr}`;
};

/** True when every tool is there. */
export const haveTools = () =>
  ['exiftool', 'identify', 'tiffinfo', 'tiffcp', 'fitsverify'].every(
    (tool) => run(tool, ['-ver']) !== undefined,
  );

const EXIF = ['-j', '-G1', '-n', '-a'];
const KEEP =
  /^(IFD0:(ImageDescription|Make|Model|Orientation|Software|BitsPerSample|Compression|PhotometricInterpretation|ImageWidth|ImageHeight)|ExifIFD:(ExposureTime|FNumber|ISO|DateTimeOriginal|OffsetTimeOriginal|LensModel|FocalLength|ColorSpace|ExifImageWidth|ExifImageHeight)|GPS:GPSL(at|ong)itude(Ref)?|ICC_Profile:(ProfileDescription|RedMatrixColumn)|File:(ImageWidth|ImageHeight|MIMEType))$/;

function exif(path) {
  const [all] = JSON.parse(execFileSync('exiftool', [...EXIF, path], { encoding: 'utf8' }));
  return Object.fromEntries(Object.entries(all).filter(([key]) => KEEP.test(key)));
}

const identify = (path) =>
  run('identify', ['-format', '%m %w %h %z-bit %[colorspace] %[channels]', path]).trim();

function tiff(path) {
  const text = run('tiffinfo', [path]);
  const row = (name) => new RegExp(`${name}: (.+)`).exec(text)?.[1].trim();
  return {
    bitsPerSample: row('Bits/Sample'),
    sampleFormat: row('Sample Format'),
    compression: row('Compression Scheme'),
    photometric: row('Photometric Interpretation'),
    samplesPerPixel: row('Samples/Pixel'),
    planar: row('Planar Configuration'),
    copied: spawnSync('tiffcp', ['-c', 'none', path, `${path}.copy`]).status === 0,
  };
}

const fits = (path) =>
  /Verification found .*/
    .exec(run('fitsverify', [path]))?.[0]
    .replace(/\**$/, '')
    .trim();

/** The values of all tools over one stack's folder. */
export function outsideValues(stack) {
  const picture = (tail) => join(stack, 'pictures', `with-place${tail}`);
  return {
    jpeg: { exiftool: exif(picture('.jpg')), imageMagick: identify(picture('.jpg')) },
    tiff: {
      exiftool: exif(picture('.tif')),
      imageMagick: identify(picture('.tif')),
      libtiff: tiff(picture('.tif')),
    },
    linearTiff: {
      exiftool: exif(join(stack, 'linear.tif')),
      imageMagick: identify(join(stack, 'linear.tif')),
      libtiff: tiff(join(stack, 'linear.tif')),
    },
    fits: { fitsverify: fits(join(stack, 'linear.fits')) },
  };
}

if (import.meta.url === pathToFileURL(process.argv[1]).href) {
  const nights = join(process.argv[2], 'library', 'nights');
  const stacks = join(nights, readdirSync(nights)[0], 'stacks');
  const stack = join(stacks, readdirSync(stacks)[0]);
  const line = (text, n = 0) => text.split('\n')[n].trim();
  const sha = createHash('sha256')
    .update(readFileSync(join(stack, 'linear.fits')))
    .digest('hex');
  console.log(
    JSON.stringify(
      {
        source:
          'exiftool, ImageMagick, libtiff and fitsverify over the files that test/workflow/finish.test.ts writes',
        version: {
          exiftool: line(run('exiftool', ['-ver'])),
          imageMagick: line(run('identify', ['-version'])).replace(/ http.*/, ''),
          libtiff: line(run('tiffinfo', ['-h']) ?? ''),
          fitsverify: /fitsverify [^\n]+/.exec(run('fitsverify', [join(stack, 'linear.fits')]))?.[0].trim(),
        },
        command:
          'exiftool -j -G1 -n -a FILE; identify -format "%m %w %h %z-bit %[colorspace] %[channels]" FILE; tiffinfo FILE; tiffcp -c none FILE COPY; fitsverify FILE',
        inputSha256: { 'linear.fits': sha },
        ...outsideValues(stack),
      },
      null,
      2,
    ),
  );
}
