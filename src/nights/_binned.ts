import { cfaColor, type FramePixels, quantile, selectKth } from '../core/index.js';

/** A frame shrunk by whole blocks to at most about 1.6 million pixels, levels as fractions of white above black. */
export interface BinnedFrame {
  readonly width: number;
  readonly height: number;
  readonly data: Float32Array;
  /** Frame pixels to a side of one block. */
  readonly block: number;
  /** Share of the frame's pixels at or above 98 % of white. */
  readonly clippedShare: number;
  /** One quantisation step of the frame as a fraction of white. */
  readonly step: number;
}

const MAX_BINNED_PIXELS = 1.6e6;
const CLIPPED_FROM = 0.98;

/** Shrinks a frame by block means; a mosaic by whole repeats of its filter pattern, so that no colour stripes stay. */
export function binFrame(pixels: FramePixels): BinnedFrame {
  const { width, height } = pixels;
  const period = pixels.kind === 'mosaic' && pixels.cfa ? Math.max(pixels.cfa.width, pixels.cfa.height) : 1;
  let block = period;
  while (Math.floor(width / block) * Math.floor(height / block) > MAX_BINNED_PIXELS) block += period;
  const across = Math.max(1, Math.floor(width / block));
  const down = Math.max(1, Math.floor(height / block));
  const data = new Float32Array(across * down);
  const planes = pixels.kind === 'color' ? 3 : 1;
  let clipped = 0;
  for (let plane = 0; plane < planes; plane++) {
    const start = plane * width * height;
    for (let by = 0; by < down; by++) {
      for (let y = by * block; y < Math.min(height, (by + 1) * block); y++) {
        const scales = rowScales(pixels, plane, y, period);
        clipped += addRow(data.subarray(by * across, (by + 1) * across), {
          source: pixels.data,
          start: start + y * width,
          block: Math.min(block, width),
          scales,
        });
      }
    }
  }
  const share = 1 / (block * block * planes);
  for (let i = 0; i < data.length; i++) data[i]! *= share;
  const white = Math.min(...pixels.whiteLevel);
  return {
    width: across,
    height: down,
    data,
    block,
    clippedShare: clipped / (across * down * block * block * planes),
    step: pixels.quantization / white,
  };
}

/** One over the white level for each place of one row of the filter pattern. */
function rowScales(pixels: FramePixels, plane: number, y: number, period: number): Float64Array {
  const scales = new Float64Array(period);
  for (let x = 0; x < period; x++) {
    const color =
      pixels.kind === 'color'
        ? plane
        : pixels.kind === 'mosaic' && pixels.cfa
          ? cfaColor(pixels.cfa, x, y)
          : 1;
    scales[x] = 1 / pixels.whiteLevel[color as 0 | 1 | 2];
  }
  return scales;
}

interface RowJob {
  readonly source: Float32Array;
  readonly start: number;
  readonly block: number;
  readonly scales: Float64Array;
}

/** Adds one row to the block sums and returns how many of its pixels are clipped. NaN counts as black. */
function addRow(sums: Float32Array, job: RowJob): number {
  const { source, block, scales } = job;
  const period = scales.length;
  const scale = scales[0]!;
  if (scales.every((other) => other === scale)) return addEvenRow(sums, job, scale);
  let at = job.start;
  let clipped = 0;
  for (let b = 0; b < sums.length; b++) {
    let sum = 0;
    for (let i = 0; i < block; i += period) {
      for (let k = 0; k < period; k++) {
        const level = source[at++]! * scales[k]!;
        if (level >= CLIPPED_FROM) clipped++;
        if (!Number.isNaN(level)) sum += level;
      }
    }
    sums[b]! += sum;
  }
  return clipped;
}

/** The same for the usual row whose colours all clip at one level: one multiplication a block. */
function addEvenRow(sums: Float32Array, { source, block, start }: RowJob, scale: number): number {
  const limit = CLIPPED_FROM / scale;
  let at = start;
  let clipped = 0;
  for (let b = 0; b < sums.length; b++) {
    let sum = 0;
    for (const end = at + block; at < end; at++) {
      const value = source[at]!;
      if (value >= limit) clipped++;
      sum += value;
    }
    if (Number.isNaN(sum)) {
      sum = 0;
      for (let i = at - block; i < at; i++) if (!Number.isNaN(source[i]!)) sum += source[i]!;
    }
    sums[b]! += sum * scale;
  }
  return clipped;
}

