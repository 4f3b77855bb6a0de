// The thread side of stacking.bench.mjs.
import { loadKernelsFromDisk, serveTasks } from '../../dist/src/kernels/index.js';
import { stackTile } from '../../dist/src/stacking/index.js';

/** Cuts rectangles out of one packed mosaic that stands for all frames. */
export function cropOf(shared, width) {
  return (_, rect) => {
    const crop = new Uint16Array(rect.width * rect.height);
    for (let y = 0; y < rect.height; y++) {
      const from = (rect.y0 + y) * width + rect.x0;
      crop.set(shared.subarray(from, from + rect.width), y * rect.width);
    }
    return crop;
  };
}

let kernels;
let peak = 0;
serveTasks({
  tile: async ({ task, shared, width }) => {
    kernels ??= await loadKernelsFromDisk();
    const result = stackTile(task, cropOf(shared, width), kernels);
    peak = Math.max(peak, result.peakBytes);
    let sum = 0;
    for (const value of result.sky.image) if (!Number.isNaN(value)) sum += value;
    return sum;
  },
  peak: async () => peak,
});
