// Speed of the alignment: 60 frames of 400 stars, the whole way from star tables to the model, and the warp
// grid of one frame of 24 megapixels. Usage: node test/bench/alignment.bench.mjs [--sizes small] [--only align|grid]
import { cpus, totalmem } from 'node:os';
import { parseArgs } from 'node:util';
import {
  alignSequence,
  applyRotation,
  mapper,
  projectDirection,
  rotationAbout,
  warpGrid,
} from '../../dist/src/alignment/index.js';
import { gaussian, makeStarTable, seededRandom } from '../../dist/src/core/index.js';
import { heading, line, time } from './table.mjs';

const { values } = parseArgs({
  options: { only: { type: 'string' }, sizes: { type: 'string' }, workers: { type: 'string' } },
});
const small = values.sizes === 'small';
const [frameCount, starCount] = small ? [8, 100] : [60, 400];
const [width, height] = [6000, 4000];
console.log(
  `node ${process.version}  V8 ${process.versions.v8}  ${cpus()[0].model} x ${cpus().length}  ${(totalmem() / 1e9).toFixed(0)} GB`,
);

/** A run of 24 mm frames every 20 s, seeded: the stars turn about a pole above the frame. */
function makeRun() {
  const random = seededRandom(11);
  const lens = {
    projection: 'rectilinear',
    focalLengthPx: 6400,
    centerX: 3004,
    centerY: 1995,
    k1: -0.09,
    k2: 0.03,
  };
  const pole = [0.1, -0.75, 0.65];
  const stars = [];
  while (stars.length < starCount * 1.62) {
    const d = [random() * 1.2 - 0.6, random() * 0.8 - 0.4, 1];
    const n = Math.hypot(...d);
    stars.push({ d: d.map((v) => v / n), snr: 8 / (0.004 + 0.996 * random()) ** 0.75 });
  }
  const middle = frameCount >> 1;
  return Array.from({ length: frameCount }, (_, i) => {
    const turn = rotationAbout(pole, (15.041 * 20 * (i - middle)) / 3600);
    const rows = [];
    for (const { d, snr } of stars) {
      const [x, y] = projectDirection(lens, applyRotation(turn, d));
      if (!(x > 2 && y > 2 && x < width - 3 && y < height - 3) || random() < 0.04) continue;
      const error = Math.hypot(0.03, 1.5 / snr);
      rows.push({ x: x + error * gaussian(random), y: y + error * gaussian(random), snr, error });
    }
    rows.sort((a, b) => b.snr - a.snr);
    const table = makeStarTable(rows.length);
    rows.forEach((row, k) => {
      table.x[k] = row.x;
      table.y[k] = row.y;
      table.flux[k] = 100 * row.snr;
      table.snr[k] = row.snr;
      table.positionError[k] = row.error;
    });
    return { id: `f${i}`, stars: table, time: 20 * i, exposureTime: 15 };
  });
}

const run = makeRun();
const options = { width, height, focalLengthPx: 6000 };
const first = alignSequence(run, options);
if (first.method !== 'sky-motion' || first.frames.some((f) => f.status !== 'fitted'))
  throw new Error('the run does not align');
if (JSON.stringify(alignSequence(run, options)) !== JSON.stringify(first)) throw new Error('two runs differ');
const seen = Math.round(run.reduce((sum, f) => sum + f.stars.count, 0) / run.length);
heading('| goal');
let sink = 0;
if (!values.only || values.only === 'align') {
  const result = await time(
    () => {
      sink += alignSequence(run, options).rms;
    },
    small ? 300 : 8000,
  );
  line({
    name: 'align',
    size: `${frameCount} x ${seen} stars`,
    result,
    pixels: frameCount * seen,
    extra: '| < 2000 ms',
  });
}
if (!values.only || values.only === 'grid') {
  const result = await time(() => {
    sink += warpGrid(first, 0).x[5];
  });
  line({
    name: 'warp grid',
    size: `${width} x ${height}, step ${warpGrid(first, 0).step}`,
    result,
    pixels: width * height,
  });
  const map = mapper(first, 0);
  const exact = await time(() => {
    for (let k = 0; k < 20000; k++) sink += map((k * 7919) % width, (k * 104729) % height)[0];
  });
  line({ name: 'exact mapping', size: '20000 places', result: exact, pixels: 20000 });
}
if (!Number.isFinite(sink)) throw new Error('nothing was computed');
