import { SIGMA_PER_MAD } from '../core/index.js';
import type { BlockWeights, ClipCall, StackCall } from './kernel-types.js';

const f = Math.fround;
const MAD_TO_SIGMA = f(SIGMA_PER_MAD);

/** Copies the samples of one pixel that are numbers. */
function numbersOf(samples: Float32Array): Float32Array {
  return samples.filter((v) => !Number.isNaN(v));
}

/** Median in single precision: half the sum of the two middle values. */
function medianOf(numbers: Float32Array): number {
  const n = numbers.length;
  if (n === 0) return Number.NaN;
  const sorted = numbers.slice().sort();
  return f(f(sorted[(n - 1) >> 1]! + sorted[n >> 1]!) * 0.5);
}

function weightedMean(samples: Float32Array, weightOf: (frame: number) => number): number {
  let sum = 0;
  let weight = 0;
  for (let frame = 0; frame < samples.length; frame++) {
    const value = samples[frame]!;
    if (Number.isNaN(value)) continue;
    const w = weightOf(frame);
    sum += w * value;
    weight += w;
  }
  return sum / weight;
}

/** Calls back with the samples of each pixel in turn, in a buffer that is used again. */
function eachPixel(
  call: StackCall,
  take: (samples: Float32Array, index: number, x: number, y: number) => void,
): void {
  const stack = call.stack.data;
  const samples = new Float32Array(call.frames);
  for (let y = 0; y < call.height; y++) {
    for (let x = 0; x < call.rowLength; x++) {
      const index = y * call.rowLength + x;
      for (let frame = 0; frame < call.frames; frame++) {
        samples[frame] = stack[frame * call.planeStride + index]!;
      }
      take(samples, index, x, y);
    }
  }
}

function weightLookup(call: BlockWeights, x: number, y: number): (frame: number) => number {
  const weights = call.weights.data;
  const block = (y >> 5) * call.blockColumns + (x >> 5);
  return (frame) => weights[frame * call.blockRows * call.blockColumns + block]!;
}

/** Twin of the kernel of this name; see `Kernels`. */
export function combineMeanPlain(call: StackCall & BlockWeights): void {
  eachPixel(call, (samples, index, x, y) => {
    call.out.data[index] = weightedMean(samples, weightLookup(call, x, y));
    call.kept.data[index] = numbersOf(samples).length;
  });
}

/** Twin of the kernel of this name; see `Kernels`. */
export function combineMedianPlain(call: StackCall): void {
  eachPixel(call, (samples, index) => {
    const numbers = numbersOf(samples);
    call.out.data[index] = medianOf(numbers);
    call.kept.data[index] = numbers.length;
  });
}

/** Twin of the kernel of this name; see `Kernels`. */
export function combineMaxPlain(call: StackCall): void {
  eachPixel(call, (samples, index) => {
    const numbers = numbersOf(samples);
    call.out.data[index] = numbers.length === 0 ? Number.NaN : Math.max(...numbers);
    call.kept.data[index] = numbers.length;
  });
}

/** Puts NaN in place of what lies too far from the median; true when something went. */
function clipOnce(samples: Float32Array, call: ClipCall, pedestal: number): boolean {
  const numbers = numbersOf(samples);
  const n = numbers.length;
  const center = medianOf(numbers);
  let spread2 = 0;
  if (n >= call.spreadFrom && n > 0) {
    const spread = f(medianOf(numbers.map((v) => Math.abs(f(v - center)))) * MAD_TO_SIGMA);
    spread2 = f(spread * spread);
  }
  const signal = f(Math.max(f(center - pedestal), 0) * f(call.signalShare));
  const signal2 = f(signal * signal);
  const variances = call.variances.data;
  const upper2 = f(f(call.sigmaUpper) * f(call.sigmaUpper));
  const lower2 = f(f(call.sigmaLower) * f(call.sigmaLower));
  const keep: boolean[] = [];
  let left = 0;
  for (let frame = 0; frame < samples.length; frame++) {
    const model = f(f(variances[2 * frame]! + f(variances[2 * frame + 1]! * Math.max(center, 0))) + signal2);
    const variance = Math.max(model, spread2);
    const deviation = f(samples[frame]! - center);
    const limit = f((deviation > 0 ? upper2 : lower2) * variance);
    keep.push(f(deviation * deviation) <= limit);
    if (keep[frame]) left++;
  }
  if (left === n || left === 0) return false;
  for (let frame = 0; frame < samples.length; frame++) if (!keep[frame]) samples[frame] = Number.NaN;
  return true;
}

/** Twin of the kernel of this name; see `Kernels`. */
export function combineClippedPlain(call: ClipCall): void {
  const pedestals = call.pedestals.data;
  eachPixel(call, (samples, index, x, y) => {
    const found = numbersOf(samples).length;
    const pedestal = pedestals[(y >> 5) * call.blockColumns + (x >> 5)]!;
    for (let iteration = 0; iteration < call.maxIterations; iteration++) {
      if (!clipOnce(samples, call, pedestal)) break;
    }
    const kept = numbersOf(samples).length;
    call.out.data[index] = weightedMean(samples, weightLookup(call, x, y));
    call.kept.data[index] = kept;
    call.rejected.data[index] = found - kept;
  });
}
