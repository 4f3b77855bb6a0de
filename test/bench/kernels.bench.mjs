import { seededRandom } from '../../dist/src/core/index.js';
import { loadKernelsFromDisk, makeLanczosTable, plainKernels } from '../../dist/src/kernels/index.js';
import { heading, line, time } from './table.mjs';

const bitsEqual = (a, b) =>
  Buffer.from(a.buffer, a.byteOffset, a.byteLength).equals(Buffer.from(b.buffer, b.byteOffset, b.byteLength));

/** Lays out the same input in a set of kernels and gives the calls to time. */
function prepare(kernels, size, frames) {
  const { memory } = kernels;
  memory.reset();
  const random = seededRandom(7);
  const table = memory.f32(makeLanczosTable().length);
  table.data.set(makeLanczosTable());
  const limits = memory.f32(3);
  limits.data.fill(1e9);
  const side = size + 32;
  const mosaic = memory.f32(side * side);
  mosaic.data.forEach((_, i, data) => {
    data[i] = 1000 + 60 * (random() + random() - 1);
  });
  const color = memory.f32(3 * side * side);
  const step = 32;
  const columns = size / step + 1;
  const x = memory.f64(columns * columns);
  const y = memory.f64(columns * columns);
  for (let j = 0; j < columns; j++) {
    for (let i = 0; i < columns; i++) {
      x.data[j * columns + i] = 12.3 + i * step * 0.9998 - j * step * 0.02;
      y.data[j * columns + i] = 4.1 + j * step * 0.9998 + i * step * 0.02;
    }
  }
  const plane = size * size;
  const out = memory.f32(3 * plane);
  const stride = plane + 16;
  const stack = memory.f32(frames * stride);
  stack.data.forEach((_, i, data) => {
    data[i] = random() < 0.01 ? Number.NaN : 1000 + 60 * (random() + random() - 1);
  });
  const blocks = Math.ceil(size / 32);
  const weights = memory.f32(frames * blocks * blocks);
  weights.data.fill(1);
  const variances = memory.f32(2 * frames);
  variances.data.forEach((_, i, data) => {
    data[i] = i % 2 ? 0 : 600;
  });
  const pedestals = memory.f32(blocks * blocks);
  const [combined, kept, rejected] = [memory.f32(plane), memory.f32(plane), memory.f32(plane)];
  const saturation = [1e9, 1e9, 1e9];
  const call = {
    ...{ stack, frames, planeStride: stride, rowLength: size, height: size, out: combined, kept, rejected },
    ...{ weights, blockColumns: blocks, blockRows: blocks, variances, pedestals },
    ...{ sigmaLower: 4, sigmaUpper: 3, maxIterations: 6, spreadFrom: 10, signalShare: 0.12 },
  };
  const tile = { x0: 0, y0: 0, width: size, height: size };
  return {
    demosaicBayer: {
      run: () =>
        kernels.demosaicBayer({
          mosaic,
          out: color,
          width: side,
          height: side,
          redX: 0,
          redY: 0,
          saturation,
        }),
      result: () => color.data,
      pixels: side * side,
    },
    warp: {
      run: () =>
        kernels.warp({
          ...{ source: color, sourceRect: { x0: 0, y0: 0, width: side, height: side }, planes: 3, tile },
          ...{
            grid: { step, columns, rows: columns, x, y },
            out,
            outStart: 0,
            rowLength: size,
            planeStride: plane,
          },
          ...{ table, limits },
        }),
      result: () => out.data,
      pixels: plane,
    },
    combineMean: {
      run: () => kernels.combineMean(call),
      result: () => combined.data,
      pixels: plane * frames,
    },
    combineMedian: {
      run: () => kernels.combineMedian(call),
      result: () => combined.data,
      pixels: plane * frames,
    },
    combineClipped: {
      run: () => kernels.combineClipped(call),
      result: () => combined.data,
      pixels: plane * frames,
    },
  };
}

/** Compiled kernels beside their plain twins: equal bits first, then speed. Pixels of a combine are samples of one plane. */
export async function bench({ full }) {
  const size = full ? 256 : 64;
  const frames = 30;
  const wasm = prepare(await loadKernelsFromDisk(), size, frames);
  const plain = prepare(plainKernels(), size, frames);
  heading('(plain TypeScript twin)');
  for (const name of Object.keys(wasm)) {
    wasm[name].run();
    plain[name].run();
    if (!bitsEqual(wasm[name].result(), plain[name].result()))
      throw new Error(`${name} differs from its twin`);
    const reference = await time(plain[name].run, full ? 1500 : 50);
    const result = await time(wasm[name].run, full ? 1000 : 50);
    line({
      name,
      size: `${size}x${size}${name.startsWith('combine') ? ` x ${frames}` : ''}`,
      result,
      pixels: wasm[name].pixels,
      reference,
    });
  }
}
