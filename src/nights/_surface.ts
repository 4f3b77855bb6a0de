import type { FrameGlimpse } from './types.js';

/** Least-squares quadratic surface of the thumbnail: what it leaves (rms) and its slope, as shares of the mean. */
export function surfaceOf({ width, height, data }: FrameGlimpse['thumbnail']): {
  roughness: number;
  tilt: number;
} {
  const terms = 6;
  const normal = new Float64Array(terms * (terms + 1));
  let total = 0;
  const basis = (x: number, y: number): number[] => {
    const u = (2 * x + 1) / width - 1;
    const v = (2 * y + 1) / height - 1;
    return [1, u, v, u * u, u * v, v * v];
  };
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const value = data[y * width + x]!;
      const b = basis(x, y);
      total += value;
      for (let i = 0; i < terms; i++) {
        for (let j = 0; j < terms; j++) normal[i * (terms + 1) + j]! += b[i]! * b[j]!;
        normal[i * (terms + 1) + terms]! += b[i]! * value;
      }
    }
  }
  const fit = solve(normal, terms);
  let left = 0;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const b = basis(x, y);
      const model = b.reduce((sum, term, i) => sum + term * fit[i]!, 0);
      left += (data[y * width + x]! - model) ** 2;
    }
  }
  const n = width * height;
  const average = Math.max(total / n, 1e-6);
  return { roughness: Math.sqrt(left / n) / average, tilt: (2 * Math.hypot(fit[1]!, fit[2]!)) / average };
}

/** Gauss-Jordan with row exchange; an undetermined unknown (a thumbnail one pixel wide) becomes 0. */
function solve(augmented: Float64Array, n: number): Float64Array {
  const at = (row: number, column: number) => row * (n + 1) + column;
  const found = new Float64Array(n);
  const pivots: number[] = [];
  let row = 0;
  for (let column = 0; column < n && row < n; column++) {
    let best = row;
    for (let r = row + 1; r < n; r++)
      if (Math.abs(augmented[at(r, column)]!) > Math.abs(augmented[at(best, column)]!)) best = r;
    if (Math.abs(augmented[at(best, column)]!) < 1e-9) continue;
    for (let c = 0; c <= n; c++) {
      const swap = augmented[at(row, c)]!;
      augmented[at(row, c)] = augmented[at(best, c)]!;
      augmented[at(best, c)] = swap;
    }
    for (let r = 0; r < n; r++) {
      if (r === row) continue;
      const factor = augmented[at(r, column)]! / augmented[at(row, column)]!;
      for (let c = column; c <= n; c++) augmented[at(r, c)]! -= factor * augmented[at(row, c)]!;
    }
    pivots[row++] = column;
  }
  pivots.forEach((column, r) => {
    found[column] = augmented[at(r, n)]! / augmented[at(r, column)]!;
  });
  return found;
}
