import { gaussian, seededRandom } from '../../dist/src/core/index.js';
import { createWorkerPool, loadKernelsFromDisk, plainKernels } from '../../dist/src/kernels/index.js';
import {
  makeStackPlan,
  pack,
  packRange,
  planTiles,
  stackTile,
  tileTask,
} from '../../dist/src/stacking/index.js';
import { cropOf } from './stacking-worker.mjs';
import { heading, line, time } from './table.mjs';

const CFA = { width: 2, height: 2, colors: [0, 1, 1, 2] };

/** A run of turned frames that all show the same packed mosaic, in memory that threads share. */
function makeRun(width, height, count) {
  const random = seededRandom(5);
  const range = packRange(15000);
  const values = Float32Array.from({ length: width * height }, () => 900 + 25 * gaussian(random));
  const shared = new Uint16Array(new SharedArrayBuffer(2 * values.length));
  shared.set(pack(values, range));
  const variance = { constant: 150, slope: 0.5 };
  const frames = Array.from({ length: count }, (_, f) => {
    const step = 32;
    const columns = Math.ceil(width / step) + 1;
    const rows = Math.ceil(height / step) + 1;
    const x = new Float64Array(columns * rows);
    const y = new Float64Array(columns * rows);
    const angle = 0.001 * (f - count / 2);
    for (let j = 0; j < rows; j++) {
      for (let i = 0; i < columns; i++) {
        const [u, v] = [i * step - width / 2, j * step + height];
        x[j * columns + i] = width / 2 + Math.cos(angle) * u - Math.sin(angle) * v;
        y[j * columns + i] = -height + Math.sin(angle) * u + Math.cos(angle) * v;
      }
    }
    const grid = { step, columns, rows, x, y };
    return {
      id: `f${String(f).padStart(4, '0')}`,
      grid,
      scale: 1,
      weight: 1,
      variance: [variance, variance, variance],
    };
  });
  const saturation = [13000, 13000, 13000];
  const plan = makeStackPlan({ width, height, cfa: CFA, sourcePlanes: 1, frames, pack: range, saturation });
  return { plan, shared };
}

/** Makes all tiles in a pool; the results are summed up so that nothing is left out. */
async function stackAll(pool, run, tiles, workers) {
  const { plan, shared } = run;
  let next = 0;
  let sink = 0;
  const one = async () => {
    while (next < tiles.length) {
      const task = tileTask(plan, tiles[next++], 'sky');
      sink += await pool.run('tile', { task, shared, width: plan.width });
    }
  };
  await Promise.all(Array.from({ length: workers }, one));
  return sink;
}

/** Whole tiles: demosaic, warp, level and clipped mean; frames x pixels a second and peak memory. */
export async function bench({ full, workers }) {
  heading('(plain TypeScript twins) + kernel memory at its peak');
  // Equality first, on a small run.
  const small = makeRun(128, 96, 5);
  const read = cropOf(small.shared, 128);
  const [tile] = planTiles({ width: 128, height: 96, frames: 5, tileSize: 128 });
  const task = tileTask(small.plan, tile, 'sky');
  const wasm = await loadKernelsFromDisk();
  const twins = plainKernels();
  const [a, b] = [stackTile(task, read, wasm), stackTile(task, read, twins)];
  if (!Buffer.from(a.sky.image.buffer).equals(Buffer.from(b.sky.image.buffer)))
    throw new Error('tiles differ');
  const reference = await time(() => stackTile(task, read, twins), 100);
  const result = await time(() => stackTile(task, read, wasm), 100);
  line({ name: 'tile, 5 frames', size: '128x96', result, pixels: 5 * 128 * 96, reference });

  const [width, height] = full ? [6000, 4000] : [640, 480];
  for (const count of full ? [10, 50, 200] : [5, 20]) {
    const run = makeRun(width, height, count);
    for (const size of workers) {
      const pool = createWorkerPool(new URL('./stacking-worker.mjs', import.meta.url), size);
      const tiles = planTiles({ width, height, frames: count, workers: size });
      // The big case is cut short: every n-th tile, counted as what it is.
      const stride = full ? Math.max(1, Math.round((tiles.length * count) / 400)) : 1;
      const some = tiles.filter((_, i) => i % stride === 0);
      const pixels = count * some.reduce((sum, t) => sum + t.width * t.height, 0);
      await stackAll(pool, run, some.slice(0, size), size);
      const start = performance.now();
      await stackAll(pool, run, some, size);
      const ms = performance.now() - start;
      const peak = await pool.run('peak', null);
      await pool.close();
      line({
        ...{ name: `stack, ${count} frames`, size: `${width}x${height}`, workers: size, pixels },
        ...{
          result: { min: ms, median: ms },
          extra: `| tile ${tiles[0].width} px, ${(peak / 1e6).toFixed(0)} MB a worker`,
        },
      });
    }
  }
}
