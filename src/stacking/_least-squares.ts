/** Solves a symmetric positive system in place by Cholesky's method; false when it is singular. */
export function solveSymmetric(matrix: number[][], right: number[]): boolean {
  const n = right.length;
  const l = matrix;
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = l[i]![j]!;
      for (let k = 0; k < j; k++) sum -= l[i]![k]! * l[j]![k]!;
      if (i === j) {
        if (!(sum > 1e-12 * Math.max(1e-300, Math.abs(matrix[i]![i]!)))) return false;
        l[i]![i] = Math.sqrt(sum);
      } else l[i]![j] = sum / l[j]![j]!;
    }
  }
  for (let i = 0; i < n; i++) {
    for (let k = 0; k < i; k++) right[i] = right[i]! - l[i]![k]! * right[k]!;
    right[i] = right[i]! / l[i]![i]!;
  }
  for (let i = n - 1; i >= 0; i--) {
    for (let k = i + 1; k < n; k++) right[i] = right[i]! - l[k]![i]! * right[k]!;
    right[i] = right[i]! / l[i]![i]!;
  }
  return true;
}

/** Weighted least squares: coefficients of `basis(k)` that fit `values`; undefined when not determined. */
export function fitLinear(
  count: number,
  terms: number,
  basis: (k: number, out: number[]) => void,
  values: (k: number) => number,
  weights: (k: number) => number,
): number[] | undefined {
  const normal = Array.from({ length: terms }, () => new Array<number>(terms).fill(0));
  const right = new Array<number>(terms).fill(0);
  const row = new Array<number>(terms).fill(0);
  for (let k = 0; k < count; k++) {
    const w = weights(k);
    if (!(w > 0)) continue;
    basis(k, row);
    const value = values(k);
    for (let i = 0; i < terms; i++) {
      right[i] = right[i]! + w * row[i]! * value;
      for (let j = 0; j <= i; j++) normal[i]![j] = normal[i]![j]! + w * row[i]! * row[j]!;
    }
  }
  return solveSymmetric(normal, right) ? right : undefined;
}
