// Kernels, compiled by asc into one wasm file. Each has a plain twin in ../*-plain.ts that it equals bit for bit.
export { warp, level, unpack } from './warp';
export { demosaicBayer } from './demosaic';
export { combineMean, combineMedian, combineMax, combineClipped } from './combine';
export { finishBand } from './finish';

/** First byte that the arena may use. */
export function heapBase(): usize {
  return __heap_base;
}
