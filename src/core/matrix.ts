/** Adjugate of a row-major 3x3 matrix: its inverse times its determinant. @source cofactor formula */
export function adjugate3(m: readonly number[]): number[] {
  const [a, b, c] = [m[0]!, m[1]!, m[2]!];
  const [d, e, f] = [m[3]!, m[4]!, m[5]!];
  const [g, h, i] = [m[6]!, m[7]!, m[8]!];
  return [
    e * i - f * h,
    c * h - b * i,
    b * f - c * e,
    f * g - d * i,
    a * i - c * g,
    c * d - a * f,
    d * h - e * g,
    b * g - a * h,
    a * e - b * d,
  ];
}

/** Inverse of a row-major 3x3 matrix; undefined when it has none. */
export function invert3(m: readonly number[]): number[] | undefined {
  const minors = adjugate3(m);
  // Along the first row: its elements times the first column of the adjugate, term by term as the formula has it.
  const determinant = m[0]! * minors[0]! - m[1]! * -minors[3]! + m[2]! * minors[6]!;
  if (!Number.isFinite(determinant) || Math.abs(determinant) < 1e-12) return undefined;
  return minors.map((value) => value / determinant);
}
