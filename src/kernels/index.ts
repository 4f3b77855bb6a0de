export * from './compiled-url.js';
export { serveTasks, type Task, type TaskContext, type TransferredOutput } from './serve-tasks.js';
export {
  createWorkerPool,
  defaultPoolSize,
  type RunOptions,
  type WorkerPool,
} from './worker-pool.js';
