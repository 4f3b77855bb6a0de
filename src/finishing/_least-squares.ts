/** Solves a small symmetric positive system by Gaussian elimination with pivoting; undefined when singular. */
export function solve(matrix: number[][], right: number[]): number[] | undefined {
  const n = right.length;
  const a = matrix.map((row, i) => [...row, right[i]!]);
  for (let k = 0; k < n; k++) {
    let pivot = k;
    for (let i = k + 1; i < n; i++) if (Math.abs(a[i]![k]!) > Math.abs(a[pivot]![k]!)) pivot = i;
    if (Math.abs(a[pivot]![k]!) < 1e-12) return undefined;
    [a[k], a[pivot]] = [a[pivot]!, a[k]!];
    for (let i = k + 1; i < n; i++) {
      const factor = a[i]![k]! / a[k]![k]!;
      for (let j = k; j <= n; j++) a[i]![j]! -= factor * a[k]![j]!;
    }
  }
  const x = new Array<number>(n).fill(0);
  for (let i = n - 1; i >= 0; i--) {
    let sum = a[i]![n]!;
    for (let j = i + 1; j < n; j++) sum -= a[i]![j]! * x[j]!;
    x[i] = sum / a[i]![i]!;
  }
  return x;
}

/**
 * Weighted least squares with a pull toward zero on each term but the first, the constant: it keeps a half-masked
 * frame from bending wildly where it has no sky.
 *
 * @param pull per term, in units of the summed weights; one number for all; default 1e-3
 */
export function fitWeighted(
  design: readonly (readonly number[])[],
  values: ArrayLike<number>,
  weights: ArrayLike<number>,
  pull: number | readonly number[] = 1e-3,
): number[] {
  const n = design[0]!.length;
  const normal = Array.from({ length: n }, () => new Array<number>(n).fill(0));
  const right = new Array<number>(n).fill(0);
  for (let k = 0; k < design.length; k++) {
    const weight = weights[k]!;
    if (weight === 0) continue;
    const row = design[k]!;
    for (let i = 0; i < n; i++) {
      const scaled = weight * row[i]!;
      right[i]! += scaled * values[k]!;
      for (let j = 0; j < n; j++) normal[i]![j]! += scaled * row[j]!;
    }
  }
  const total = normal[0]![0]!;
  for (let i = 1; i < n; i++) normal[i]![i]! += total * (typeof pull === 'number' ? pull : (pull[i] ?? 0));
  return solve(normal, right) ?? new Array<number>(n).fill(0);
}
