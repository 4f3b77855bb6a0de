import { SIGMA_PER_MAD } from './units.js';

/**
 * Puts the k-th smallest value at index k (smaller ones before it) and returns it. Reorders `values`.
 * NaN must have been left out. @source Hoare's selection (C. A. R. Hoare, CACM 4 (1961) 321).
 */
export function selectKth(values: Float32Array | Float64Array, k: number, length = values.length): number {
  let low = 0;
  let high = length - 1;
  while (low < high) {
    const pivot = values[(low + high) >> 1]!;
    let i = low;
    let j = high;
    while (i <= j) {
      while (values[i]! < pivot) i++;
      while (values[j]! > pivot) j--;
      if (i <= j) {
        const swap = values[i]!;
        values[i] = values[j]!;
        values[j] = swap;
        i++;
        j--;
      }
    }
    if (k <= j) high = j;
    else if (k >= i) low = i;
    else break;
  }
  return values[k]!;
}

/** Copies the finite values into a new array. */
export function finiteOnly(values: ArrayLike<number>): Float64Array {
  const kept = new Float64Array(values.length);
  let n = 0;
  for (let i = 0; i < values.length; i++) {
    const value = values[i]!;
    if (Number.isFinite(value)) kept[n++] = value;
  }
  return kept.subarray(0, n);
}

/** Median of the finite values (mean of the middle two for an even count); NaN when there are none. */
export function median(values: ArrayLike<number>): number {
  const work = finiteOnly(values);
  const n = work.length;
  if (n === 0) return Number.NaN;
  const upper = selectKth(work, n >> 1);
  if (n % 2 === 1) return upper;
  let lower = work[0]!;
  for (let i = 1; i < n >> 1; i++) if (work[i]! > lower) lower = work[i]!;
  return (lower + upper) / 2;
}

/** Quantile q in [0, 1] of the finite values by linear interpolation between order statistics; NaN when there are none. */
export function quantile(values: ArrayLike<number>, q: number): number {
  const work = finiteOnly(values);
  if (work.length === 0) return Number.NaN;
  const at = q * (work.length - 1);
  const low = Math.floor(at);
  const first = selectKth(work, low);
  if (at === low) return first;
  let next = Number.POSITIVE_INFINITY;
  for (let i = low + 1; i < work.length; i++) if (work[i]! < next) next = work[i]!;
  return first + (at - low) * (next - first);
}

/** Mean of the finite values; NaN when there are none. */
export function mean(values: ArrayLike<number>): number {
  let sum = 0;
  let n = 0;
  for (let i = 0; i < values.length; i++) {
    const value = values[i]!;
    if (Number.isFinite(value)) {
      sum += value;
      n++;
    }
  }
  return n === 0 ? Number.NaN : sum / n;
}

/** 1.4826 x the median absolute deviation from the median, of the finite values; NaN when there are none. */
export function madSigma(values: ArrayLike<number>): number {
  const center = median(values);
  const work = finiteOnly(values);
  for (let i = 0; i < work.length; i++) work[i] = Math.abs(work[i]! - center);
  return SIGMA_PER_MAD * median(work);
}
