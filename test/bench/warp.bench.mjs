// Warp of a frame of 24 megapixels in three colours on one core, beside OpenCV's remap on the same maps.
// node test/bench/warp.bench.mjs [--sizes small]; needs `npm run build`, and python3-opencv of Debian for the
// comparison, which is skipped, saying so, without it. Prints processor time.
import { spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { cpus, tmpdir } from 'node:os';
import { join } from 'node:path';
import { seededRandom } from '../../dist/src/core/index.js';
import { loadKernelsFromDisk, makeLanczosTable, plainKernels } from '../../dist/src/kernels/index.js';
import { heading, line } from './table.mjs';

/** Frames as in the stack: a turn of a few degrees, barrel of a few per cent, places between pixels everywhere. */
function makeMap(width, height) {
  const [cx, cy] = [(width - 1) / 2, (height - 1) / 2];
  const [c, s] = [Math.cos(0.03), Math.sin(0.03)];
  return (x, y) => {
    const [u, v] = [(x - cx) / cx, (y - cy) / cx];
    const bend = 1 + 0.004 * (u * u + v * v);
    return [cx + cx * bend * (c * u - s * v) + 3.7, cy + cx * bend * (s * u + c * v) - 2.2];
  };
}

/** Three planes of sky with stars of sigma 1.5 px, wide enough for any of the kernels to follow them. */
function makeSource(width, height) {
  const random = seededRandom(5);
  const size = width * height;
  const data = new Float32Array(3 * size).fill(500);
  for (let k = 0; k < size / 5000; k++) {
    const [x, y, peak] = [8 + random() * (width - 17), 8 + random() * (height - 17), 50 / (0.02 + random())];
    for (let py = Math.floor(y) - 7; py <= y + 8; py++) {
      for (let px = Math.floor(x) - 7; px <= x + 8; px++) {
        const light = peak * Math.exp(-((px - x) ** 2 + (py - y) ** 2) / 4.5);
        for (let plane = 0; plane < 3; plane++) data[plane * size + py * width + px] += light;
      }
    }
  }
  return data;
}

/** Sets up the whole frame in a set of kernels; `run` warps `tile` of it. */
function prepare(kernels, { source, map, width, height, tile, step = 64 }) {
  const { memory } = kernels;
  memory.reset();
  const table = memory.f32(makeLanczosTable().length);
  table.data.set(makeLanczosTable());
  const limits = memory.f32(3);
  limits.data.fill(1e9);
  const input = memory.f32(source.length);
  input.data.set(source);
  const [columns, rows] = [Math.floor((width - 1) / step) + 2, Math.floor((height - 1) / step) + 2];
  const [x, y] = [memory.f64(columns * rows), memory.f64(columns * rows)];
  for (let j = 0; j < rows; j++)
    for (let i = 0; i < columns; i++)
      [x.data[j * columns + i], y.data[j * columns + i]] = map(i * step, j * step);
  const plane = tile.width * tile.height;
  const out = memory.f32(3 * plane);
  const call = {
    ...{ source: input, sourceRect: { x0: 0, y0: 0, width, height }, planes: 3 },
    ...{ grid: { step, columns, rows, x, y }, tile, out, outStart: 0, rowLength: tile.width },
    ...{ planeStride: plane, table, limits },
  };
  return { run: () => kernels.warp(call), out };
}

const OPENCV = `
import sys, time, numpy as np
try:
    import cv2
except ImportError:
    sys.exit(3)
folder, width, height, runs = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
cv2.setNumThreads(1)
source = np.fromfile(folder + '/source.f32', np.float32).reshape(3, height, width)
mx = np.fromfile(folder + '/x.f32', np.float32).reshape(height, width)
my = np.fromfile(folder + '/y.f32', np.float32).reshape(height, width)
print(cv2.__version__)
for name, flag in (('cubic', cv2.INTER_CUBIC), ('lanczos4', cv2.INTER_LANCZOS4)):
    times = []
    for run in range(runs + 1):
        start = time.process_time()
        out = [cv2.remap(plane, mx, my, flag, borderMode=cv2.BORDER_CONSTANT, borderValue=0) for plane in source]
        times.append(time.process_time() - start)
    print(name, min(times[1:]) * 1e3, sorted(times[1:])[runs // 2] * 1e3)
np.stack(out).tofile(folder + '/lanczos4.f32')
`;

/** OpenCV's times, ms, and its picture with the 8 x 8 Lanczos kernel; undefined where it is not installed. */
function runOpencv(parts, runs) {
  const { source, map, width, height } = parts;
  const folder = mkdtempSync(join(tmpdir(), 'nightcairn-warp-'));
  try {
    const [x, y] = [new Float32Array(width * height), new Float32Array(width * height)];
    for (let py = 0, at = 0; py < height; py++)
      for (let px = 0; px < width; px++, at++) [x[at], y[at]] = map(px, py);
    writeFileSync(join(folder, 'source.f32'), source);
    writeFileSync(join(folder, 'x.f32'), x);
    writeFileSync(join(folder, 'y.f32'), y);
    for (const python of ['/usr/bin/python3', 'python3']) {
      const args = ['-c', OPENCV, folder, String(width), String(height), String(runs)];
      const done = spawnSync(python, args, { encoding: 'utf8' });
      if (done.error || done.status === 3) continue;
      if (done.status !== 0) throw new Error(`OpenCV's remap failed: ${done.stderr}`);
      const [version, ...lines] = done.stdout.trim().split('\n');
      const times = new Map(
        lines.map((text) => text.split(' ')).map(([name, min, mid]) => [name, { min: +min, median: +mid }]),
      );
      const bytes = readFileSync(join(folder, 'lanczos4.f32'));
      const picture = new Float32Array(bytes.buffer, bytes.byteOffset, bytes.byteLength / 4);
      return { version, times, picture };
    }
    return undefined;
  } finally {
    rmSync(folder, { recursive: true });
  }
}

function cpuTime(work, runs) {
  work();
  const times = Array.from({ length: runs }, () => {
    const start = process.cpuUsage();
    work();
    const { user, system } = process.cpuUsage(start);
    return (user + system) / 1e3;
  }).sort((a, b) => a - b);
  return { min: times[0], median: times[runs >> 1] };
}

/** Largest and typical difference where both pictures hold data and the 8 x 8 kernel has all its taps. */
function differences(ours, theirs, { map, width, height }) {
  let worst = 0;
  let squares = 0;
  let n = 0;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const [u, v] = map(x, y);
      if (!(u > 5 && v > 5 && u < width - 6 && v < height - 6)) continue;
      const off = Math.abs(ours[y * width + x] - theirs[y * width + x]);
      worst = Math.max(worst, off);
      squares += off * off;
      n++;
    }
  }
  return { worst, rms: Math.sqrt(squares / n) };
}

