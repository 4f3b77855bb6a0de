import { afterEach, describe, expect, it } from 'vitest';
import { Cancelled, FormatError } from '../../src/core/index.js';
import { compiledUrl, createWorkerPool, defaultPoolSize, type WorkerPool } from '../../src/kernels/index.js';

const TASKS = new URL('./pool-tasks.mjs', import.meta.url);
let pool: WorkerPool;
afterEach(() => pool?.close());

describe('createWorkerPool', () => {
  it('gives back what the task returns', async () => {
    pool = createWorkerPool(TASKS, 2);
    const results = await Promise.all([1, 2, 3, 4, 5].map((n) => pool.run<number>('double', n)));
    expect(results).toEqual([2, 4, 6, 8, 10]);
  });

  it('hands buffers over both ways without a copy', async () => {
    pool = createWorkerPool(TASKS, 1);
    const data = Float32Array.of(1, 2, 3);
    const back = await pool.run<Float32Array>('scale', { data, factor: 2 }, { transfer: [data.buffer] });
    expect([...back]).toEqual([2, 4, 6]);
    expect(data.length).toBe(0);
  });

  it('works on with new threads after it was renewed', async () => {
    pool = createWorkerPool(TASKS, 1);
    const before = await pool.run<number>('thread', null);
    await pool.renew();
    expect(await pool.run<number>('thread', null)).not.toBe(before);
  });

  it('never runs more threads than its size', async () => {
    pool = createWorkerPool(TASKS, 2);
    const threads = await Promise.all(Array.from({ length: 8 }, () => pool.run<number>('sleep', 20)));
    expect(new Set(threads).size).toBe(2);
  });

  it('brings our errors over with class, code, place and details', async () => {
    pool = createWorkerPool(TASKS, 1);
    const error = await pool.run('fail', null).catch((thrown: unknown) => thrown);
    expect(error).toBeInstanceOf(FormatError);
    expect(error).toMatchObject({
      code: 'TRUNCATED',
      message: 'a cut file',
      path: '/card/a.dng',
      byteOffset: 12,
      details: { n: 3 },
    });
    expect((error as Error).stack).toContain('pool-tasks.mjs');
  });

  it('brings foreign errors, unknown tasks and outputs that cannot cross over as plain errors', async () => {
    pool = createWorkerPool(TASKS, 1);
    await expect(pool.run('fault', null)).rejects.toThrow('an ordinary fault');
    await expect(pool.run('nonesuch', null)).rejects.toThrow('no task nonesuch');
    await expect(pool.run('unclonable', null)).rejects.toThrow('could not be cloned');
    await expect(pool.run('double', () => 1)).rejects.toThrow('could not be cloned');
    await expect(pool.run('double', 4)).resolves.toBe(8);
  });

  it('replaces a worker that died and fails only its own task', async () => {
    pool = createWorkerPool(TASKS, 1);
    const first = await pool.run<number>('thread', null);
    const dying = pool.run('die', null).catch((error: unknown) => Promise.resolve(String(error)));
    const next = pool.run<number>('thread', null);
    expect(await dying).toContain('ended with code 3');
    expect(await next).not.toBe(first);
    await expect(pool.run('explode', null)).rejects.toThrow('outside any task');
    await expect(pool.run('double', 1)).resolves.toBe(2);
  });

  it('fails every task, without hanging, when the module cannot be loaded', async () => {
    pool = createWorkerPool(new URL('./no-such-module.mjs', import.meta.url), 1);
    await expect(pool.run('double', 1)).rejects.toThrow('no-such-module');
    await expect(pool.run('double', 1)).rejects.toThrow('no-such-module');
  });

  it('cancels waiting and running tasks, even one that never listens', async () => {
    pool = createWorkerPool(TASKS, 1);
    await pool.run('double', 1);
    const stop = new AbortController();
    const running = pool.run('busy', null, { signal: stop.signal });
    const waiting = pool.run('double', 1, { signal: stop.signal });
    const other = pool.run('double', 21);
    const stopped = Promise.allSettled([running, waiting]);
    setTimeout(() => stop.abort(), 20);
    for (const outcome of await stopped) {
      expect((outcome as PromiseRejectedResult).reason).toBeInstanceOf(Cancelled);
    }
    await expect(other).resolves.toBe(42);
    await expect(pool.run('double', 1, { signal: stop.signal })).rejects.toBeInstanceOf(Cancelled);
  });

  it('keeps the thread of a task that stops when told', async () => {
    pool = createWorkerPool(TASKS, 1);
    const thread = await pool.run<number>('thread', null);
    const stop = new AbortController();
    const running = pool.run('polite', null, { signal: stop.signal });
    setTimeout(() => stop.abort(), 20);
    await expect(running).rejects.toBeInstanceOf(Cancelled);
    expect(await pool.run<number>('thread', null)).toBe(thread);
  });

  it('rejects what is under way on close', async () => {
    pool = createWorkerPool(TASKS, 1);
    const outcomes = Promise.allSettled([pool.run('sleep', 5000), pool.run('double', 1)]);
    await pool.close();
    for (const outcome of await outcomes) {
      expect(outcome.status).toBe('rejected');
      expect((outcome as PromiseRejectedResult).reason).toBeInstanceOf(Cancelled);
    }
    await expect(pool.run('double', 1)).rejects.toBeInstanceOf(Cancelled);
    await pool.close();
  });

  it('has 1 to 8 threads by default and refuses less than one', () => {
    expect(defaultPoolSize()).toBeGreaterThanOrEqual(1);
    expect(defaultPoolSize()).toBeLessThanOrEqual(8);
    expect(() => createWorkerPool(TASKS, 0)).toThrow(RangeError);
  });
});

describe('compiledUrl', () => {
  it('maps a TypeScript source to its compiled twin and leaves compiled code alone', () => {
    expect(compiledUrl('file:///home/a/src/nc/src/kernels/load.ts', './x.js').href).toBe(
      'file:///home/a/src/nc/dist/src/kernels/x.js',
    );
    expect(compiledUrl('file:///nc/sample-night/demo.ts', './x.js').href).toBe(
      'file:///nc/dist/sample-night/x.js',
    );
    expect(compiledUrl('file:///nc/dist/src/kernels/load.js', './x.js').href).toBe(
      'file:///nc/dist/src/kernels/x.js',
    );
  });
});
