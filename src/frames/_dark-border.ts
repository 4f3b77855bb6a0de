import { type BorderLines, type DarkBorder, median, quantile } from '../core/index.js';
import type { RawMosaic } from './_mosaic.js';

/** Masked pixels needed beside a row or above a column, the outermost and innermost left out. */
const LEAST = 12;
/** The outermost and innermost ones often carry something else. */
const [OUTER, INNER] = [4, 6];
/** Wider than this share of the white level it is no masked border. */
const MOST_SPREAD = 0.05;
/** More samples of a line than this tell nothing new of its middle. */
const MOST = 96;

/**
 * What the masked pixels left of the visible area say of each row, and those above it of each column; undefined
 * where there are too few of them or they are not dark.
 */
export function darkBorder(raw: RawMosaic): DarkBorder | undefined {
  const { data, fullWidth, left, top, width, height, black } = raw;
  const level = median(black);
  const white = Math.max(...raw.white);
  const lines = (
    count: number,
    masked: number,
    at: (line: number, k: number) => number,
  ): BorderLines | undefined => {
    const from = OUTER;
    const samples = masked - OUTER - INNER;
    if (samples < LEAST) return undefined;
    const step = Math.ceil(samples / MOST);
    const within: number[] = [];
    const middles = Float32Array.from({ length: count }, (_, line) => {
      const sorted: number[] = [];
      for (let k = 0; k < samples; k += step) sorted.push(data[at(line, from + k)]! - level);
      sorted.sort((a, b) => a - b);
      // A quarter to three quarters of a normal distribution are 1.349 sigma apart.
      within.push((quantile(sorted, 0.75) - quantile(sorted, 0.25)) / 1.349);
      return middleMean(sorted);
    });
    const spread = quantile(middles, 0.95) - quantile(middles, 0.05);
    if (!(Math.abs(median(middles)) < MOST_SPREAD * white && spread < MOST_SPREAD * white)) return undefined;
    return { values: middles, error: meanOf(within) / Math.sqrt(Math.ceil(samples / step)) };
  };
  const rows = lines(height, left, (y, k) => (y + top) * fullWidth + k);
  const columns = lines(width, top, (x, k) => k * fullWidth + x + left);
  if (!rows && !columns) return undefined;
  return { ...(rows ? { rows } : {}), ...(columns ? { columns } : {}) };
}

/** Mean of the middle three quarters of sorted values: whole numbers make a median too coarse, hot pixels spoil a mean. */
function middleMean(sorted: readonly number[]): number {
  const cut = Math.floor(sorted.length / 8);
  return meanOf(sorted.slice(cut, sorted.length - cut));
}

const meanOf = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length;
