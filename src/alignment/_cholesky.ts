/**
 * Factors a symmetric positive definite matrix (row-major, only the lower triangle read) in place into its
 * lower Cholesky factor. Returns false when the matrix is not positive definite.
 * @source A.-L. Cholesky's method as in G. H. Golub and C. F. Van Loan, Matrix Computations, algorithm 4.2.1.
 */
export function factor(matrix: Float64Array, n: number): boolean {
  for (let i = 0; i < n; i++) {
    const rowI = i * n;
    for (let j = 0; j <= i; j++) {
      const rowJ = j * n;
      let sum = matrix[rowI + j]!;
      for (let k = 0; k < j; k++) sum -= matrix[rowI + k]! * matrix[rowJ + k]!;
      if (i === j) {
        if (!(sum > 0)) return false;
        matrix[rowI + i] = Math.sqrt(sum);
      } else matrix[rowI + j] = sum / matrix[rowJ + j]!;
    }
  }
  return true;
}

/** Solves L L^T x = b in place for a factor made by `factor`. */
export function solveFactored(lower: Float64Array, n: number, b: Float64Array): void {
  for (let i = 0; i < n; i++) {
    let sum = b[i]!;
    for (let k = 0; k < i; k++) sum -= lower[i * n + k]! * b[k]!;
    b[i] = sum / lower[i * n + i]!;
  }
  for (let i = n - 1; i >= 0; i--) {
    let sum = b[i]!;
    for (let k = i + 1; k < n; k++) sum -= lower[k * n + i]! * b[k]!;
    b[i] = sum / lower[i * n + i]!;
  }
}
