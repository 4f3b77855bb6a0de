// Tasks for worker-pool.test.ts; runs in a worker thread over the compiled code.
import { threadId } from 'node:worker_threads';
import { FormatError } from '../../dist/src/core/index.js';
import { serveTasks } from '../../dist/src/kernels/index.js';

const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

serveTasks({
  double: async (input) => input * 2,
  thread: async () => threadId,
  scale: async ({ data, factor }) => {
    for (let i = 0; i < data.length; i++) data[i] *= factor;
    return { output: data, transfer: [data.buffer] };
  },
  fail: async () => {
    throw new FormatError('TRUNCATED', 'a cut file', {
      path: '/card/a.dng',
      byteOffset: 12,
      details: { n: 3 },
    });
  },
  fault: async () => {
    throw new RangeError('an ordinary fault');
  },
  unclonable: async () => () => 1,
  die: async () => {
    process.exit(3);
  },
  explode: async () => {
    setTimeout(() => {
      throw new Error('outside any task');
    }, 0);
    await wait(10_000);
  },
  sleep: async (ms) => {
    await wait(ms);
    return threadId;
  },
  busy: async () => {
    for (;;);
  },
  polite: async (_input, { signal }) => {
    while (!signal.aborted) await wait(5);
    return 'stopped';
  },
});
