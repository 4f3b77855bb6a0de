import { availableParallelism } from 'node:os';
import { type TransferListItem, Worker } from 'node:worker_threads';
import { Cancelled, fromPlainError, type PlainError } from '../core/index.js';

/** What a pool sends to a worker and hears from it. */
export type ToWorker =
  | { readonly kind: 'run'; readonly id: number; readonly task: string; readonly input: unknown }
  | { readonly kind: 'cancel'; readonly id: number };
export type FromWorker =
  | { readonly kind: 'done'; readonly id: number; readonly output: unknown }
  | { readonly kind: 'failed'; readonly id: number; readonly error: PlainError };

/** Options of one task. */
export interface RunOptions {
  /** Buffers handed over instead of copied; unusable here afterwards. */
  readonly transfer?: readonly TransferListItem[];
  /** Takes a waiting task out of the queue; stops a running one (its worker is ended when it does not react). */
  readonly signal?: AbortSignal | undefined;
}

/** Threads that run the tasks of one worker module, first come, first served. */
export interface WorkerPool {
  /** Greatest number of threads at work at once. */
  readonly size: number;
  /**
   * Runs a task by name and gives what it returned.
   *
   * @throws what the task threw, with its class, code and the far side's stack; `Cancelled` on abort or close;
   *   a plain Error when the worker crashed (the next task gets a new worker)
   */
  run<T>(task: string, input: unknown, options?: RunOptions): Promise<T>;
  /** Ends idle threads, and with them the memory that they hold; new ones start when there is work. */
  renew(): Promise<void>;
  /** Ends all threads; tasks under way or waiting are rejected with `Cancelled`. May be called twice. */
  close(): Promise<void>;
}

interface Job {
  readonly id: number;
  readonly task: string;
  readonly input: unknown;
  readonly transfer: readonly TransferListItem[];
  readonly signal: AbortSignal | undefined;
  readonly resolve: (value: unknown) => void;
  readonly reject: (error: unknown) => void;
  onAbort: (() => void) | undefined;
}

interface Member {
  readonly worker: Worker;
  job: Job | undefined;
  cancelTimer: NodeJS.Timeout | undefined;
}

/** How long a cancelled task may take to clean up before its thread is ended, ms. */
const CANCEL_GRACE_MS = 200;

/** Beyond this many threads the disk and memory are the limit. */
const MAX_DEFAULT_SIZE = 8;

/** Number of threads a pool has when nobody says: the cores we may use, 1 to 8. */
export function defaultPoolSize(): number {
  return Math.min(MAX_DEFAULT_SIZE, Math.max(1, availableParallelism()));
}

/**
 * Makes a pool of worker threads over a module that calls `serveTasks`. Threads start when first needed and
 * do not keep the process alive while they idle.
 *
 * @param moduleUrl address of compiled JavaScript; see `compiledUrl`
 * @param size number of threads, >= 1; default `defaultPoolSize()`
 */
export function createWorkerPool(moduleUrl: URL | string, size: number = defaultPoolSize()): WorkerPool {
  if (!Number.isInteger(size) || size < 1) throw new RangeError(`Expected a pool size >= 1 but got ${size}`);
  const url = new URL(moduleUrl);
  const members = new Set<Member>();
  const queue: Job[] = [];
  let nextId = 1;
  let closed = false;

  const settle = (job: Job): void => {
    if (job.onAbort) job.signal?.removeEventListener('abort', job.onAbort);
    job.onAbort = undefined;
  };

  const release = (member: Member): void => {
    member.job = undefined;
    clearTimeout(member.cancelTimer);
    member.cancelTimer = undefined;
    member.worker.unref();
  };

  const finish = (member: Member, message: FromWorker): void => {
    const job = member.job;
    if (!job || job.id !== message.id) return;
    settle(job);
    release(member);
    if (job.signal?.aborted) job.reject(new Cancelled());
    else if (message.kind === 'done') job.resolve(message.output);
    else job.reject(fromPlainError(message.error));
    dispatch();
  };

  const lose = (member: Member, error: Error): void => {
    if (!members.delete(member)) return;
    const job = member.job;
    clearTimeout(member.cancelTimer);
    if (job) {
      settle(job);
      member.job = undefined;
      job.reject(closed || job.signal?.aborted ? new Cancelled() : error);
    }
    dispatch();
  };

  const start = (): Member => {
    // Flags of the parent (a test runner's loaders, for one) are not meant for our own modules.
    const worker = new Worker(url, { execArgv: [] });
    const member: Member = { worker, job: undefined, cancelTimer: undefined };
    members.add(member);
    worker.on('message', (message: FromWorker) => finish(member, message));
    worker.on('messageerror', (error) => lose(member, error));
    worker.on('error', (cause) => {
      const text = cause instanceof Error ? cause.message : String(cause);
      lose(member, new Error(`A worker thread stopped: ${text}`, { cause }));
    });
    worker.on('exit', (code) => lose(member, new Error(`A worker thread ended with code ${code}`)));
    return member;
  };

  const cancelRunning = (member: Member, job: Job): void => {
    member.worker.postMessage({ kind: 'cancel', id: job.id } satisfies ToWorker);
    member.cancelTimer = setTimeout(() => void member.worker.terminate(), CANCEL_GRACE_MS);
  };

  const assign = (member: Member, job: Job): void => {
    member.job = job;
    member.worker.ref();
    try {
      const message: ToWorker = { kind: 'run', id: job.id, task: job.task, input: job.input };
      member.worker.postMessage(message, job.transfer);
    } catch (error) {
      settle(job);
      release(member);
      job.reject(error);
    }
  };

  const dispatch = (): void => {
    while (!closed && queue.length > 0) {
      let member = [...members].find((candidate) => candidate.job === undefined);
      if (!member && members.size < size) member = start();
      if (!member) return;
      assign(member, queue.shift()!);
    }
  };

  const abort = (job: Job): void => {
    const waiting = queue.indexOf(job);
    if (waiting >= 0) {
      queue.splice(waiting, 1);
      settle(job);
      job.reject(new Cancelled());
      return;
    }
    for (const member of members) if (member.job === job) cancelRunning(member, job);
  };

  return {
    size,
    run<T>(task: string, input: unknown, options: RunOptions = {}): Promise<T> {
      return new Promise<T>((resolve, reject) => {
        const { signal } = options;
        if (closed || signal?.aborted) {
          reject(new Cancelled());
          return;
        }
        const job: Job = {
          id: nextId++,
          task,
          input,
          transfer: options.transfer ?? [],
          signal,
          resolve: resolve as (value: unknown) => void,
          reject,
          onAbort: undefined,
        };
        job.onAbort = () => abort(job);
        signal?.addEventListener('abort', job.onAbort, { once: true });
        queue.push(job);
        dispatch();
      });
    },
    async renew(): Promise<void> {
      const idle = [...members].filter((member) => member.job === undefined);
      for (const member of idle) members.delete(member);
      await Promise.all(idle.map((member) => member.worker.terminate()));
    },
    async close(): Promise<void> {
      closed = true;
      for (const job of queue.splice(0)) {
        settle(job);
        job.reject(new Cancelled());
      }
      await Promise.all([...members].map((member) => member.worker.terminate()));
    },
  };
}
