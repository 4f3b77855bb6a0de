import { readFile } from 'node:fs/promises';
import { compiledUrl } from './compiled-url.js';
import type { ClipCall, Kernels, StackCall } from './kernel-types.js';
import { makeMemory } from './memory.js';

const PAGE = 65536;
/** Most that one set of kernels may hold, pages: 2 GiB, so that offsets stay positive 32-bit numbers. */
const MAX_PAGES = 32768;

type Numbers = (...values: number[]) => void;
type Counts = (...values: number[]) => number;

interface Exports {
  readonly heapBase: () => number;
  readonly warp: Numbers;
  readonly level: Numbers;
  readonly demosaicBayer: Numbers;
  readonly unpack: Numbers;
  readonly combineMean: Numbers;
  readonly combineMedian: Numbers;
  readonly combineMax: Numbers;
  readonly combineClipped: Numbers;
  readonly finishBand: Counts;
}

/** The parts of the WebAssembly interface used here; TypeScript's own are in its browser library. */
interface WasmMemory {
  readonly buffer: ArrayBufferLike;
  grow(pages: number): number;
}
interface Wasm {
  readonly Memory: new (size: { initial: number; maximum: number; shared: boolean }) => WasmMemory;
  instantiate(
    bytes: Uint8Array,
    imports: Record<string, Record<string, unknown>>,
  ): Promise<{ instance: { exports: unknown } }>;
}

/** Least memory worth starting with, pages: 64 MiB. */
const MIN_PAGES = 1024;

/** Reserves address space for a memory; less of it where the machine limits address space. */
function reserve(wasm: Wasm, wanted: number): { store: WasmMemory; maximum: number } {
  for (let maximum = wanted; ; maximum = Math.floor(maximum / 2)) {
    try {
      return { store: new wasm.Memory({ initial: 1, maximum, shared: true }), maximum };
    } catch (error) {
      if (maximum / 2 < MIN_PAGES) throw error;
    }
  }
}

/**
 * Starts the compiled kernels over a memory of their own (shared, so that another thread may be given it).
 *
 * @param bytes contents of `kernels.wasm`
 * @param maxBytes most the memory may grow to; default 2 GiB, reserved but not used
 * @throws RangeError when a block does not fit (from `memory`)
 */
export async function loadKernels(bytes: Uint8Array, maxBytes = MAX_PAGES * PAGE): Promise<Kernels> {
  const wasm = (globalThis as unknown as { WebAssembly: Wasm }).WebAssembly;
  const { store, maximum } = reserve(wasm, Math.min(MAX_PAGES, Math.max(1, Math.floor(maxBytes / PAGE))));
  const { instance } = await wasm.instantiate(bytes, { env: { memory: store, abort: () => {} } });
  const run = instance.exports as Exports;
  const memory = makeMemory(
    () => store.buffer,
    (needed) => {
      const pages = Math.ceil((needed - store.buffer.byteLength) / PAGE);
      if (needed > maximum * PAGE)
        throw new RangeError(`${needed} bytes wanted, ${maximum * PAGE} allowed for the kernels`);
      store.grow(pages);
    },
    run.heapBase(),
  );

  /** Lends room for the time of one call. */
  const withScratch = (values: number, use: (offset: number) => void): void => {
    const mark = memory.mark();
    use(memory.f32(values).offset);
    memory.reset(mark);
  };
  const samples = (call: StackCall): [number, number, number, number, number] => {
    if (call.planeStride % 4 !== 0 || call.rowLength % 4 !== 0) {
      throw new RangeError('Expected rows and planes in multiples of 4 values');
    }
    return [call.stack.offset, call.frames, call.planeStride, call.rowLength, call.height];
  };

  return {
    memory,
    unpack: (packed, out, offset, scale) =>
      run.unpack(packed.offset, packed.length, offset, scale, out.offset),
    demosaicBayer: (call) =>
      run.demosaicBayer(
        ...[call.mosaic.offset, call.out.offset, call.width, call.height, call.redX, call.redY],
        Math.min(...call.saturation),
      ),
    warp: ({ source, sourceRect: s, planes, grid: g, tile: t, ...c }) =>
      withScratch(planes, (tops) =>
        run.warp(
          ...[source.offset, s.width, s.height, s.x0, s.y0, planes],
          ...[g.x.offset, g.y.offset, g.step, g.columns, g.rows],
          ...[t.x0, t.y0, t.width, t.height],
          ...[c.out.offset + 4 * c.outStart, c.rowLength, c.planeStride],
          ...[c.table.offset, c.limits.offset, tops],
        ),
      ),
    level: ({ data, start, rowLength, tile: t, ...c }) =>
      run.level(
        ...[data.offset + 4 * start, rowLength, t.x0, t.y0, t.width, t.height],
        ...[c.scale, c.coefficients.offset, c.centerX, c.centerY, c.radius],
      ),
    combineMean: (call) =>
      withScratch(4 * call.frames, (scratch) =>
        run.combineMean(
          ...samples(call),
          ...[call.weights.offset, call.blockColumns, call.blockRows],
          ...[scratch, call.out.offset, call.kept.offset],
        ),
      ),
    combineMedian: (call) =>
      withScratch(4 * call.frames, (scratch) =>
        run.combineMedian(...samples(call), scratch, call.out.offset, call.kept.offset),
      ),
    combineMax: (call) => run.combineMax(...samples(call), call.out.offset, call.kept.offset),
    combineClipped: (call: ClipCall) =>
      withScratch(8 * call.frames, (scratch) =>
        run.combineClipped(
          ...samples(call),
          ...[call.weights.offset, call.blockColumns, call.blockRows],
          ...[call.variances.offset, call.pedestals.offset],
          ...[call.sigmaLower, call.sigmaUpper, call.maxIterations, call.spreadFrom, call.signalShare],
          ...[scratch, call.out.offset, call.kept.offset, call.rejected.offset],
        ),
      ),
    finishBand: (call) => {
      let clipped = 0;
      withScratch(6 * (call.rows + 4) * call.rowLength, (scratch) => {
        clipped = run.finishBand(
          ...[call.source.offset, call.rowLength, call.width, call.rows],
          ...[call.land.offset, call.sharpness.offset, call.smoothing.offset, call.gradient.offset],
          ...[call.parameters.offset, call.tone.offset, call.tone.length / 4 - 2],
          ...[call.encode.offset, call.encode.length / 2 - 2, scratch, call.out.offset],
        );
      });
      return clipped;
    },
  };
}

/** Reads `kernels.wasm` from where the build puts it and starts it. One call a thread is enough. */
export async function loadKernelsFromDisk(maxBytes?: number): Promise<Kernels> {
  const bytes = await readFile(compiledUrl(import.meta.url, './kernels.wasm'));
  return loadKernels(bytes, maxBytes);
}
