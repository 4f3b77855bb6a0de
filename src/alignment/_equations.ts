/** Normal equations under way: lower triangle of the matrix (row-major) and right side. */
export interface Equations {
  readonly matrix: Float64Array;
  readonly right: Float64Array;
  readonly total: number;
}

/** Adds a pull of one unknown toward a value `pull` away. */
export function pullOne(equations: Equations, at: number, weight: number, pull: number): void {
  equations.matrix[at * equations.total + at]! += weight;
  equations.right[at]! += weight * pull;
}

/** Adds one believed value, with its slopes by the unknowns (in ascending order of unknown). */
export function pullBy(
  equations: Equations,
  belief: { readonly slopes: readonly [number, number][]; readonly weight: number; readonly value: number },
): void {
  const { matrix, right, total } = equations;
  for (const [a, slopeA] of belief.slopes) {
    right[a]! -= belief.weight * slopeA * belief.value;
    for (const [b, slopeB] of belief.slopes) {
      if (b <= a) matrix[a * total + b]! += belief.weight * slopeA * slopeB;
    }
  }
}
