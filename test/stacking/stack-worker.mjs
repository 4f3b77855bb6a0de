// The thread side of stack-variety.test.ts; runs over the compiled code.
import { loadKernelsFromDisk, serveTasks } from '../../dist/src/kernels/index.js';
import { stackTile, tileTransfer } from '../../dist/src/stacking/index.js';

let kernels;
serveTasks({
  tile: async ({ task, frames, width }) => {
    kernels ??= await loadKernelsFromDisk();
    const read = (id, rect) => {
      const crop = new Uint16Array(rect.width * rect.height);
      for (let y = 0; y < rect.height; y++) {
        const from = (rect.y0 + y) * width + rect.x0;
        crop.set(frames.get(id).subarray(from, from + rect.width), y * rect.width);
      }
      return crop;
    };
    const output = stackTile(task, read, kernels);
    return { output, transfer: tileTransfer(output) };
  },
});