/** A coarse mesh of medians over a binned frame, to read the smooth background between them. */
export interface Mesh {
  readonly across: number;
  readonly down: number;
  readonly levels: Float32Array;
}

/** Medians over `across` x `down` cells, each from at most about 400 samples. */
export function meshOf(frame: BinnedFrame, across: number, down: number): Mesh {
  const levels = new Float32Array(across * down);
  const work = new Float32Array(4096);
  for (let my = 0; my < down; my++) {
    const y0 = Math.floor((my * frame.height) / down);
    const y1 = Math.max(y0 + 1, Math.floor(((my + 1) * frame.height) / down));
    for (let mx = 0; mx < across; mx++) {
      const x0 = Math.floor((mx * frame.width) / across);
      const x1 = Math.max(x0 + 1, Math.floor(((mx + 1) * frame.width) / across));
      const stride = Math.max(1, Math.floor(Math.sqrt(((x1 - x0) * (y1 - y0)) / 400)));
      let n = 0;
      for (let y = y0; y < y1; y += stride)
        for (let x = x0; x < x1 && n < work.length; x += stride) work[n++] = frame.data[y * frame.width + x]!;
      levels[my * across + mx] = selectKth(work, n >> 1, n);
    }
  }
  return { across, down, levels };
}

/** The mesh read between its cell centres (bilinear; level beyond the outer centres) at every pixel of the frame. */
export function meshSurface(mesh: Mesh, width: number, height: number): Float32Array {
  const { across, down, levels } = mesh;
  const surface = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    const fy = Math.min(down - 1, Math.max(0, ((y + 0.5) * down) / height - 0.5));
    const r0 = Math.floor(fy);
    const r1 = Math.min(down - 1, r0 + 1);
    const ty = fy - r0;
    for (let x = 0; x < width; x++) {
      const fx = Math.min(across - 1, Math.max(0, ((x + 0.5) * across) / width - 0.5));
      const c0 = Math.floor(fx);
      const c1 = Math.min(across - 1, c0 + 1);
      const tx = fx - c0;
      const top = levels[r0 * across + c0]! * (1 - tx) + levels[r0 * across + c1]! * tx;
      const bottom = levels[r1 * across + c0]! * (1 - tx) + levels[r1 * across + c1]! * tx;
      surface[y * width + x] = top * (1 - ty) + bottom * ty;
    }
  }
  return surface;
}

/** Every n-th value, at most `limit` of them. */
export function sampleOf(data: Float32Array, limit: number): Float32Array {
  const stride = Math.max(1, Math.ceil(data.length / limit));
  // An odd stride does not beat with even row lengths.
  const step = stride > 1 && stride % 2 === 0 ? stride + 1 : stride;
  const sample = new Float32Array(Math.ceil(data.length / step));
  for (let i = 0, n = 0; i < data.length; i += step) sample[n++] = data[i]!;
  return sample;
}

/** Quantile of at most 60,000 samples. */
export function sampledQuantile(data: Float32Array, q: number): number {
  return quantile(sampleOf(data, 60_000), q);
}

/** Shrinks to at most `side` px on the long side by block means. */
export function thumbnailOf(
  frame: BinnedFrame,
  side: number,
): { readonly width: number; readonly height: number; readonly data: Float32Array } {
  const shrink = Math.max(1, Math.max(frame.width, frame.height) / side);
  const width = Math.max(1, Math.round(frame.width / shrink));
  const height = Math.max(1, Math.round(frame.height / shrink));
  const data = new Float32Array(width * height);
  for (let ty = 0; ty < height; ty++) {
    const y0 = Math.floor((ty * frame.height) / height);
    const y1 = Math.max(y0 + 1, Math.floor(((ty + 1) * frame.height) / height));
    for (let tx = 0; tx < width; tx++) {
      const x0 = Math.floor((tx * frame.width) / width);
      const x1 = Math.max(x0 + 1, Math.floor(((tx + 1) * frame.width) / width));
      let sum = 0;
      for (let y = y0; y < y1; y++) for (let x = x0; x < x1; x++) sum += frame.data[y * frame.width + x]!;
      data[ty * width + tx] = sum / ((x1 - x0) * (y1 - y0));
    }
  }
  return { width, height, data };
}
