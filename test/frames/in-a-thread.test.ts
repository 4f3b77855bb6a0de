import { Worker } from 'node:worker_threads';
import { expect, it } from 'vitest';

it('can be loaded in a worker thread, where most frames are read', async () => {
  // A library that starts a thread of its own on being loaded would stop ours.
  const worker = new Worker(new URL('../../dist/src/frames/index.js', import.meta.url));
  const exit = await new Promise<unknown>((resolve) => {
    worker.on('error', resolve);
    worker.on('exit', resolve);
  });
  expect(exit).toBe(0);
});
