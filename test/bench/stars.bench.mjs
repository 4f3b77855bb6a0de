// node test/bench/stars.bench.mjs [--only measure] [--sizes 6000x4000]; needs `npm run build`. Prints processor time, one core.
import { cpus, totalmem } from 'node:os';
import { gaussian, seededRandom } from '../../dist/src/core/index.js';
import { detectionPlane, firstLandMask, measureFrame } from '../../dist/src/stars/index.js';

const argument = (name, fallback) => {
  const at = process.argv.indexOf(name);
  return at > 0 ? process.argv[at + 1] : fallback;
};
const [width, height] = argument('--sizes', '6000x4000').split('x').map(Number);
const only = argument('--only', '');
console.log(
  `node ${process.version} | V8 ${process.versions.v8} | ${cpus()[0].model} x ${cpus().length} | ${(totalmem() / 2 ** 30).toFixed(0)} GiB`,
);

const random = seededRandom(1);
const table = Float32Array.from({ length: 1 << 20 }, () => gaussian(random));
const data = new Float32Array(width * height);
for (let i = 0; i < data.length; i++)
  data[i] = 600 + 0.02 * (i % width) + 20 * table[(random() * table.length) | 0];
const starCount = Math.round((width * height) / 6000);
const truth = [];
for (let k = 0; k < starCount; k++) {
  const [x, y, flux] = [random() * width, random() * height, 1200 / (0.02 + random())];
  truth.push([x, y, flux]);
  for (let py = Math.max(0, (y | 0) - 8); py < Math.min(height, y + 9); py++) {
    for (let px = Math.max(0, (x | 0) - 8); px < Math.min(width, x + 9); px++) {
      data[py * width + px] +=
        (flux / (2 * Math.PI * 1.96)) * Math.exp(-((px - x) ** 2 + (py - y) ** 2) / 3.92);
    }
  }
}
const plane = { width, height, data };
const cfa = { width: 2, height: 2, colors: [0, 1, 1, 2] };
const raw = {
  kind: 'mosaic',
  ...plane,
  cfa,
  blackLevel: [0],
  whiteLevel: [60_000, 60_000, 60_000],
  quantization: 1,
  decoder: '',
  warnings: [],
};
const options = { saturation: 60_000, quantization: 1 };

// Right before fast: every star above signal-to-noise 20 is found within half a pixel.
const check = measureFrame(plane, { ...options, maxStars: starCount });
const grid = new Map();
for (let i = 0; i < check.stars.count; i++) {
  const key = `${Math.floor(check.stars.x[i] / 4)},${Math.floor(check.stars.y[i] / 4)}`;
  grid.set(key, [...(grid.get(key) ?? []), i]);
}
let missed = 0;
let clear = 0;
for (const [x, y, flux] of truth) {
  if (flux / (20 * Math.sqrt(4 * Math.PI) * 1.4) < 20 || x < 8 || y < 8 || x > width - 9 || y > height - 9)
    continue;
  clear++;
  let found = false;
  for (let dy = -1; dy <= 1; dy++)
    for (let dx = -1; dx <= 1; dx++)
      for (const i of grid.get(`${Math.floor(x / 4) + dx},${Math.floor(y / 4) + dy}`) ?? [])
        if (Math.hypot(check.stars.x[i] - x, check.stars.y[i] - y) < 0.8) found = true;
  if (!found) missed++;
}
// Pairs nearer than a fwhm are one peak: about 2 % of this many random stars.
if (missed > 0.04 * clear) throw new Error(`missed ${missed} of ${clear} stars`);

let sink = check.stars.count;
const cases = {
  measure: () => measureFrame(plane, options).stars.count,
  plane: () => detectionPlane(raw).data[0],
  land: () => firstLandMask({ width, height, planes: [plane], starTables: [check.stars] })?.data[0] ?? 0,
};
console.log('case | size | workers | min s | median s | Mpx/s');
for (const [name, run] of Object.entries(cases)) {
  if (only && only !== name) continue;
  run();
  const times = [];
  for (let k = 0; k < 5; k++) {
    const before = process.cpuUsage();
    sink += run();
    const used = process.cpuUsage(before);
    times.push((used.user + used.system) / 1e6);
  }
  times.sort((a, b) => a - b);
  console.log(
    `${name} | ${width}x${height} | 1 | ${times[0].toFixed(2)} | ${times[2].toFixed(2)} | ${((width * height) / 1e6 / times[2]).toFixed(1)}`,
  );
}
if (!Number.isFinite(sink)) throw new Error('nothing was computed');
