import { type CfaPattern, cfaColor } from '../core/index.js';

/** Same-colour neighbours of one site of the pattern: offsets and weights. */
export interface Neighbors {
  readonly dx: Int8Array;
  readonly dy: Int8Array;
  readonly weight: Float64Array;
}

/**
 * For each site of the pattern and each colour, where the nearest samples of that colour are and how much
 * each counts (a tent that falls to zero at `reach + 1`). A site's own colour is itself alone.
 */
export function colorNeighbors(cfa: CfaPattern, reach: number): Neighbors[] {
  const lists: Neighbors[] = [];
  for (let y = 0; y < cfa.height; y++) {
    for (let x = 0; x < cfa.width; x++) {
      for (let color = 0; color < 3; color++) {
        const dx: number[] = [];
        const dy: number[] = [];
        const weight: number[] = [];
        const own = cfaColor(cfa, x, y) === color;
        const r = own ? 0 : reach;
        for (let j = -r; j <= r; j++) {
          for (let i = -r; i <= r; i++) {
            const sx = x + i + 6 * cfa.width;
            const sy = y + j + 6 * cfa.height;
            if (cfaColor(cfa, sx, sy) !== color) continue;
            dx.push(i);
            dy.push(j);
            weight.push((reach + 1 - Math.abs(i)) * (reach + 1 - Math.abs(j)));
          }
        }
        lists.push({ dx: Int8Array.from(dx), dy: Int8Array.from(dy), weight: Float64Array.from(weight) });
      }
    }
  }
  return lists;
}

/** Reach that finds every colour from every site: 1 for a 2 x 2 pattern, 2 for the 6 x 6 one. */
export function neighborReach(cfa: CfaPattern): number {
  for (let reach = 1; reach <= 3; reach++) {
    if (colorNeighbors(cfa, reach).every((list) => list.weight.length > 0)) return reach;
  }
  throw new RangeError('Expected a colour filter pattern that holds red, green and blue');
}

/** Weighted mean of the neighbours that hold data and lie on the picture; NaN without any. */
export function neighborMean(
  data: Float32Array,
  width: number,
  height: number,
  x: number,
  y: number,
  list: Neighbors,
): number {
  let sum = 0;
  let total = 0;
  for (let k = 0; k < list.weight.length; k++) {
    const sx = x + list.dx[k]!;
    const sy = y + list.dy[k]!;
    if (sx < 0 || sx >= width || sy < 0 || sy >= height) continue;
    const value = data[sy * width + sx]!;
    if (Number.isNaN(value)) continue;
    sum += list.weight[k]! * value;
    total += list.weight[k]!;
  }
  return sum / total;
}
