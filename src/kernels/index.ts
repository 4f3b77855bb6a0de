export * from './compiled-url.js';
export * from './kernel-types.js';
export { lanczosWeights, makeLanczosTable } from './lanczos-table.js';
export { loadKernels, loadKernelsFromDisk } from './load.js';
export type { F32Block, F64Block, KernelMemory, U16Block } from './memory.js';
export { plainKernels } from './plain-kernels.js';
export { serveTasks, type Task, type TaskContext, type TransferredOutput } from './serve-tasks.js';
export {
  createWorkerPool,
  defaultPoolSize,
  type RunOptions,
  type WorkerPool,
} from './worker-pool.js';
