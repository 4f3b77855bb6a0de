import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gaussian, seededRandom } from '../../dist/src/core/index.js';
import { finishPicture, LOOKS } from '../../dist/src/finishing/index.js';
import { createWorkerPool, loadKernelsFromDisk, plainKernels } from '../../dist/src/kernels/index.js';
import { finishStack, shared } from '../../dist/src/workflow/_finish-stack.js';
import { writePictureFiles } from '../../dist/src/workflow/_picture-files.js';
import { writeLinearFits } from '../../dist/src/workflow/_stack-files.js';
import { heading, line, time } from './table.mjs';

const LOOK = LOOKS['still-night'];
const WORKER = new URL('../../dist/src/workflow/finish-worker.js', import.meta.url);
const FACTS = {
  ...{ exif: {}, totalExposure: 300, frames: 30, method: 'clipped-mean', software: 'bench', white: 15000 },
};

/** Sky with a slope and a band, stars, land along the bottom, taken upright. */
function makeStack(width, height) {
  const random = seededRandom(11);
  const noise = Float32Array.from({ length: 1 << 16 }, () => gaussian(random));
  const size = width * height;
  const image = { width, height, data: new Float32Array(3 * size) };
  const land = new Uint8Array(size);
  const coverage = new Uint8Array(size).fill(255);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const at = y * width + x;
      const ground = x > 0.9 * width;
      if (ground) land[at] = 255;
      if (y < 0.02 * height) coverage[at] = 60;
      const band = 150 * Math.exp(-(((x / width - y / height) / 0.2) ** 2));
      const star = random() < 0.001 ? 8000 * random() : 0;
      const light = ground ? 90 : 420 + (60 * x) / width + band + star;
      for (let c = 0; c < 3; c++)
        image.data[c * size + at] = light * [0.49, 1, 0.62][c] + 5 * noise[(at * 3 + c * 7) & 0xffff];
    }
  }
  return {
    image,
    maps: { width, height, land: shared(land), coverage: shared(coverage) },
    whiteLevel: [15000, 15000, 15000],
    orientation: 6,
    color: {
      multipliers: [2.05, 1, 1.62],
      cameraToSrgb: [1.72, -0.58, -0.14, -0.19, 1.44, -0.25, 0.03, -0.46, 1.43],
    },
  };
}

/** From the linear file to the picture in memory, and to all its files on disk. */
export async function bench({ full, workers }) {
  heading('(one thread in plain TypeScript)');
  const folder = mkdtempSync(join(tmpdir(), 'nightcairn-bench-'));
  try {
    const { image: little, maps: _maps, ...kind } = makeStack(320, 240);
    const kernels = await loadKernelsFromDisk();
    const fast = finishPicture({ ...kind, image: little }, LOOK, kernels);
    const slow = finishPicture({ ...kind, image: little }, LOOK, plainKernels());
    if (!Buffer.from(fast.data.buffer).equals(Buffer.from(slow.data.buffer)))
      throw new Error('pictures differ');
    const reference = await time(() => finishPicture({ ...kind, image: little }, LOOK, plainKernels()), 50);
    const result = await time(() => finishPicture({ ...kind, image: little }, LOOK, kernels), 50);
    line({ name: 'picture, one thread', size: '320x240', result, pixels: 320 * 240, reference });

    const [width, height] = full ? [6000, 4000] : [900, 600];
    const { image, ...stack } = makeStack(width, height);
    const source = { ...stack, path: join(folder, 'linear.fits') };
    await writeLinearFits(source.path, image, FACTS);
    for (const size of workers) {
      const pool = createWorkerPool(WORKER, size);
      const picture = await time(() => finishStack(source, LOOK, { pool }), 10);
      const files = await time(async () => {
        const finished = await finishStack(source, LOOK, { pool });
        await writePictureFiles(folder, finished, FACTS, { base: 'bench', cropAsked: 'covered' });
      }, 10);
      await pool.close();
      const common = { size: `${width}x${height}`, workers: size, pixels: width * height };
      line({ ...common, name: 'file to picture', result: picture });
      line({ ...common, name: 'file to all files', result: files });
    }
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}
