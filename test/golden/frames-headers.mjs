// Regenerates frames-headers.json: what exiftool says of the real files, keyed by content hash.
// Run: node test/golden/frames-headers.mjs /path/to/real   (needs exiftool)
import { execFileSync, spawnSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';

const real = process.argv[2] ?? fileURLToPath(new URL('../../../shared/real', import.meta.url));
const folders = ['headers', 'raw/whole', 'raw/small', 'raw/cut', 'phone-milky-way'];
const tags = [
  'File:FileType',
  'EXIF:Make',
  'EXIF:Model',
  'EXIF:DateTimeOriginal',
  'EXIF:SubSecTimeOriginal',
  'EXIF:OffsetTimeOriginal',
  'EXIF:OffsetTime',
  'EXIF:ExposureTime',
  'EXIF:FNumber',
  'EXIF:ISO',
  'EXIF:RecommendedExposureIndex',
  'EXIF:FocalLength',
  'EXIF:FocalLengthIn35mmFormat',
  'EXIF:Orientation',
  'EXIF:LensModel',
  'MakerNotes:CameraTemperature',
  'MakerNotes:LongExposureNoiseReduction',
  'Composite:GPSLatitude',
  'Composite:GPSLongitude',
];
const version = execFileSync('exiftool', ['-ver'], { encoding: 'utf8' }).trim();
const files = folders.flatMap((folder) =>
  readdirSync(join(real, folder))
    .filter((name) => !name.startsWith('.'))
    .map((name) => join(real, folder, name)),
);
const args = ['-j', '-n', '-G0', '-q', '-m', ...tags.map((tag) => `-${tag}`), ...files];
// It exits 1 when some file is damaged, as several here are on purpose; the others are listed all the same.
const { stdout } = spawnSync('exiftool', args, { encoding: 'utf8' });
const records = JSON.parse(stdout);
const values = {};
for (const record of records) {
  const { SourceFile: file, ...found } = record;
  values[createHash('sha256').update(readFileSync(file)).digest('hex')] = found;
}
writeFileSync(
  new URL('./frames-headers.json', import.meta.url),
  `${JSON.stringify(
    {
      source: 'exiftool',
      version,
      command: `exiftool ${args.slice(0, 5).join(' ')} with the tags of test/golden/frames-headers.mjs`,
      date: '2026-11-25',
      verified: 'read from the same bytes; key = SHA-256 of the file',
      values,
    },
    null,
    1,
  )}\n`,
);
