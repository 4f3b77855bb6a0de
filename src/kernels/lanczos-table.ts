/** Phases of the table; positions are exact to 1/65536 px, weights between phases are linear. */
export const TABLE_PHASES = 4096;

/** Lanczos window of half-width 3, sinc(x) sinc(x/3). @source C. E. Duchon, J. Appl. Meteor. 18 (1979) 1016. */
export function lanczos3(x: number): number {
  if (x === 0) return 1;
  if (Math.abs(x) >= 3) return 0;
  const t = Math.PI * x;
  return (3 * Math.sin(t) * Math.sin(t / 3)) / (t * t);
}

/**
 * The six weights for a position `fraction` px right of the third tap, normalised to a sum of 1: a bare
 * Lanczos sum turns a flat sky into 0.6 % ripple.
 */
export function lanczosWeights(fraction: number): number[] {
  if (fraction === 0) return [0, 0, 1, 0, 0, 0];
  if (fraction === 1) return [0, 0, 0, 1, 0, 0];
  const raw = Array.from({ length: 6 }, (_, tap) => lanczos3(fraction - (tap - 2)));
  const sum = raw.reduce((a, b) => a + b, 0);
  return raw.map((weight) => weight / sum);
}

/**
 * Weights for 4097 fractions from 0 to 1, eight values a row: taps 0 to 3, two zeros, taps 4 and 5. The
 * kernel loads taps 0..3 and 2..5, so the zeros fall on taps that are counted already.
 */
export function makeLanczosTable(): Float32Array {
  const table = new Float32Array((TABLE_PHASES + 1) * 8);
  for (let phase = 0; phase <= TABLE_PHASES; phase++) {
    const w = lanczosWeights(phase / TABLE_PHASES);
    table.set([w[0]!, w[1]!, w[2]!, w[3]!, 0, 0, w[4]!, w[5]!], phase * 8);
  }
  return table;
}
