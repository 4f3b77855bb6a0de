// Regenerates frames-fits.json. Run: npx tsc -p src/tsconfig.json && node test/golden/frames-fits.mjs
// Needs python3 with astropy, and fitsverify.
import { execFileSync } from 'node:child_process';
import { createHash } from 'node:crypto';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { fitsCardsOf, writeFits } from '../../dist/src/frames/index.js';

const python = '/usr/bin/python3';
const { astropy, files } = JSON.parse(
  execFileSync(python, [fileURLToPath(new URL('./frames-fits.py', import.meta.url))], { encoding: 'utf8' }),
);
const folder = mkdtempSync(join(tmpdir(), 'frames-fits-'));
const written = {};
let version = '';
const { written: inputs } = JSON.parse(
  readFileSync(new URL('./frames-fits-content.json', import.meta.url), 'utf8'),
);
for (const [name, { header, data, ...content }] of Object.entries(inputs)) {
  // JSON has no NaN: null stands for it.
  const samples = Float32Array.from(data, (value) => value ?? Number.NaN);
  const bytes = writeFits({
    ...content,
    data: samples,
    cards: [...fitsCardsOf(header), ...(content.cards ?? [])],
  });
  const path = join(folder, `${name}.fits`);
  writeFileSync(path, bytes);
  const report = execFileSync('fitsverify', [path], { encoding: 'utf8' });
  version = /fitsverify \S+ \(.*?\)/.exec(report)[0];
  const read = JSON.parse(
    execFileSync(
      python,
      [
        '-c',
        'import sys,json,numpy as np\nfrom astropy.io import fits\nh=fits.open(sys.argv[1]); h.verify("exception"); d=h[0].data\nprint(json.dumps({"shape":list(d.shape),"values":[None if np.isnan(v) else float(v) for v in d.ravel()],"cards":{k:h[0].header[k] for k in h[0].header if k not in ("HISTORY","COMMENT","")}}))',
        path,
      ],
      { encoding: 'utf8' },
    ),
  );
  written[name] = {
    sha256: createHash('sha256').update(bytes).digest('hex'),
    fitsverify: /\*{4} .* \*{4}/.exec(report)[0],
    astropy: read,
  };
}
rmSync(folder, { recursive: true });
writeFileSync(
  new URL('./frames-fits.json', import.meta.url),
  `${JSON.stringify({
    source: `astropy ${astropy} (reading and writing), ${version}`,
    version: `astropy ${astropy}`,
    command: 'node test/golden/frames-fits.mjs',
    date: '2026-11-25',
    verified:
      'files: written by astropy alone; written: our bytes, by hash, as fitsverify and astropy read them',
    files,
    written,
  })}\n`,
);
