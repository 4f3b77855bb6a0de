// Build step: packs the stars to magnitude 8 of d3-celestial (BSD-3-Clause, from the XHIP catalogue) into a
// module, so that nothing is read from disk at run time. Right ascension and declination J2000, deg.
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const require = createRequire(import.meta.url);
const { features } = JSON.parse(readFileSync(require.resolve('d3-celestial/data/stars.8.json'), 'utf8'));
const stars = features
  .map(({ id, properties, geometry }) => ({
    hip: id,
    ra: (geometry.coordinates[0] + 360) % 360,
    dec: geometry.coordinates[1],
    mag: properties.mag,
    bv: Number.parseFloat(properties.bv),
  }))
  .sort((a, b) => a.mag - b.mag || a.hip - b.hip);
const packed = new Float32Array(stars.length * 4);
for (const [i, s] of stars.entries())
  packed.set([s.ra, s.dec, s.mag, Number.isFinite(s.bv) ? s.bv : 0.6], i * 4);
const base64 = Buffer.from(packed.buffer).toString('base64');
mkdirSync(new URL('.', import.meta.url), { recursive: true });
writeFileSync(
  new URL('./star-data.generated.ts', import.meta.url),
  `// Made by make-star-data.mjs; not committed.\nexport const STAR_COUNT = ${stars.length};\n` +
    `/** f32 little-endian: right ascension, declination (deg, J2000), magnitude, B-V; brightest first. */\n` +
    `export const STAR_DATA_BASE64 =\n  '${base64}';\n`,
);