/** @param {{full: boolean}} options */
export async function bench({ full }) {
  const [width, height] = full ? [6000, 4000] : [1200, 800];
  const runs = 3;
  const map = makeMap(width, height);
  const source = makeSource(width, height);
  const kernels = await loadKernelsFromDisk();
  const parts = { source, map, width, height };
  // Equality first: the compiled kernel against its plain twin on a part, bit for bit.
  const tile = { x0: 40, y0: 24, width: 96, height: 64 };
  const [one, twin] = [prepare(kernels, { ...parts, tile }), prepare(plainKernels(), { ...parts, tile })];
  one.run();
  twin.run();
  if (Buffer.compare(Buffer.from(one.out.data.slice().buffer), Buffer.from(twin.out.data.slice().buffer)))
    throw new Error('warp: the compiled kernel and its twin differ');
  const whole = prepare(kernels, { ...parts, tile: { x0: 0, y0: 0, width, height } });
  const result = cpuTime(whole.run, runs);
  const opencv = runOpencv(parts, runs);
  heading('| goal (processor time)');
  const size = `${width} x ${height} x 3`;
  const pixels = 3 * width * height;
  const reference = opencv?.times.get('lanczos4');
  line({ name: 'warp', size, result, pixels, reference, extra: full ? '| < 2500 ms' : '' });
  if (!opencv) {
    console.log('OpenCV is not installed (apt-get install python3-opencv): its remap was not run beside.');
    return;
  }
  // Another window and places rounded to 1/32 px: alike within that times the steepest slope of a star.
  const off = differences(whole.out.data, opencv.picture, parts);
  if (!(off.rms < 2 && off.worst < 60))
    throw new Error(
      `warp: differs from OpenCV's remap by ${off.rms.toFixed(2)} rms, ${off.worst.toFixed(1)} at most`,
    );
  for (const [name, theirs] of opencv.times)
    line({ name: `OpenCV ${opencv.version} remap, ${name}`, size, result: theirs, pixels });
  console.log(
    `largest difference from lanczos4 ${off.worst.toFixed(2)} ADU, rms ${off.rms.toFixed(3)} (peaks to 2500)`,
  );
}

if (process.argv[1]?.endsWith('warp.bench.mjs')) {
  console.log(`node ${process.version} | ${cpus()[0].model} x ${cpus().length}`);
  await bench({ full: !process.argv.includes('small') });
}
