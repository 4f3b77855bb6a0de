import {
  combineClippedPlain,
  combineMaxPlain,
  combineMeanPlain,
  combineMedianPlain,
} from './combine-plain.js';
import { demosaicBayerPlain } from './demosaic-plain.js';
import { finishBandPlain } from './finish-plain.js';
import type { Kernels } from './kernel-types.js';
import { plainMemory } from './memory.js';
import { levelPlain, unpackPlain, warpPlain } from './warp-plain.js';

/** The kernels in plain TypeScript: slow, obvious, the same bits. For reading and for tests. */
export function plainKernels(): Kernels {
  return {
    memory: plainMemory(),
    unpack: unpackPlain,
    demosaicBayer: demosaicBayerPlain,
    warp: warpPlain,
    level: levelPlain,
    combineMean: combineMeanPlain,
    combineMedian: combineMedianPlain,
    combineMax: combineMaxPlain,
    combineClipped: combineClippedPlain,
    finishBand: finishBandPlain,
  };
}
