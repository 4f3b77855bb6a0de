import { parentPort, type TransferListItem } from 'node:worker_threads';
import { toPlainError } from '../core/index.js';
import type { FromWorker, ToWorker } from './worker-pool.js';

/** What a task gets besides its input. */
export interface TaskContext {
  /** Raised when the pool's caller gave up; a task that reacts within a moment keeps its thread. */
  readonly signal: AbortSignal;
}

/** An output together with the buffers in it that are handed over instead of copied. */
export interface TransferredOutput {
  readonly output: unknown;
  readonly transfer: readonly TransferListItem[];
}

/** One task of a worker module. Its input comes from `WorkerPool.run`, whose caller knows the type. */
// biome-ignore lint/suspicious/noExplicitAny: the two sides of a thread agree on the type by the task's name only
export type Task = (input: any, context: TaskContext) => unknown | Promise<unknown>;

function isTransferred(value: unknown): value is TransferredOutput {
  if (typeof value !== 'object' || value === null || Object.keys(value).length !== 2) return false;
  return 'output' in value && 'transfer' in value && Array.isArray(value.transfer);
}

/**
 * Answers the tasks of a pool; call it once at the end of a worker module. A task returns its output, or
 * `{output, transfer}` to hand buffers over. What it throws reaches the caller with class, code and stack.
 * Does nothing outside a worker thread.
 */
export function serveTasks(tasks: Readonly<Record<string, Task>>): void {
  const port = parentPort;
  if (!port) return;
  const running = new Map<number, AbortController>();
  const fail = (id: number, error: unknown): void => {
    port.postMessage({ kind: 'failed', id, error: toPlainError(error) } satisfies FromWorker);
  };
  const run = async (id: number, name: string, input: unknown): Promise<void> => {
    const controller = new AbortController();
    running.set(id, controller);
    try {
      const task = tasks[name];
      if (!task) throw new TypeError(`no task ${name} in this worker module`);
      const result = await task(input, { signal: controller.signal });
      const { output, transfer } = isTransferred(result) ? result : { output: result, transfer: [] };
      port.postMessage({ kind: 'done', id, output } satisfies FromWorker, transfer);
    } catch (error) {
      fail(id, error);
    } finally {
      running.delete(id);
    }
  };
  port.on('message', (message: ToWorker) => {
    if (message.kind === 'cancel') running.get(message.id)?.abort();
    else void run(message.id, message.task, message.input);
  });
}
