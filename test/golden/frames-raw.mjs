// Regenerates frames-raw.json: raw samples as LibRaw's own tool unpacks them.
// Run: npx tsc -p src/tsconfig.json && node test/golden/frames-raw.mjs /path/to/real
// Needs LibRaw's unprocessed_raw and raw-identify, python3 with tifffile.
import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { writeDng } from '../../dist/src/frames/index.js';

const real = process.argv[2] ?? fileURLToPath(new URL('../../../shared/real', import.meta.url));
const folder = mkdtempSync(join(tmpdir(), 'frames-raw-'));
const sha256 = (bytes) => createHash('sha256').update(bytes).digest('hex');
const content = JSON.parse(readFileSync(new URL('./frames-dng-content.json', import.meta.url), 'utf8'));

function unpack(bytes, name) {
  const path = join(folder, name);
  writeFileSync(path, bytes);
  const told = execFileSync('unprocessed_raw', ['-T', path], { encoding: 'utf8' });
  const [, width, height] = /Image size: (\d+)x(\d+)/.exec(told).map(Number);
  const [, top, left] = /Margins: top=(\d+), left=(\d+)/.exec(told).map(Number);
  const script =
    'import sys,hashlib,json,tifffile\na=tifffile.imread(sys.argv[1]); t,l,h,w=map(int,sys.argv[2:6]); v=a[t:t+h,l:l+w].astype("<u2")\nprint(json.dumps({"samples":hashlib.sha256(v.tobytes()).hexdigest(),"first":v[0,:8].tolist()}))';
  const read = JSON.parse(
    execFileSync('/usr/bin/python3', ['-c', script, `${path}.tiff`, top, left, height, width].map(String), {
      encoding: 'utf8',
    }),
  );
  const identified = execFileSync('raw-identify', ['-v', path], { encoding: 'utf8' });
  return {
    width,
    height,
    top,
    left,
    pattern: /Filter pattern: (\w{4})/.exec(identified)?.[1],
    asShot: /As shot\s+([\d.]+) ([\d.]+) ([\d.]+)/.exec(identified)?.slice(1).map(Number),
    ...read,
  };
}

const values = {};
for (const name of ['CRW.CRW', 'colorchart.dng', 'RAW_KODAK_DC50.KDC']) {
  const bytes = readFileSync(join(real, 'raw/whole', name));
  values[sha256(bytes)] = unpack(bytes, name);
}
const written = {};
for (const [name, part] of Object.entries(content.written)) {
  const data = Uint16Array.from(
    { length: part.width * part.height },
    (_, i) => content.low + ((i * 7919) % content.span),
  );
  const bytes = writeDng({
    ...part,
    data,
    colorMatrix: [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.7],
    asShotNeutral: [0.5, 1, 0.65],
    exif: { cameraMake: 'Tarn', cameraModel: 'Tarn T1' },
  });
  written[name] = { sha256: sha256(bytes), ...unpack(bytes, 'written.dng') };
}
rmSync(folder, { recursive: true });
writeFileSync(
  new URL('./frames-raw.json', import.meta.url),
  `${JSON.stringify(
    {
      source: "LibRaw's unprocessed_raw and raw-identify",
      version: '0.20.2',
      command: 'node test/golden/frames-raw.mjs',
      date: '2026-11-25',
      verified:
        'samples = SHA-256 of the visible raw samples, u16 little-endian, black still in; key = SHA-256 of the file',
      values,
      written,
    },
    null,
    1,
  )}\n`,
);
